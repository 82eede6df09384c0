// What is wrong with a sweep's readings, and what explains it.
#include <algorithm>
#include <array>
#include <cmath>

#include "harness/base/text.h"
#include "harness/metering/sweep.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

constexpr double kBeyondTimes = 5;    // beyond the set points a reading may be so much further off
constexpr int kStandingCodes = 8;     // so many codes with one reading are a clamp
constexpr double kCoarseTimes = 2.5;  // steps so much larger than a code's are lost resolution
constexpr double kWrapSteps = 64;

/// Readings in the order of the codes, with the ones that matter marked.
struct Readings {
  const std::vector<Tried>& tried;
  std::vector<bool> matters;
  double sign{1};  ///< of a reading's change as the code rises

  [[nodiscard]] double step(std::size_t i) const { return std::fabs(tried[i].ideal - tried[i - 1].ideal); }
};

/// Codes that share a fault, as findings of neighbours.
void collect(Sweep& sweep, Fault fault, const std::vector<std::size_t>& at, const std::string& detail) {
  if (at.empty()) return;
  sweep.findings.push_back(
      {fault, sweep.tried[at.front()].code, sweep.tried[at.back()].code, static_cast<int>(at.size()), detail});
}

std::string number(double value, int decimals, const std::string& unit) {
  return fixed_text(value, decimals) + " " + unit;
}

void find_silent(Sweep& sweep) {
  std::vector<std::size_t> at;
  for (std::size_t i = 0; i < sweep.tried.size(); ++i) {
    if (!sweep.tried[i].reading) at.push_back(i);
  }
  collect(sweep, Fault::kSilent, at, "no reading came");
}

/// A reading that goes the wrong way: by a lot it has wrapped, by a little it turns back.
void find_falls(Sweep& sweep, const Readings& curve, const std::vector<bool>& standing, double count,
                const std::string& unit) {
  std::vector<std::size_t> wraps;
  std::vector<std::size_t> turns;
  for (std::size_t i = 1; i < sweep.tried.size(); ++i) {
    if (!sweep.tried[i].reading || !sweep.tried[i - 1].reading) continue;
    const double moved = curve.sign * (*sweep.tried[i].reading - *sweep.tried[i - 1].reading);
    if (moved >= -1e-9) continue;
    // From one clamp into another, as where a lost sensor begins to count as one that is there.
    if (standing[i] && standing[i - 1] && !curve.matters[i] && !curve.matters[i - 1]) continue;
    const double step = std::isfinite(curve.step(i)) ? curve.step(i) : count;
    (-moved > kWrapSteps * std::max(step, count) ? wraps : turns).push_back(i);
  }
  const auto told = [&](std::size_t i) {
    return "from " + number(*sweep.tried[i - 1].reading, 3, unit) + " at code " +
           std::to_string(sweep.tried[i - 1].code) + " to " + number(*sweep.tried[i].reading, 3, unit);
  };
  if (!wraps.empty()) {
    const int code = sweep.tried[wraps[0]].code;
    const int factor = (65536 + code - 1) / code;
    const bool just = factor * (code - 1) < 65536 && factor > 1;
    collect(sweep, Fault::kWrap, wraps,
            told(wraps[0]) + (just ? ", where the code times " + std::to_string(factor) + " passes 65535" : ""));
  }
  if (!turns.empty()) collect(sweep, Fault::kTurnsBack, turns, told(turns[0]));
}

/// Where readings stand still while the truth moves on: a clamp or saturation, or a sensor that counts as lost. Beyond
/// the set points that is as it should be.
std::vector<bool> find_standing(Sweep& sweep, const Readings& curve, double count, const Words& words) {
  const std::vector<Tried>& tried = sweep.tried;
  std::vector<bool> standing(tried.size(), false);
  for (std::size_t begin = 0; begin < tried.size();) {
    std::size_t end = begin + 1;
    while (end < tried.size() && tried[end].reading == tried[begin].reading) ++end;
    const double moved = std::fabs(tried[end - 1].ideal - tried[begin].ideal);
    const double step = begin + 1 < end ? curve.step(begin + 1) : 0;
    const bool stands = tried[begin].reading && tried[end - 1].code - tried[begin].code + 1 >= kStandingCodes &&
                        !(moved <= 3 * count + 0.8 * kStandingCodes * std::min(step, moved));
    std::vector<std::size_t> wrong;
    for (std::size_t i = begin; stands && i < end; ++i) {
      standing[i] = true;
      if (curve.matters[i]) wrong.push_back(i);
    }
    if (stands) {
      const std::string where = number(*tried[begin].reading, 3, words.unit) + " from code " +
                                std::to_string(tried[begin].code) + " to " + std::to_string(tried[end - 1].code) +
                                " (pin at " + number(tried[begin].pin_v, 2, "V") + " to " +
                                number(tried[end - 1].pin_v, 2, "V") + ")";
      if (wrong.empty()) sweep.remarks.push_back("Beyond the set points it stands at " + where + ".");
      collect(sweep, Fault::kStands, wrong, "stands at " + where);
    }
    begin = end;
  }
  return standing;
}

