// A battery in a bath at one temperature, on a supply with a current limit and a voltage limit.
// Room: harness/characteristic, private to it. May use plant.
#pragma once

#include <array>
#include <cstddef>
#include <optional>

#include "plant/battery/battery.h"
#include "plant/core/rodas3.h"

namespace dawnrig::characteristic {

/// The battery's rates under that supply, as the integrator asks for them: state of charge, both pairs, hysteresis,
/// and the charge that went in.
class BatteryOnASupply {
 public:
  using Vector = std::array<double, 5>;
  BatteryOnASupply(const plant::BatteryParams& params, double current_a, std::optional<double> limit_v,
                   double battery_degc);

  static constexpr std::size_t size() { return std::tuple_size_v<Vector>; }
  [[nodiscard]] bool rates(const Vector& y, Vector& f);
  void linearise(double s);
  void solve(const Vector& rhs, Vector& k) const;

  /// The supply's current: what was asked for, or as much as leaves the terminals at the limit.
  [[nodiscard]] double current_a(const Vector& y) const;
  [[nodiscard]] double terminal_v(const Vector& y) const;
  [[nodiscard]] double gassing_a(const Vector& y);
  [[nodiscard]] const plant::Battery& battery() const { return battery_; }

 private:
  [[nodiscard]] plant::BatteryState state(const Vector& y) const;
  [[nodiscard]] double series_ohm(const Vector& y) const;

  plant::Battery battery_;
  double current_a_;
  std::optional<double> limit_v_;
  double battery_degc_;
  plant::BatteryScratch scratch_;
  Vector at_{};                     // of the last rates()
  std::array<Vector, 5> matrix_{};  // s - J, in triangular factors
  std::array<std::size_t, 5> row_{};
};

/// Runs it, with steps of its own choice: Rodas3, whose error is held to 1 uV a step.
class BatteryOnTheBench {
 public:
  BatteryOnTheBench(const plant::BatteryParams& params, double current_a, std::optional<double> limit_v,
                    double soc_frac, double battery_degc);
  void advance(double span_s);

  [[nodiscard]] double terminal_v() const { return system_.terminal_v(y_); }
  [[nodiscard]] double current_a() const { return system_.current_a(y_); }
  [[nodiscard]] double gassing_a() { return system_.gassing_a(y_); }
  [[nodiscard]] double soc_frac() const { return y_[0]; }
  [[nodiscard]] double charge_ah() const { return y_[4]; }

 private:
  BatteryOnASupply system_;
  plant::Rodas3<BatteryOnASupply> integrator_;
  BatteryOnASupply::Vector y_{};
  double step_s_;
};

}  // namespace dawnrig::characteristic
