// The budget in sentences, tables and pictures.
#include <algorithm>
#include <cmath>

#include "harness/metering/budget.h"
#include "harness/metering/transfer.h"
#include "harness/metering/words.h"

namespace dawnrig::metering {
namespace {

constexpr std::array kNames = {"as built", "after a one-point calibration", "after a two-point calibration"};
constexpr std::array kColumns = {"none", "one_point", "two_point"};

/// How much of what is allowed the 99.7 % interval of a corner takes.
double used(const CornerResult& result, double limit) {
  return std::max(std::fabs(result.low), std::fabs(result.high)) / limit;
}

std::string percent(double share, int decimals) {
  return fixed_text(100 * share, decimals) + " %";
}

/// The parts that a corner's scatter comes from, with tolerance and drift of one part together, largest first.
struct Share {
  std::string part;
  double half_width{};  ///< root of the sum of squares
};

std::vector<Share> shares_at(const Budget& budget, std::size_t calibration, std::size_t corner) {
  std::vector<Share> shares;
  for (const Contribution& one : budget.contributions) {
    const double half = one.half_width[calibration][corner];
    const auto known =
        std::find_if(shares.begin(), shares.end(), [&](const Share& share) { return share.part == one.variable.part; });
    if (known == shares.end()) {
      shares.push_back({one.variable.part, std::fabs(half)});
    } else {
      known->half_width = std::hypot(known->half_width, half);
    }
  }
  std::stable_sort(shares.begin(), shares.end(),
                   [](const Share& a, const Share& b) { return a.half_width > b.half_width; });
  return shares;
}

/// A budget with what its sentences need at hand.
struct Teller {
  const Budget& budget;
  const profile::BoardProfile& board;
  const profile::SenseChannel& channel;
  const BudgetOptions& options;
  Words words;

  [[nodiscard]] double limit(std::size_t corner) const {
    return allowed(channel, options, budget.set_points, budget.set_points[budget.corners[corner].set_point].at);
  }
  [[nodiscard]] std::size_t worst(std::size_t calibration) const {
    std::size_t at = 0;
    for (std::size_t c = 1; c < budget.corners.size(); ++c) {
      if (used(budget.results[calibration][c], limit(c)) > used(budget.results[calibration][at], limit(at))) at = c;
    }
    return at;
  }
  [[nodiscard]] std::string milli(double value) const { return signed_text(1e3 * value, 0) + " " + words.milli; }
  [[nodiscard]] std::string half(double value) const { return "±" + fixed_text(1e3 * value, 0) + " " + words.milli; }
  [[nodiscard]] std::string demanded() const {
    return profile::is_temperature(channel.quantity)
               ? "±" + fixed_text(options.demand_k, 1) + " K"
               : "±" + fixed_text(100 * options.demand_frac, options.demand_frac < 0.01 ? 2 : 0) + " %";
  }
  [[nodiscard]] std::string place(std::size_t corner) const {
    const SetPoint& point = budget.set_points[budget.corners[corner].set_point];
    return point.name + " (" + fixed_text(point.at, 2) + " " + words.unit + ") on a board of " +
           fixed_text(budget.corners[corner].board_degc, 0) + " °C";
  }