/// Several codes with one reading and then a jump, where each code should have had its own.
void find_coarse(Sweep& sweep, const Readings& curve, double count, const Words& words) {
  std::vector<std::size_t> at;
  double widest = 0;
  for (std::size_t i = 1; i < sweep.tried.size(); ++i) {
    if (!curve.matters[i] || !sweep.tried[i].reading || !sweep.tried[i - 1].reading) continue;
    const double moved = curve.sign * (*sweep.tried[i].reading - *sweep.tried[i - 1].reading);
    if (moved > kCoarseTimes * curve.step(i) + 1.5 * count) {
      at.push_back(i);
      widest = std::max(widest, moved);
    }
  }
  if (at.size() < 3) return;  // a single jump is an error, not a lost bit
  collect(sweep, Fault::kCoarse, at,
          "in steps of up to " + number(1e3 * widest, 0, words.milli) + ", where a code is " +
              number(1e3 * curve.step(at[0]), 0, words.milli) + ": rounded before it is scaled");
}

void find_off(Sweep& sweep, const Readings& curve, const std::vector<bool>& standing,
              const profile::BoardProfile& board, const profile::SenseChannel& channel, const SweepOptions& options) {
  const Words words = words_for(channel.quantity);
  std::vector<std::size_t> at;
  std::size_t worst = 0;
  for (std::size_t i = 0; i < sweep.tried.size(); ++i) {
    const Tried& tried = sweep.tried[i];
    if (!tried.reading || !std::isfinite(tried.ideal)) continue;
    const double allowed = limit_at(board, channel, tried.ideal, options) * (curve.matters[i] ? 1 : kBeyondTimes);
    if (std::fabs(tried.error()) <= allowed || (standing[i] && !curve.matters[i])) continue;
    if (at.empty() || std::fabs(tried.error()) > std::fabs(sweep.tried[worst].error())) worst = i;
    at.push_back(i);
  }
  if (at.empty()) return;
  const Tried& first = sweep.tried[at[0]];
  collect(sweep, Fault::kOff, at,
          "reads " + number(*first.reading, 3, words.unit) + " for " + number(first.ideal, 3, words.unit) +
              "; at worst " + signed_text(sweep.tried[worst].error(), 3) + " " + words.step + " at code " +
              std::to_string(sweep.tried[worst].code));
}

struct Fit {
  double gain{1}, offset{0};
  std::size_t points{0};
};

/// Readings over truth by least squares, over the codes that matter and before anything wraps.
Fit fitted(const Sweep& sweep, const Readings& curve, const std::vector<bool>& standing) {
  double sx = 0;
  double sy = 0;
  double sxx = 0;
  double sxy = 0;
  Fit fit;
  for (std::size_t i = 0; i < sweep.tried.size(); ++i) {
    const Tried& tried = sweep.tried[i];
    const bool wrapped = std::any_of(sweep.findings.begin(), sweep.findings.end(), [&](const Finding& finding) {
      return finding.fault == Fault::kWrap && tried.code >= finding.first_code;
    });
    if (!tried.reading || !std::isfinite(tried.ideal) || standing[i] || wrapped) continue;
    if (!curve.matters[i]) continue;
    sx += tried.ideal;
    sy += *tried.reading;
    sxx += tried.ideal * tried.ideal;
    sxy += tried.ideal * *tried.reading;
    ++fit.points;
  }
  const auto n = static_cast<double>(fit.points);
  if (fit.points < 8) return fit;
  fit.gain = (n * sxy - sx * sy) / (n * sxx - sx * sx);
  fit.offset = (sy - fit.gain * sx) / n;
  return fit;
}

