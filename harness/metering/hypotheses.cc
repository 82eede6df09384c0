// What could be wrong: each part alone at another value, two resistors in each other's place, a diode that is colder or
// warmer than was noted.
#include <algorithm>
#include <array>
#include <cmath>
#include <functional>

#include "harness/base/text.h"
#include "harness/metering/evidence.h"
#include "harness/metering/words.h"

namespace dawnrig::metering {
namespace {

constexpr double kUnpromised = 3;  // how far-fetched a change of a part is of which nothing is promised

constexpr int kGrid = 240;

/// The lowest point of `of` between two ends that have one dip between them, by thirds.
double lowest(const std::function<double(double)>& of, double a, double b, int turns) {
  for (int i = 0; i < turns; ++i) {
    const double left = a + (b - a) / 3;
    const double right = b - (b - a) / 3;
    if (of(left) < of(right)) {
      b = right;
    } else {
      a = left;
    }
  }
  return 0.5 * (a + b);
}

/// The value from low to high that explains the pairs best: first over a grid, since there may be several dips,
/// reckoning with the promises of the board as labelled; then near there with those of the board as it would be.
double best_of(const Evidence& evidence, const std::function<Chain(double)>& chain_at, double low, double high) {
  const auto at = [&](int i) { return low + (high - low) * i / kGrid; };
  int best = 0;
  double best_misfit = 1e300;
  for (int i = 0; i <= kGrid; ++i) {
    const double here = evidence.misfit(chain_at(at(i)));
    if (here < best_misfit) {
      best_misfit = here;
      best = i;
    }
  }
  constexpr int kNear = 12;
  const double from = at(std::max(0, best - kNear));
  const double to = at(std::min(kGrid, best + kNear));
  return lowest([&](double x) { return evidence.own(chain_at(x)).sum(); }, from, to, 16);
}

/// The nearest value of the series of 24 in a decade that resistors come in (IEC 60063).
double nearest_of_series(double ohm) {
  constexpr std::array kSeries = {1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3,
                                  3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1, 10.0};
  const double decade = std::pow(10, std::floor(std::log10(ohm)));
  double best = kSeries[0] * decade;
  for (const double one : kSeries) {
    if (std::fabs(one * decade / ohm - 1) < std::fabs(best / ohm - 1)) best = one * decade;
  }
  return best;
}

std::string value_words(const std::string& field, double value) {
  if (field.ends_with("_ohm")) {
    return value >= 1e3 ? base::number_text(value / 1e3, value < 1e5 ? 2 : 1) + " kohm"
                        : base::number_text(value, 4) + " ohm";
  }
  if (field.ends_with("_v_per_k")) return base::number_text(1e3 * value, 2) + " mV/K";
  if (field.ends_with("_v")) return base::number_text(value, 3) + " V";
  if (field.ends_with("_a")) return base::number_text(1e6 * value, 3) + " µA";
  if (field.ends_with("_lsb")) return base::number_text(value, 1) + " codes";
  if (field.ends_with("_frac")) return base::number_text(100 * value, 2) + " %";
  if (field.ends_with("_k")) return base::number_text(value, 0) + " K";
  return base::number_text(value, 4);
}

class Search {
 public:
  Search(const Uncertain& parts, const profile::SenseChannel& channel, const Evidence& evidence, std::size_t pairs)
      : parts_{parts}, channel_{channel}, evidence_{evidence}, pairs_{pairs} {}

  std::vector<Hypothesis> all() {
    for (const Uncertain::Figure& figure : parts_.figures()) {
      const std::string& field = figure.part.field;
      if (field == "diode_test_a" || field == "diode_leak_a" || field == "pin_leak_a") continue;
      one_part(field, figure.part.value, figure.part.tolerance);
    }
    if (std::holds_alternative<plant::OffsetDividerParams>(channel_.network.network)) {
      leak("diode_leak_a", 1);
      diode_temperature();
    }
    leak("pin_leak_a", 1);
    leak("pin_leak_a", -1);
    swap();
    const double most = chi_squared_99(pairs_ > 1 ? pairs_ - 1 : 1);
    for (Hypothesis& one : found_) one.explains = one.misfit <= most;
    std::stable_sort(found_.begin(), found_.end(), [](const Hypothesis& a, const Hypothesis& b) {
      if (a.explains != b.explains) return a.explains;
      return a.explains ? a.score + a.misfit < b.score + b.misfit : a.misfit < b.misfit;
    });
    return std::move(found_);
  }

 private:
  [[nodiscard]] Chain with(const std::string& field, double value) const {
    Chain chain = parts_.nominal();
    Uncertain::set(chain, field, value);
    return chain;
  }

  void add(std::string part, std::string words, double needed, double score, const Chain& chain) {
    const Evidence::Own own = evidence_.own(chain);
    found_.push_back(
        {std::move(part), std::move(words), needed, own.misfit, score + std::max(0.0, own.vagueness), false, chain});
  }