  [[nodiscard]] std::string answer() const {
    const bool holds = budget.holds(Calibration::kNone);
    const double share = budget.yield_frac[0];
    const std::string boards = (share == 1 ? std::string{"all"} : percent(share, 2)) + " of " +
                               std::to_string(options.draws) +
                               " boards drawn at random do, at every set point and "
                               "temperature";
    std::string text = "Revision " + board.revision + (holds ? " holds " : " does not hold ") + demanded() + " from " +
                       fixed_text(options.from_degc, 0) + " to " + fixed_text(options.to_degc, 0) +
                       " °C without calibration: " + boards;
    if (!holds) {
      text += "; 99.7 % would have to";
    } else if (!guaranteed()) {
      text += ", though a board with every part at its limit at once would not";
    }
    return text + ". " + money();
  }
  [[nodiscard]] bool guaranteed() const {
    for (std::size_t c = 0; c < budget.corners.size(); ++c) {
      if (std::fabs(budget.results[0][c].fixed) + budget.results[0][c].worst_case > limit(c)) return false;
    }
    return true;
  }
  [[nodiscard]] std::string money() const {
    const std::size_t at = worst(0);
    const std::vector<Share> shares = shares_at(budget, 0, at);
    const double fixed = budget.results[0][at].fixed;
    double squares = 0;
    for (const Share& share : shares) squares += share.half_width * share.half_width;
    const double without = std::sqrt(std::max(0.0, squares - shares[0].half_width * shares[0].half_width));
    std::string text = part_words(shares[0].part) + ": " + half(shares[0].half_width) + " of the " +
                       half(std::sqrt(squares)) + " (root-sum-square) at " + place(at) + ", " + half(without) +
                       " without it.";
    if (std::fabs(fixed) > shares[0].half_width) {
      text = "Before money, take out what is no tolerance at all: " + milli(fixed) + " at " + place(at) + ", because " +
             drift_words(channel) + "; correct it in the firmware by the board's temperature, or choose " +
             "a part that does not drift. Then spend money on " + text;
    }
    return (std::fabs(fixed) > shares[0].half_width ? "" : "Spend money on ") + text;
  }
  [[nodiscard]] std::string scatter() const {
    const std::size_t at = worst(0);
    const CornerResult& result = budget.results[0][at];
    return "The worst corner is " + place(at) + ": " + milli(result.fixed) + " with every part as labelled, " +
           milli(result.low) + " to " + milli(result.high) + " for 99.7 % of boards, " +
           milli(result.fixed - result.worst_case) + " to " + milli(result.fixed + result.worst_case) +
           " with everything at its limit and the wrong way round; " + half(limit(at)) + " are allowed.";
  }
  [[nodiscard]] std::string calibrated() const {
    const SetPoint& main = budget.set_points[budget.main];
    std::string text = "Calibrated at " + fixed_text(main.at, 2) + " " + words.unit + " and 25 °C, " +
                       percent(budget.yield_frac[1], 2) + " hold it, and with a second point " +
                       percent(budget.yield_frac[2], 2) + "; ";
    const std::size_t at = worst(2);
    const double fixed = budget.results[2][at].fixed;
    const std::vector<Share> shares = shares_at(budget, 2, at);
    text +=
        "what is left is mostly " + part_words(shares[0].part) + " (" + half(shares[0].half_width) + " at " + place(at);
    if (std::fabs(fixed) > shares[0].half_width)
      text += ", around a fixed " + milli(fixed) + " that no calibration at 25 °C sees";
    return text + ").";
  }
  [[nodiscard]] std::string agreement() const {
    double widest = 0;
    double ratio = 0;
    std::size_t where = 0;
    for (std::size_t c = 0; c < budget.corners.size(); ++c) {
      const CornerResult& result = budget.results[0][c];
      ratio = std::max(ratio, std::fabs(result.linear_sigma / result.sigma - 1));
      if (result.widest_miss > widest) {
        widest = result.widest_miss;
        where = c;
      }
    }
    return "The linear budget and the draws through the solved network agree: their deviations differ by at most " +
           percent(ratio, 1) + ", and no board of " + std::to_string(options.draws) +
           " leaves the linear sum by more than " + fixed_text(1e3 * widest, 1) + " " + words.milli + " (" +
           place(where) + ").";
  }
  [[nodiscard]] std::string exact() const {
    std::string text;
    for (const std::string& part : budget.unpromised) text += (text.empty() ? "" : ", ") + part;
    return text.empty() ? text : "Counted as exact, since the profile gives no tolerance: " + text + ".";
  }
};

Table contributions_table(const Teller& teller) {
  const Budget& budget = teller.budget;
  Table table{"budget", {{"part", "part"}, {"cause", "cause"}, {"promise", "promise, ±"}}, {}};
  std::vector<std::size_t> corners;
  for (std::size_t c = 0; c < budget.corners.size(); ++c) {
    if (budget.corners[c].set_point == budget.main) corners.push_back(c);
  }
  for (std::size_t k = 0; k < kCalibrations; ++k) {
    for (const std::size_t c : corners) {
      const std::string degc = fixed_text(budget.corners[c].board_degc, 0);
      table.columns.push_back({std::string{kColumns[k]} + "_at_" +
                                   std::to_string(std::lround(budget.corners[c].board_degc)) + "_degc_" +
                                   teller.words.milli_suffix,
                               (k == 0   ? "at "
                                : k == 1 ? "1-pt "
                                         : "2-pt ") +
                                   degc + " °C",
                               1});
    }
  }
  std::vector<const Contribution*> sorted;
  for (const Contribution& one : budget.contributions) sorted.push_back(&one);
  const auto size = [&](const Contribution* one) {
    double most = 0;
    for (const std::size_t c : corners) most = std::max(most, std::fabs(one->half_width[0][c]));
    return most;
  };
  std::stable_sort(sorted.begin(), sorted.end(),
                   [&](const Contribution* a, const Contribution* b) { return size(a) > size(b); });
  const auto row = [&](const std::string& part, const std::string& cause, const std::string& promise, auto value) {
    std::vector<Cell> cells{part, cause, promise};
    for (std::size_t k = 0; k < kCalibrations; ++k) {
      for (const std::size_t c : corners) cells.emplace_back(1e3 * value(k, c));
    }
    table.rows.push_back(std::move(cells));
  };
  for (const Contribution* one : sorted) {
    row(one->variable.part, words_for(one->variable.cause), promise_text(one->variable),
        [&](std::size_t k, std::size_t c) { return std::fabs(one->half_width[k][c]); });
  }
  row("all together", "root-sum-square", "", [&](std::size_t k, std::size_t c) { return budget.results[k][c].rss; });
  row("all together", "worst case", "", [&](std::size_t k, std::size_t c) { return budget.results[k][c].worst_case; });
  const SetPoint& main = budget.set_points[budget.main];
  table.caption = "Half-widths in " + teller.words.milli + " at " + main.name + " (" + fixed_text(main.at, 2) + " " +
                  teller.words.unit +
                  "): as built, after a one-point (1-pt) and a two-point (2-pt) calibration at 25 °C.";
  row("as labelled", "fixed error", "", [&](std::size_t k, std::size_t c) { return budget.results[k][c].fixed; });
  return table;
}

Table corners_table(const Teller& teller) {
  const Budget& budget = teller.budget;
  const std::string& mv = teller.words.milli_suffix;
  const std::string& milli = teller.words.milli;
  Table table{"corners",
              {{"calibration", "calibration"},
               {"set_point", "set point"},
               {"board_degc", "board, °C", 0},
               {"allowed_" + mv, "allowed ±, " + milli, 0},
               {"fixed_" + mv, "fixed, " + milli, 1},
               {"worst_case_" + mv, "worst case ±", 1},
               {"rss_" + mv, "rss ±", 1},
               {"p0_15_" + mv, "0.15 % of boards below", 1},
               {"median_" + mv, "median", 1},
               {"p99_85_" + mv, "0.15 % above", 1},
               {"sigma_" + mv, "deviation", 2},
               {"linear_sigma_" + mv, "linear", 2}},
              {},
              Shown::kPageAndFile,
              "Every set point and temperature, in " + milli + "."};
  for (std::size_t k = 0; k < kCalibrations; ++k) {
    for (std::size_t c = 0; c < budget.corners.size(); ++c) {
      const CornerResult& r = budget.results[k][c];
      table.rows.push_back({std::string{kNames[k]}, budget.set_points[budget.corners[c].set_point].name,
                            budget.corners[c].board_degc, 1e3 * teller.limit(c), 1e3 * r.fixed, 1e3 * r.worst_case,
                            1e3 * r.rss, 1e3 * r.low, 1e3 * r.median, 1e3 * r.high, 1e3 * r.sigma,
                            1e3 * r.linear_sigma});
    }
  }
  return table;
}

Picture picture_of(const Teller& teller) {
  const Budget& budget = teller.budget;
  Picture picture{"Error at the terminal: 99.7 % of boards lie between the lines",
                  teller.words.quantity + ", " + teller.words.unit,
                  {}};
  for (std::size_t k = 0; k < kCalibrations; ++k) {
    Plane plane{std::string{kNames[k]} + ", " + teller.words.milli, {}};
    for (std::size_t t = 0; t < budget.temperatures_degc.size(); ++t) {
      Curve curve{"board at " + fixed_text(budget.temperatures_degc[t], 0) + " °C", {}, {}};
      const std::size_t points = budget.set_points.size();
      const auto take = [&](double CornerResult::*bound) {
        for (std::size_t i = 0; i < points; ++i) {
          curve.x.push_back(budget.set_points[i].at);
          curve.y.push_back(1e3 * budget.results[k][t * points + i].*bound);
        }
        curve.x.push_back(std::nan(""));
        curve.y.push_back(std::nan(""));
      };
      take(&CornerResult::low);
      take(&CornerResult::high);
      plane.curves.push_back(std::move(curve));
    }
    Curve limits{"allowed", {}, {}};
    for (const double sign : {1.0, -1.0}) {
      for (const SetPoint& point : budget.set_points) {
        limits.x.push_back(point.at);
        limits.y.push_back(sign * 1e3 * allowed(teller.channel, teller.options, budget.set_points, point.at));
      }
      limits.x.push_back(std::nan(""));
      limits.y.push_back(std::nan(""));
    }
    plane.curves.push_back(std::move(limits));
    picture.planes.push_back(std::move(plane));
  }
  return picture;
}

}  // namespace

Account account_of(const Budget& budget, const profile::BoardProfile& board, const BudgetOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  const Teller teller{budget, board, channel, options, words_for(channel.quantity)};
  Section section{
      "Error budget", {teller.answer(), teller.scatter(), teller.calibrated(), teller.agreement()}, {}, {}, ""};
  const std::string exact = teller.exact();
  if (!exact.empty()) section.sentences.push_back(exact);
  section.tables = {contributions_table(teller), corners_table(teller)};
  section.pictures = {picture_of(teller)};
  return {title_of(board, channel), "", {std::move(section)}};
}

}  // namespace dawnrig::metering