/// A gain that another reference explains, for the references that boards have.
void explain_gain(Sweep& sweep, const Fit& fit, const profile::BoardProfile& board,
                  const profile::SenseChannel& channel) {
  if (fit.points < 8 || std::fabs(fit.gain - 1) < 0.005) return;
  if (profile::is_temperature(channel.quantity)) return;
  const Words words = words_for(channel.quantity);
  std::string text = "Where it matters it reads " + fixed_text(fit.gain, 4) + " times the truth";
  if (std::fabs(fit.offset) > 0.005) text += " and " + signed_text(fit.offset, 3) + " " + words.step;
  const double assumed_v = fit.gain * board.reference_v(channel);
  constexpr std::array kUsualV = {1.1, 2.048, 2.5, 2.56, 3.0, 3.3, 4.096, 4.5, 5.0, 5.12};
  for (const double usual_v : kUsualV) {
    if (std::fabs(assumed_v / usual_v - 1) > 0.004) continue;
    text += ", as if it took the reference for " + base::number_text(usual_v) + " V, not " +
            base::number_text(board.reference_v(channel)) + " V";
  }
  sweep.remarks.push_back(text + ".");
}

/// A converter that is full too early measures against something else.
void explain_early_end(Sweep& sweep, const profile::BoardProfile& board, const profile::SenseChannel& channel) {
  const Tried& last = sweep.tried.back();
  std::size_t full = sweep.tried.size() - 1;
  while (full > 0 && sweep.tried[full - 1].reading == last.reading) --full;
  const bool stood = std::any_of(sweep.findings.begin(), sweep.findings.end(), [&](const Finding& finding) {
    return finding.fault == Fault::kStands && finding.last_code >= sweep.tried[full].code;
  });
  if (stood) {
    const double at_v = sweep.tried[full].pin_v;
    for (const auto& [name, reference_v] :
         {std::pair{"its internal reference", board.device.internal_reference_v},
          std::pair{"its second internal reference", board.device.internal_reference_2_v},
          std::pair{"the supply", board.device.supply_v}}) {
      if (std::fabs(at_v / reference_v - 1) < 0.01) {
        sweep.remarks.push_back("The converter is full from " + fixed_text(at_v, 2) +
                                " V at the pin on: it measures against " + name + " of " +
                                base::number_text(reference_v) + " V, not " +
                                base::number_text(board.reference_v(channel)) + " V.");
      }
    }
  }
}

}  // namespace

std::string words_for(Fault fault) {
  switch (fault) {
    case Fault::kOff:
      return "off";
    case Fault::kWrap:
      return "wraps";
    case Fault::kTurnsBack:
      return "turns back";
    case Fault::kCoarse:
      return "coarse";
    case Fault::kStands:
      return "stands still";
    case Fault::kSilent:
      return "silent";
  }
  return "";
}

double limit_at(const profile::BoardProfile& board, const profile::SenseChannel& channel, double ideal,
                const SweepOptions& options) {
  if (profile::is_temperature(channel.quantity)) return options.limit_k;
  Chain chain = chain_of(board, channel, 10);
  chain.adc = {};
  const double half = chain.codes() / 2;
  const double step = std::fabs(sensed_at(chain, half + 1, kRoomDegc) - sensed_at(chain, half, kRoomDegc));
  double of = std::fabs(ideal);
  if (profile::is_current(channel.quantity)) {
    for (const SetPoint& point : set_points(board, channel)) of = std::max(of, std::fabs(point.at));
  }
  return options.limit_frac * of + step;
}

void judge(Sweep& sweep, const profile::BoardProfile& board, const profile::SenseChannel& channel, double count,
           const SweepOptions& options) {
  const Words words = words_for(channel.quantity);
  const std::vector<SetPoint> points = set_points(board, channel);
  Readings curve{sweep.tried, {}, 1};
  for (const Tried& tried : sweep.tried) {
    curve.matters.push_back(tried.ideal >= points.front().at && tried.ideal <= points.back().at);
  }
  const std::size_t middle = sweep.tried.size() / 2;
  curve.sign = sweep.tried[middle].ideal >= sweep.tried[middle - 1].ideal ? 1 : -1;
  find_silent(sweep);
  const std::vector<bool> standing = find_standing(sweep, curve, count, words);
  find_falls(sweep, curve, standing, count, words.unit);
  find_coarse(sweep, curve, count, words);
  find_off(sweep, curve, standing, board, channel, options);
  explain_gain(sweep, fitted(sweep, curve, standing), board, channel);
  explain_early_end(sweep, board, channel);
  std::stable_sort(sweep.findings.begin(), sweep.findings.end(),
                   [](const Finding& a, const Finding& b) { return a.first_code < b.first_code; });
}

