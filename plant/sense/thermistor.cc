#include "plant/sense/thermistor.h"

#include <cmath>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kReferenceK = 298.15;
constexpr double kZeroDegcK = 273.15;

double log_ohm_of(const SteinhartHart& law, double per_k) {
  double x = (per_k - law.a_per_k) / law.b_per_k;  // at or above the root, since c is not negative
  constexpr int kMostIterations = 30;
  for (int i = 0; i < kMostIterations; ++i) {
    const double miss = law.a_per_k + x * (law.b_per_k + law.c_per_k * x * x) - per_k;
    const double step = miss / (law.b_per_k + 3.0 * law.c_per_k * x * x);
    x -= step;
    if (std::abs(step) < 1e-13) break;
  }
  return x;
}

void check_curve(Problems& problems, const SteinhartHart& law) {
  check_range(problems, "thermistor.steinhart_hart.a_per_k", law.a_per_k, {-0.01, 0.01});
  check_range(problems, "thermistor.steinhart_hart.b_per_k", law.b_per_k, {1e-5, 0.01});
  check_range(problems, "thermistor.steinhart_hart.c_per_k", law.c_per_k, {0.0, 1e-5});
  if (!(law.b_per_k > 0.0 && law.c_per_k >= 0.0)) return;
  const double r_25_ohm = std::exp(log_ohm_of(law, 1.0 / kReferenceK));
  if (!(r_25_ohm >= 10.0 && r_25_ohm <= 1e7)) {
    problems.add("thermistor.steinhart_hart", "does not make 10 ohm to 10 Mohm at 25 degC: is a coefficient off?");
  }
}

void check_curve(Problems& problems, const ThermistorTable& table) {
  if (table.count < 2) problems.add("thermistor.table", "has fewer than two points");
  for (std::size_t i = 0; i < table.count; ++i) {
    const std::string point = "thermistor.table[" + std::to_string(i) + "]";
    check_range(problems, point + ".degc", table.points[i].degc, {-80.0, 200.0});
    check_range(problems, point + ".r_ohm", table.points[i].r_ohm, {0.1, 1e8});
    if (i == 0) continue;
    if (!(table.points[i].degc > table.points[i - 1].degc)) {
      problems.add(point + ".degc", "is not above the point before: write them from cold to warm");
    }
    if (!(table.points[i].r_ohm < table.points[i - 1].r_ohm)) {
      problems.add(point + ".r_ohm", "is not below the point before: the resistance must fall as it gets warmer");
    }
  }
}

void check_curve(Problems& /*problems*/, const std::monostate& /*beta*/) {}

}  // namespace

void check_thermistor(Problems& problems, const ThermistorInputParams& p) {
  check_range(problems, p.to_supply ? "thermistor.r_pull_down_ohm" : "thermistor.r_pull_up_ohm", p.r_fixed_ohm,
              {10.0, 1e7});
  if (std::holds_alternative<std::monostate>(p.curve)) {
    check_range(problems, "thermistor.r_25_ohm", p.r_25_ohm, {10.0, 1e7});
    check_range(problems, "thermistor.beta_k", p.beta_k, {500.0, 1e4});
  }
  check_range(problems, "thermistor.capacitance_f", p.capacitance_f, {1e-12, 1e-3});
  check_range(problems, "thermistor.r_series_ohm", p.r_series_ohm, {0.0, 1e7});
  if (p.r_parallel_ohm != 0.0) check_range(problems, "thermistor.r_parallel_ohm", p.r_parallel_ohm, {10.0, 1e8});
  std::visit([&](const auto& curve) { check_curve(problems, curve); }, p.curve);
}

Thermistor::Thermistor(const ThermistorInputParams& checked)
    : r_series_ohm_{checked.r_series_ohm},
      parallel_s_{checked.r_parallel_ohm > 0.0 ? 1.0 / checked.r_parallel_ohm : 0.0} {
  if (const auto* cubic = std::get_if<SteinhartHart>(&checked.curve)) {
    is_cubic_ = true;
    cubic_ = *cubic;
  } else if (const auto* table = std::get_if<ThermistorTable>(&checked.curve)) {
    piece_count_ = table->count - 1;
    for (std::size_t i = 0; i < piece_count_; ++i) {
      const ThermistorTable::Point& cold = table->points[i];
      const ThermistorTable::Point& warm = table->points[i + 1];
      Piece& piece = pieces_[i];
      piece.per_k = 1.0 / (warm.degc + kZeroDegcK);
      piece.log_r = std::log(warm.r_ohm);
      piece.beta_k = (std::log(cold.r_ohm) - piece.log_r) / (1.0 / (cold.degc + kZeroDegcK) - piece.per_k);
    }
  } else {
    pieces_[0] = {1.0 / kReferenceK, std::log(checked.r_25_ohm), checked.beta_k};
  }
}

Thermistor::LogOhm Thermistor::log_ohm(double degc) const {
  const double per_k = 1.0 / (degc + kZeroDegcK);
  if (is_cubic_) {
    const double log_r = log_ohm_of(cubic_, per_k);
    return {log_r, -per_k * per_k / (cubic_.b_per_k + 3.0 * cubic_.c_per_k * log_r * log_r)};
  }
  std::size_t i = 0;
  while (i + 1 < piece_count_ && per_k < pieces_[i].per_k) ++i;  // warmer than this pair
  const Piece& piece = pieces_[i];
  return {piece.log_r + piece.beta_k * (per_k - piece.per_k), -piece.beta_k * per_k * per_k};
}

Thermistor::Branch Thermistor::at(double degc, bool open, AnchoredExp& scratch) const {
  double pair_s = parallel_s_;
  double pair_d_degc = 0.0;
  if (!open) {
    const LogOhm q = log_ohm(degc);
    const double s = scratch(-q.log_r);
    pair_s += s;
    pair_d_degc = -s * q.d_degc;
  }
  const double divided = 1.0 / (1.0 + r_series_ohm_ * pair_s);
  return {pair_s * divided, pair_d_degc * divided * divided};
}

}  // namespace dawnrig::plant
