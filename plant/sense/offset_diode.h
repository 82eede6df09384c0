// Plant, sense: a reference diode that lifts a divider's foot off ground, at the microamperes it really runs at. May
// use plant/core only.
#pragma once

#include "plant/core/anchored_exp.h"
#include "plant/core/problems.h"
#include "plant/core/wright_omega.h"

namespace dawnrig::plant {

/// node -- offset diode in reverse breakdown -- r_top --+-- r_bottom -- ground; capacitance across r_bottom.
struct OffsetDividerParams {
  double diode_v{15.0};  ///< at diode_test_a and 25 degC
  double diode_test_a{5e-3};
  double knee_v{0.05};  ///< V falls by this for each factor e of current below the test current
  double diode_series_ohm{30.0};
  double diode_tempco_v_per_k{0.01};
  double r_top_ohm{47e3};
  double r_bottom_ohm{15e3};
  double capacitance_f{100e-9};
  double diode_leak_a{0.0};           ///< what it leaks at diode_leak_test_v and 25 degC; 0: nothing beyond the knee
  double diode_leak_test_v{10.0};     ///< as the data sheet gives it, below the breakdown
  double diode_leak_slope_v{1.0};     ///< the leak grows by a factor e for each
  double diode_leak_doubling_k{0.0};  ///< the leak doubles each so many kelvin; 0: it does not
};

void check_offset_divider(Problems& problems, const OffsetDividerParams& params);

/// The diode and the resistance behind it, as a current that depends on the voltage across both.
///
///     V = diode_v + tempco (T - 25 degC) - knee ln(I_test/i) + R_series (i - I_test)      the knee's share i
///     leak(V) = I_L (exp(V/V_L) - 1),  I_L from the leak at its test voltage, times 2^((T - 25)/doubling)
///     I = i + leak(V),  across = V + r_top I
///
/// The board's temperature T is that of its surroundings. Without a leak this is one call of Wright's omega; with one,
/// Newton in ln i from above, on a function that is convex and rises, so that it cannot miss. Left out: conduction the
/// other way (while the node is below the pin nothing flows, so a pin falls by its lower arm alone), breakdown noise,
/// which a capacitor at the pin is there for. The tolerance of a diode is the profile's. Sources: the reverse breakdown
/// of the trade's circuit simulators (BV, NBV, IBV) with NBV times kT/q as the knee; an exponential leak through two
/// points of a data sheet. Checked against bisection and a circuit simulator in tests/plant/offset_diode_test.cc.
class OffsetDiode {
 public:
  OffsetDiode() = default;
  explicit OffsetDiode(const OffsetDividerParams& checked);
  struct Scratch {
    WrightOmega omega;
    AnchoredExp warmth;
    double log_i{1e9};  // last root
  };
  struct Point {
    double current_a{}, conductance_s{};
  };
  [[nodiscard]] Point at(double across_v, double board_degc, Scratch& scratch) const;

 private:
  [[nodiscard]] Point with_leak(double log_knee_a, double across_v, double board_degc, Scratch& scratch) const;

  OffsetDividerParams p_;
  double ohm_{1.0};  // r_top and the diode's own
  double log_b_over_a_{0.0};
  double log_a_over_ohm_{0.0};
  double leak_a_{0.0};  // I_L at 25 degC
  double warmth_per_k_{0.0};
};

}  // namespace dawnrig::plant
