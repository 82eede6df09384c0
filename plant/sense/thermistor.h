// Plant, sense: a thermistor and the resistors that straighten it. May use plant/core only.
#pragma once

#include <array>
#include <cstddef>
#include <string>
#include <variant>

#include "plant/core/anchored_exp.h"
#include "plant/core/problems.h"

namespace dawnrig::plant {

/// 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohm.
struct SteinhartHart {
  double a_per_k{1.12924e-3};
  double b_per_k{2.34108e-4};
  double c_per_k{8.7755e-8};
};
/// Points of a data sheet, temperature rising and resistance falling.
struct ThermistorTable {
  static constexpr std::size_t kMost = 24;
  struct Point {
    double degc{}, r_ohm{};
  };
  std::array<Point, kMost> points{};
  std::size_t count{0};
};
/// to ground:  supply -- r_fixed --+-- [r_series -- (thermistor | r_parallel)] -- ground
/// to supply:  supply -- [r_series -- (thermistor | r_parallel)] --+-- r_fixed -- ground
/// Capacitance from the pin, at +, to ground.
struct ThermistorInputParams {
  double r_fixed_ohm{10e3};  ///< r_pull_up_ohm or r_pull_down_ohm in the schema
  double r_25_ohm{10e3};     ///< with beta_k: R = r_25 exp(beta (1/T - 1/298.15 K)), unless `curve` says otherwise
  double beta_k{3950.0};
  double capacitance_f{100e-9};
  double r_series_ohm{0.0};
  double r_parallel_ohm{0.0};  ///< 0: not fitted
  bool to_supply{false};
  std::variant<std::monostate, SteinhartHart, ThermistorTable> curve{};
};

void check_thermistor(Problems& problems, const ThermistorInputParams& params);

/// The branch with the thermistor in it as a conductance, and the slope of that with the thermistor's temperature.
///
///     beta            ln R = ln r_25 + beta (1/T - 1/298.15 K)
///     Steinhart-Hart  ln R solved from its cubic by Newton from above, which ends on the only real root
///     table           ln R straight in 1/T between two points, that is a beta of its own for each pair; the outermost
///                     pairs go on beyond the table
///     branch          1/g = r_series + 1/(1/R + 1/r_parallel)
///
/// An open thermistor leaves the parallel resistor in place: the pin then reads as cold, not as broken, if there is
/// one. Valid from -60 to 150 degC. Left out: self-heating (2.5 V across 10 k are 0.6 mW, or 0.3 K at 2 mW/K) and the
/// thermistor's own lag of some seconds. Source: the laws are those of the makers' data sheets. Checked against closed
/// forms in tests/plant/thermistor_test.cc.
class Thermistor {
 public:
  explicit Thermistor(const ThermistorInputParams& checked);
  struct Branch {
    double conductance_s{}, d_degc{};
  };
  [[nodiscard]] Branch at(double degc, bool open, AnchoredExp& scratch) const;

 private:
  struct LogOhm {
    double log_r{}, d_degc{};
  };
  [[nodiscard]] LogOhm log_ohm(double degc) const;

  SteinhartHart cubic_;
  bool is_cubic_{false};
  // Pieces of ln R over 1/T: one for the beta law, one less than points for a table.
  struct Piece {
    double per_k{}, log_r{}, beta_k{};
  };
  std::array<Piece, ThermistorTable::kMost> pieces_{};
  std::size_t piece_count_{1};
  double r_series_ohm_{0.0};
  double parallel_s_{0.0};
};

}  // namespace dawnrig::plant