Account account_of(const Sweep& sweep, const profile::BoardProfile& board, const device::Image& image,
                   const SweepOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  const Words words = words_for(channel.quantity);
  Section section{"The firmware's own arithmetic", {}, {}, {}, ""};
  const std::string codes = std::to_string(sweep.tried.size()) + " codes";
  if (const auto bad = sweep.first_bad_code()) {
    const Finding& first = sweep.findings.front();
    section.sentences.push_back("First bad code: " + std::to_string(*bad) + ". It " +
                                (first.fault == Fault::kOff || first.fault == Fault::kCoarse ? "is " : "") +
                                words_for(first.fault) + ": " + first.detail + ".");
  } else {
    double worst = 0;
    int worst_code = 0;
    for (const Tried& tried : sweep.tried) {
      const auto points = set_points(board, channel);
      if (tried.ideal < points.front().at || tried.ideal > points.back().at) continue;
      if (!(std::fabs(tried.error()) > std::fabs(worst))) continue;
      worst = tried.error();
      worst_code = tried.code;
    }
    section.sentences.push_back("None of " + codes + " is bad: no wrap, no turning back, and off by at most " +
                                signed_text(1e3 * worst, 1) + " " + words.milli +
                                " from the lowest to the highest set point (code " + std::to_string(worst_code) + ").");
  }
  section.sentences.insert(section.sentences.end(), sweep.remarks.begin(), sweep.remarks.end());
  section.sentences.push_back("Tried with " + codes + " in the middle of each, in " + fixed_text(sweep.simulated_s, 0) +
                              " s of the device's time, on " + image.file + ", unmodified.");
  Table findings{"findings",
                 {{"fault", "what"},
                  {"first_code_lsb", "first code", 0},
                  {"last_code_lsb", "last", 0},
                  {"codes", "codes", 0},
                  {"detail", "in detail"}},
                 {}};
  for (const Finding& finding : sweep.findings) {
    findings.rows.push_back({words_for(finding.fault), static_cast<double>(finding.first_code),
                             static_cast<double>(finding.last_code), static_cast<double>(finding.codes),
                             finding.detail});
  }
  Table table{"sweep",
              {{"code_lsb", "code", 0},
               {"pin_v", "pin, V", 4},
               {"ideal_" + words.suffix, "truth", 4},
               {"reading_" + words.suffix, "reading", 4},
               {"error_" + words.suffix, "error", 4}},
              {},
              Shown::kFileOnly};
  Picture picture{"What the firmware believes", "converter code", {}};
  Curve truth{"solved network", {}, {}};
  Curve reading{"firmware", {}, {}};
  Curve error{"firmware", {}, {}};
  Curve allowed{"allowed", {}, {}};
  for (const Tried& tried : sweep.tried) {
    const double read = tried.reading.value_or(std::nan(""));
    table.rows.push_back({static_cast<double>(tried.code), tried.pin_v, tried.ideal, read, tried.error()});
    truth.x.push_back(tried.code);
    truth.y.push_back(tried.ideal);
    reading.x.push_back(tried.code);
    reading.y.push_back(read);
    error.x.push_back(tried.code);
    const double limit = std::isfinite(tried.ideal) ? limit_at(board, channel, tried.ideal, options) : std::nan("");
    error.y.push_back(std::clamp(1e3 * tried.error(), -6e3 * limit, 6e3 * limit));
  }
  const auto points = set_points(board, channel);
  for (const double sign : {1.0, -1.0}) {
    for (const Tried& tried : sweep.tried) {
      if (tried.ideal < points.front().at || tried.ideal > points.back().at) continue;
      allowed.x.push_back(tried.code);
      allowed.y.push_back(sign * 1e3 * limit_at(board, channel, tried.ideal, options));
    }
    allowed.x.push_back(std::nan(""));
    allowed.y.push_back(std::nan(""));
  }
  picture.planes.push_back({"reading, " + words.unit, {truth, reading}});
  picture.planes.push_back({"error, " + words.milli + ", cut off at six times what is allowed", {error, allowed}});
  if (!findings.rows.empty()) section.tables.push_back(std::move(findings));
  section.tables.push_back(std::move(table));
  section.pictures.push_back(std::move(picture));
  return {title_of(board, channel), "", {std::move(section)}};
}

}  // namespace dawnrig::metering
