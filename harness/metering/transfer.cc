#include "harness/metering/transfer.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/metering/uncertain.h"

namespace dawnrig::metering {
namespace {

/// The code's interval over every promise and both ends of the temperature: each variable's effect, all of one sign.
struct Interval {
  double low{}, high{};
};

Interval interval_at(const Uncertain& parts, double sensed, const TransferOptions& options) {
  Interval widest{1e9, -1e9};
  std::vector<double> z(parts.variables().size(), 0);
  for (const double degc : {options.from_degc, kRoomDegc, options.to_degc}) {
    const double middle = position_lsb(parts.at(z, degc), sensed, degc);
    double half = 0;
    for (std::size_t i = 0; i < z.size(); ++i) {
      z[i] = 1;
      half += std::fabs(position_lsb(parts.at(z, degc), sensed, degc) - middle);
      z[i] = 0;
    }
    widest.low = std::min(widest.low, middle - half);
    widest.high = std::max(widest.high, middle + half);
  }
  widest.low = std::clamp(std::floor(widest.low), 0.0, parts.nominal().codes() - 1);
  widest.high = std::clamp(std::floor(widest.high), 0.0, parts.nominal().codes() - 1);
  return widest;
}

double step_at(const Chain& chain, double sensed) {
  const double at = position_lsb(chain, sensed, kRoomDegc);
  return std::fabs(sensed_at(chain, at + 0.5, kRoomDegc) - sensed_at(chain, at - 0.5, kRoomDegc));
}

/// What the straight line through the lowest and the highest set point makes of a place among the codes.
double on_the_line(const Chain& chain, const std::vector<SetPoint>& points, double at_lsb) {
  const double first = position_lsb(chain, points.front().at, kRoomDegc);
  const double last = position_lsb(chain, points.back().at, kRoomDegc);
  return points.front().at + (at_lsb - first) * (points.back().at - points.front().at) / (last - first);
}

double bend_at(const Chain& chain, const std::vector<SetPoint>& points, double sensed, double degc) {
  return on_the_line(chain, points, position_lsb(chain, sensed, degc)) - sensed;
}

double diode_v_at(const plant::OffsetDividerParams& p, const Chain& chain, double sensed, double degc) {
  return sensed - pin_v(chain, sensed, degc) - p.r_top_ohm * network_a(chain, sensed, degc);
}

struct Ends {
  double low{}, high{};
};

Ends ends_of(const Chain& chain) {
  // A thermistor at an end of the range is beyond any temperature: the first code that means one counts.
  double low = 1;
  double high = chain.codes() - 1;
  while (low < high && !std::isfinite(sensed_at(chain, low, kRoomDegc))) ++low;
  while (low < high && !std::isfinite(sensed_at(chain, high, kRoomDegc))) --high;
  const double a = sensed_at(chain, low, kRoomDegc);
  const double b = sensed_at(chain, high, kRoomDegc);
  return {std::min(a, b), std::max(a, b)};
}

void tell_of_diode(const Chain& chain, const std::vector<SetPoint>& points, const TransferOptions& options,
                   Section& section) {
  const auto* diode = std::get_if<plant::OffsetDividerParams>(&chain.network.network);
  if (diode == nullptr) return;
  const double low_a = network_a(chain, points.front().at, kRoomDegc);
  const double high_a = network_a(chain, points.back().at, kRoomDegc);
  const double low_v = diode_v_at(*diode, chain, points.front().at, kRoomDegc);
  const double high_v = diode_v_at(*diode, chain, points.back().at, kRoomDegc);
  section.sentences.push_back("The offset diode works at " + fixed_text(1e3 * low_a, 3) + " to " +
                              fixed_text(1e3 * high_a, 3) + " mA, " + fixed_text(100 * low_a / diode->diode_test_a, 1) +
                              " to " + fixed_text(100 * high_a / diode->diode_test_a, 1) + " % of the " +
                              fixed_text(1e3 * diode->diode_test_a, 1) + " mA of its data sheet. It drops " +
                              fixed_text(low_v, 3) + " to " + fixed_text(high_v, 3) + " V there, not the " +
                              fixed_text(diode->diode_v, 3) + " V of its label.");
  constexpr double kSeenV = 0.01;
  const double first_v = sensed_at(chain, 1, kRoomDegc);
  double bent_v = points.front().at;
  while (bent_v > first_v && std::fabs(bend_at(chain, points, bent_v, kRoomDegc)) < kSeenV) bent_v -= 0.01;
  section.sentences.push_back("The network is not linear: below " + fixed_text(bent_v, 1) +
                              " V the diode's knee bends it more than 10 mV away from the line through the outer set "
                              "points, by " +
                              fixed_text(1e3 * bend_at(chain, points, first_v, kRoomDegc), 0) +
                              " mV at the first code.");
  const double cold = position_lsb(chain, points.back().at, options.from_degc);
  const double warm = position_lsb(chain, points.back().at, options.to_degc);
  section.sentences.push_back(
      "From " + fixed_text(options.from_degc, 0) + " to " + fixed_text(options.to_degc, 0) +
      " °C its own drift moves the code at " + points.back().name + " from " + fixed_text(cold, 0) + " to " +
      fixed_text(warm, 0) + ", as if the battery had moved by " +
      fixed_text(1e3 * (sensed_at(chain, warm, kRoomDegc) - sensed_at(chain, cold, kRoomDegc)), 0) + " mV.");
}

Picture picture_of(const Chain& chain, const Words& words, const std::vector<SetPoint>& points, const Ends& ends,
                   const TransferOptions& options) {
  Picture picture{"From terminal to code", words.quantity + ", " + words.unit, {}};
  Plane pin{"voltage at the pin, V", {}};
  Plane code{"converter code", {}};
  Plane bend{"departure from the line through the outer set points, " + words.milli, {}};
  const double room = 0.06 * (ends.high - ends.low);
  const bool voltage = words.suffix == "v";
  const double from = voltage ? std::max(0.0, ends.low - room) : ends.low - room;
  for (const double degc : {options.from_degc, kRoomDegc, options.to_degc}) {
    const std::string label = "board at " + fixed_text(degc, 0) + " °C";
    Curve of_pin{label, {}, {}};
    Curve of_code{label, {}, {}};
    Curve of_bend{label, {}, {}};
    for (int i = 0; i <= options.points; ++i) {
      const double sensed = from + (ends.high + room - from) * i / options.points;
      const double at_v = pin_v(chain, sensed, degc);
      const double at = position_lsb(chain, sensed, degc);
      of_pin.x.push_back(sensed);
      of_pin.y.push_back(at_v);
      of_code.x.push_back(sensed);
      of_code.y.push_back(std::clamp(std::floor(at), 0.0, chain.codes() - 1));
      const bool between = sensed >= points.front().at - 1 && sensed <= points.back().at + 1;
      if (!between || at < 1 || at > chain.codes() - 1) continue;
      of_bend.x.push_back(sensed);
      of_bend.y.push_back(1e3 * bend_at(chain, points, sensed, degc));
    }
    pin.curves.push_back(std::move(of_pin));
    code.curves.push_back(std::move(of_code));
    bend.curves.push_back(std::move(of_bend));
  }
  constexpr double kSeenMilli = 0.1;
  bool bends = false;
  for (const Curve& curve : bend.curves) {
    for (const double y : curve.y) bends = bends || std::fabs(y) > kSeenMilli;
  }
  picture.planes = {std::move(pin), std::move(code)};
  if (bends) picture.planes.push_back(std::move(bend));
  return picture;
}

Table table_of(const Uncertain& parts, const Words& words, const std::vector<SetPoint>& points,
               const TransferOptions& options) {
  const Chain& chain = parts.nominal();
  Table table{"transfer",
              {{"set_point", "set point"},
               {"sensed_" + words.suffix, words.unit, 2},
               {"pin_v", "pin, V", 4},
               {"code_lsb", "code", 0},
               {"lowest_code_lsb", "lowest", 0},
               {"highest_code_lsb", "highest", 0},
               {"step_" + words.milli_suffix, "step, " + words.milli, 2},
               {"bend_" + words.milli_suffix, "bend, " + words.milli, 2},
               {"network_ua", "draws, µA", 1}},
              {}};
  for (const SetPoint& point : points) {
    const Interval codes = interval_at(parts, point.at, options);
    table.rows.push_back({point.name, point.at, pin_v(chain, point.at, kRoomDegc),
                          std::clamp(std::floor(position_lsb(chain, point.at, kRoomDegc)), 0.0, chain.codes() - 1),
                          codes.low, codes.high, 1e3 * step_at(chain, point.at),
                          1e3 * bend_at(chain, points, point.at, kRoomDegc),
                          1e6 * network_a(chain, point.at, kRoomDegc)});
  }
  return table;
}

Table curve_table(const Chain& chain, const Words& words) {
  Table table{"codes",
              {{"code_lsb", "code", 0}, {"pin_v", "pin, V", 4}, {"sensed_" + words.suffix, words.unit, 4}},
              {},
              Shown::kFileOnly};
  for (int code = 0; code < static_cast<int>(chain.codes()); ++code) {
    const double middle = code + 0.5;
    table.rows.push_back(
        {static_cast<double>(code), middle / chain.codes() * chain.reference_v(), sensed_at(chain, middle, kRoomDegc)});
  }
  return table;
}

}  // namespace

std::string title_of(const profile::BoardProfile& board, const profile::SenseChannel& channel) {
  return "Channel '" + channel.name + "' of " + board.name + ", revision " + board.revision;
}

void demand(const std::string& option, double value, double lowest, double highest) {
  if (value >= lowest && value <= highest) return;
  throw base::BadInput("--" + option, "is " + base::number_text(value) + ", must be " + base::number_text(lowest) +
                                          " to " + base::number_text(highest));
}

Account transfer(const profile::BoardProfile& board, const TransferOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  demand("from-degc", options.from_degc, -60, 150);
  demand("to-degc", options.to_degc, options.from_degc, 150);
  demand("adc-bits", options.bits, 8, 16);
  const Uncertain parts(board, channel, options.bits);
  const Chain& chain = parts.nominal();
  const Words words = words_for(channel.quantity);
  const std::vector<SetPoint> points = set_points(board, channel);
  const Ends ends = ends_of(chain);
  Section section{"From the terminal to the code", {}, {}, {}, ""};
  section.sentences.push_back("It measures " + fixed_text(ends.low, 2) + " to " + fixed_text(ends.high, 2) + " " +
                              words.unit + " against " + fixed_text(chain.reference_v(), 3) +
                              " V; beyond, the code stands at its end.");
  const SetPoint& main = points[main_set_point(points)];
  section.sentences.push_back("One code at " + main.name + " (" + fixed_text(main.at, 2) + " " + words.unit + ") is " +
                              fixed_text(1e3 * step_at(chain, main.at), 1) + " " + words.milli + " at the terminal.");
  const double drawn_a = network_a(chain, main.at, kRoomDegc);
  if (drawn_a > 0) {
    section.sentences.push_back("The network draws " + fixed_text(1e6 * drawn_a, 1) + " µA there, " +
                                fixed_text(24 * drawn_a * 1e3, 2) + " mAh in a day.");
  }
  tell_of_diode(chain, points, options, section);
  section.tables = {table_of(parts, words, points, options), curve_table(chain, words)};
  section.pictures = {picture_of(chain, words, points, ends, options)};
  return {title_of(board, channel), "", {std::move(section)}};
}

}  // namespace dawnrig::metering
