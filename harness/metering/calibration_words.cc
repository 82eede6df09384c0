// A calibration in sentences, tables and a picture.
#include <algorithm>
#include <cmath>

#include "harness/base/text.h"
#include "harness/metering/calibration.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

std::string capitalised(std::string text) {
  if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') text[0] = static_cast<char>(text[0] - 'a' + 'A');
  return text;
}

std::string correction_text(const Correction& c, const Words& words) {
  std::string text = "Corrected = reported";
  if (c.gain != 1) text += " * " + fixed_text(c.gain, 5);
  if (c.offset != 0) text += (c.offset < 0 ? " − " : " + ") + fixed_text(std::fabs(c.offset), 4) + " " + words.step;
  if (c.drift_per_k != 0) {
    text += (c.drift_per_k > 0 ? " − " : " + ") + fixed_text(1e3 * std::fabs(c.drift_per_k), 2) + " " + words.milli +
            "/K * (board − 25 °C)";
  }
  return text;
}

const Residual& worst_of(const CalibrationResult& result) {
  return *std::max_element(result.residuals.begin(), result.residuals.end(), [](const Residual& a, const Residual& b) {
    return std::fabs(a.expected) + a.two_sigma < std::fabs(b.expected) + b.two_sigma;
  });
}

std::string place(const CalibrationResult& result, const Residual& residual, const Words& words) {
  const SetPoint& point = result.set_points[residual.corner.set_point];
  return point.name + " (" + fixed_text(point.at, 2) + " " + words.unit + ") on a board of " +
         fixed_text(residual.corner.board_degc, 0) + " °C";
}

void tell_sound(const CalibrationResult& result, const Words& words, Section& section) {
  section.sentences.push_back("The pairs are what parts within their tolerances can read: a misfit of " +
                              fixed_text(result.misfit, 1) + ", and 99 of 100 sound boards stay below " +
                              fixed_text(result.most_misfit, 1) + ".");
  section.sentences.push_back(correction_text(result.correction, words) + ".");
  const Residual& worst = worst_of(result);
  section.sentences.push_back("What is left then is at most " + signed_text(1e3 * worst.expected, 0) + " ± " +
                              fixed_text(1e3 * worst.two_sigma, 0) + " " + words.milli + " (two deviations), at " +
                              place(result, worst, words) + ".");
}

void tell_fault(const CalibrationResult& result, const Words& words, Section& section) {
  const Hypothesis* fault = result.likeliest();
  const auto explaining = std::count_if(result.hypotheses.begin(), result.hypotheses.end(),
                                        [](const Hypothesis& one) { return one.explains; });
  std::string answer = "Parts within their tolerances cannot read this: a misfit of " + fixed_text(result.misfit, 1) +
                       ", where 99 of 100 sound boards stay below " + fixed_text(result.most_misfit, 1) + ". ";
  if (fault == nullptr) {
    answer +=
        "No single part explains it either: look for two faults, a wrong constant in the firmware, or a meter "
        "on the wrong terminals.";
  } else {
    answer += "Most likely " + fault->words + ".";
  }
  section.sentences.push_back(answer);
  if (explaining > 1 && result.pairs.size() == 1) {
    section.sentences.push_back(
        "One pair cannot tell an offset from a factor: " + std::to_string(explaining) +
        " causes explain it. Take another at a voltage well away from it, and one on a cold board.");
  } else if (explaining > 1) {
    section.sentences.push_back(std::to_string(explaining) +
                                " causes explain the pairs, the least far-fetched first in the table.");
  }
  section.sentences.push_back("Do not correct this away. " + correction_text(result.correction, words) +
                              " would hide the fault:");
  if (fault != nullptr) {
    const Residual& worst = worst_of(result);
    section.sentences.back() += " with it, the reading would be off by " + signed_text(1e3 * worst.expected, 0) + " " +
                                words.milli + " at " + place(result, worst, words) +
                                ", and by more if the fault grows.";
  } else {
    section.sentences.back() += " nobody knows what it does at other voltages and temperatures.";
  }
}