  void one_part(const std::string& field, double labelled, double tolerance) {
    const bool by_factor = labelled > 0 && !field.ends_with("_lsb") && !field.ends_with("_frac") &&
                           !field.ends_with("_v_per_k") && field != "diode_v" && field != "bias_v";
    const auto value_at = [&](double x) { return by_factor ? labelled * std::exp(x) : labelled + x; };
    const double reach = by_factor                     ? std::log(field.ends_with("_ohm") ? 20.0 : 4.0)
                         : field.ends_with("_v_per_k") ? 0.05
                         : field.ends_with("_lsb")     ? 200
                         : field.ends_with("_frac")    ? 0.5
                                                       : 6;
    const double needed = value_at(best_of(
        evidence_, [&](double x) { return with(field, value_at(x)); }, -reach, reach));
    std::string words =
        part_words(field) + " is " + value_words(field, needed) + ", not " + value_words(field, labelled);
    double score = tolerance > 0 ? std::fabs(needed - labelled) / tolerance : kUnpromised;
    if (field.ends_with("_ohm") && needed > 0) {
      // A resistor of another value of the series was taken from the wrong reel: no matter how far off.
      const double stock = nearest_of_series(needed);
      const double miss = std::fabs(needed / stock - 1);
      if (miss < 0.015 && std::fabs(stock / labelled - 1) > 0.02) {
        score = std::min(score, 2 + 200 * miss + std::fabs(std::log(stock / labelled)));
        words += ": one of " + value_words(field, stock) + " was fitted in its place";
      }
    }
    add(field, words, needed, score, with(field, needed));
  }

  /// A leak that grows with warmth as junctions do, unless the profile says otherwise.
  [[nodiscard]] Chain leaking(const std::string& field, double leak_a) const {
    constexpr double kUsualDoublingK = 10;
    Chain chain = with(field, leak_a);
    const bool diode = field == "diode_leak_a";
    if (diode) Uncertain::set(chain, "diode_leak_test_v", test_v());
    const std::string doubling = diode ? "diode_leak_doubling_k" : "pin_leak_doubling_k";
    if (Uncertain::value_of(chain, doubling) == 0) Uncertain::set(chain, doubling, kUsualDoublingK);
    return chain;
  }

  void leak(const std::string& field, double sign) {
    const auto value_at = [&](double x) { return sign * std::pow(10, x); };
    const bool diode = field == "diode_leak_a";
    const double most = diode ? std::log10(most_diode_leak_a()) : -4;
    const double needed = value_at(best_of(
        evidence_, [&](double x) { return leaking(field, value_at(x)); }, -9, most));
    std::string words = diode ? "the offset diode leaks " : "the pin leaks ";
    words += value_words(field, std::fabs(needed));
    words += diode ? " at " + base::number_text(test_v(), 1) + " V, below its breakdown"
                   : std::string{sign > 0 ? " to ground" : " from the supply"};
    add(field, words, needed, kUnpromised, leaking(field, needed));
  }

  [[nodiscard]] const plant::OffsetDividerParams& diode() const {
    return std::get<plant::OffsetDividerParams>(parts_.nominal().network.network);
  }
  /// Where its leakage is told: as written, or at seven tenths of the breakdown, as data sheets do.
  [[nodiscard]] double test_v() const {
    return diode().diode_leak_test_v > 0 ? diode().diode_leak_test_v : 0.7 * diode().diode_v;
  }
  /// A leak that alone would carry the test current below the breakdown is no diode any more.
  [[nodiscard]] double most_diode_leak_a() const {
    return 0.5 * diode().diode_test_a * std::exp(-(diode().diode_v - test_v()) / diode().diode_leak_slope_v);
  }

  void diode_temperature() {
    const double per_k = diode().diode_tempco_v_per_k;
    if (per_k == 0) return;
    const auto chain_at = [&](double warmer_k) { return with("diode_v", diode().diode_v + warmer_k * per_k); };
    const double warmer_k = best_of(evidence_, chain_at, -90, 90);
    const double degrees = std::fabs(warmer_k);
    add("diode_degc",
        "the offset diode is " + fixed_text(degrees, 0) + " K " + (warmer_k < 0 ? "colder" : "warmer") +
            " than the board was noted to be, which moves it by " + signed_text(1e3 * warmer_k * per_k, 0) + " mV",
        warmer_k, degrees / 40, chain_at(warmer_k));
  }

  void swap() {
    Chain chain = parts_.nominal();
    const double top = Uncertain::value_of(chain, "r_top_ohm");
    const double bottom = Uncertain::value_of(chain, "r_bottom_ohm");
    if (top == 0 || top == bottom) return;
    Uncertain::set(chain, "r_top_ohm", bottom);
    Uncertain::set(chain, "r_bottom_ohm", top);
    add("swapped", "the upper and the lower resistor sit in each other's place", bottom, 0.5, chain);
  }

  const Uncertain& parts_;
  const profile::SenseChannel& channel_;
  const Evidence& evidence_;
  std::size_t pairs_;
  std::vector<Hypothesis> found_;
};

}  // namespace

std::vector<Hypothesis> hypotheses_for(const Uncertain& parts, const profile::SenseChannel& channel,
                                       const Evidence& evidence, std::size_t pairs) {
  return Search(parts, channel, evidence, pairs).all();
}

}  // namespace dawnrig::metering