Table pairs_table(const CalibrationResult& result, const Words& words) {
  Table table{"pairs",
              {{"meter_" + words.suffix, "meter, " + words.unit, 3},
               {"reported_" + words.suffix, "reported, " + words.unit, 3},
               {"board_degc", "board, °C", 0},
               {"error_" + words.milli_suffix, "error, " + words.milli, 0},
               {"labelled_error_" + words.milli_suffix, "as labelled", 0},
               {"half_width_" + words.milli_suffix, "at most ±", 0},
               {"corrected_error_" + words.milli_suffix, "corrected", 1}},
              {}};
  for (std::size_t k = 0; k < result.pairs.size(); ++k) {
    const Pair& pair = result.pairs[k];
    table.rows.push_back({pair.meter, pair.reported, pair.board_degc, 1e3 * (pair.reported - pair.meter),
                          1e3 * (result.expected[k] - pair.meter), 1e3 * result.half_width[k],
                          1e3 * (result.correction.of(pair.reported, pair.board_degc) - pair.meter)});
  }
  return table;
}

Table causes_table(const CalibrationResult& result) {
  Table table{
      "causes",
      {{"cause", "cause"}, {"explains", "explains"}, {"misfit", "misfit", 1}, {"far_fetched", "far-fetched", 1}},
      {}};
  for (const Hypothesis& one : result.hypotheses) {
    table.rows.push_back({one.words, std::string{one.explains ? "yes" : "no"}, one.misfit, one.score});
  }
  return table;
}

Table residual_table(const CalibrationResult& result, const Words& words) {
  Table table{"residual",
              {{"set_point", "set point"},
               {"board_degc", "board, °C", 0},
               {"expected_" + words.milli_suffix, "left, " + words.milli, 1},
               {"two_sigma_" + words.milli_suffix, "± two deviations", 1}},
              {}};
  for (const Residual& one : result.residuals) {
    table.rows.push_back(
        {result.set_points[one.corner.set_point].name, one.corner.board_degc, 1e3 * one.expected, 1e3 * one.two_sigma});
  }
  return table;
}

Picture picture_of(const CalibrationResult& result, const Words& words) {
  Picture picture{"Readings beside the meter", words.quantity + " by the meter, " + words.unit, {}};
  Curve measured{"pairs", {}, {}};
  Curve left{"corrected", {}, {}};
  Curve bound{"possible with parts within tolerance", {}, {}};
  std::vector<std::size_t> order;
  for (std::size_t k = 0; k < result.pairs.size(); ++k) order.push_back(k);
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return result.pairs[a].meter < result.pairs[b].meter; });
  const double mark = 0.012 * (result.set_points.back().at - result.set_points.front().at);
  const auto cross = [&](Curve& curve, double x, double y) {
    for (const double dx : {-mark, mark}) {
      curve.x.push_back(x + dx);
      curve.y.push_back(y);
    }
    curve.x.push_back(std::nan(""));
    curve.y.push_back(std::nan(""));
  };
  for (const std::size_t k : order) {
    const Pair& pair = result.pairs[k];
    const double labelled = result.expected[k] - pair.meter;
    cross(measured, pair.meter, 1e3 * (pair.reported - pair.meter));
    cross(left, pair.meter, 1e3 * (result.correction.of(pair.reported, pair.board_degc) - pair.meter));
    bound.x.insert(bound.x.end(), {pair.meter, pair.meter, std::nan("")});
    bound.y.insert(bound.y.end(),
                   {1e3 * (labelled - result.half_width[k]), 1e3 * (labelled + result.half_width[k]), std::nan("")});
  }
  picture.planes.push_back({"reported minus meter, " + words.milli, {measured, left, bound}});
  return picture;
}

}  // namespace

Account account_of(const CalibrationResult& result, const profile::BoardProfile& board,
                   const CalibrationOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  const Words words = words_for(channel.quantity);
  Section section{"Calibration", {}, {}, {}, ""};
  (result.consistent ? tell_sound : tell_fault)(result, words, section);
  for (std::string& sentence : section.sentences) sentence = capitalised(std::move(sentence));
  section.tables.push_back(pairs_table(result, words));
  if (!result.consistent) section.tables.push_back(causes_table(result));
  section.tables.push_back(residual_table(result, words));
  section.pictures = {picture_of(result, words)};
  return {
      title_of(board, channel),
      "A probe that slips on a battery's terminals draws an arc: insulated tips, fused leads, rings and watches off.",
      {std::move(section)}};
}

}  // namespace dawnrig::metering
