// Plant, sense: the offset diode with its knee and its leak, against bisection, against a circuit simulator that solves
// the same laws its own way, and against what the label alone would make one believe.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <string>

#include "fixture.h"
#include "plant/sense/network.h"
#include "spice.h"

namespace dawnrig::plant {
namespace {

/// 15 V, 1 %, as the ridge repeater's revision B has it, with the leak that its data sheet allows.
OffsetDividerParams fifteen_volt() {
  OffsetDividerParams p;
  p.diode_v = 15.0;
  p.knee_v = 0.05;
  p.diode_series_ohm = 0.0;
  p.r_top_ohm = 33e3;
  p.r_bottom_ohm = 11e3;
  p.capacitance_f = 68e-9;
  p.diode_leak_a = 0.05e-6;
  p.diode_leak_test_v = 10.5;
  p.diode_leak_slope_v = 1.0;
  p.diode_leak_doubling_k = 10.0;
  return p;
}

/// A 6.8 V part at the soft end of its data sheet, run at tens of microamperes.
OffsetDividerParams soft_part() {
  OffsetDividerParams p;
  p.diode_v = 6.8;
  p.knee_v = 0.075;
  p.diode_series_ohm = 0.4;
  p.diode_tempco_v_per_k = 0.0034;
  p.r_top_ohm = 100e3;
  p.r_bottom_ohm = 100e3;
  p.diode_leak_a = 2e-6;
  p.diode_leak_test_v = 4.0;
  p.diode_leak_slope_v = 1.0;
  p.diode_leak_doubling_k = 10.0;
  return p;
}

double diode_v(const OffsetDividerParams& p, double degc) {
  return p.diode_v + p.diode_tempco_v_per_k * (degc - 25.0);
}

double saturation_a(const OffsetDividerParams& p, double degc) {
  const double warm = p.diode_leak_doubling_k > 0.0 ? std::exp2((degc - 25.0) / p.diode_leak_doubling_k) : 1.0;
  return p.diode_leak_a / std::expm1(p.diode_leak_test_v / p.diode_leak_slope_v) * warm;
}

/// The pin by bisection on the diode's voltage; the knee's share by bisection within.
double pin_by_bisection(const OffsetDividerParams& p, double node_v, double degc) {
  const double total_ohm = p.r_top_ohm + p.r_bottom_ohm;
  const auto total_a = [&](double v) {
    const double log_i = bisect(-200.0, 5.0, [&](double x) {
      return diode_v(p, degc) - p.knee_v * (std::log(p.diode_test_a) - x) +
             p.diode_series_ohm * (std::exp(x) - p.diode_test_a) - v;
    });
    return std::exp(log_i) + saturation_a(p, degc) * std::expm1(v / p.diode_leak_slope_v);
  };
  const double v = bisect(0.0, std::min(node_v, diode_v(p, degc) + 1.0),
                          [&](double x) { return total_a(x) * total_ohm + x - node_v; });
  return (node_v - v) / total_ohm * p.r_bottom_ohm;
}

/// The same laws as elements of a circuit simulator: junctions with series sources, solved by its own iteration.
std::string netlist(const OffsetDividerParams& p, double degc, double from_v, double to_v) {
  const double thermal_v = 1.380649e-23 / 1.602176634e-19 * 298.15;
  const double saturation = 1e-17;  // of the knee's junction; the source in series makes up for it
  const auto n = [](double value) { return spice_number(value); };
  return "vnode node 0 pwl(0 " + n(from_v) + " 1 " + n(to_v) + ")\n" +  //
         "vlift node k " +
         n(diode_v(p, degc) - p.diode_series_ohm * p.diode_test_a -  //
           p.knee_v * std::log(p.diode_test_a / saturation)) +
         "\n" +  //
         "dknee k m knee\n.model knee d(is=" + n(saturation) + " n=" + n(p.knee_v / thermal_v) + ")\n" + "rdiode m a " +
         n(std::max(p.diode_series_ohm, 1e-6)) + "\n" +                               //
         "dleak node a leak\n.model leak d(is=" + n(saturation_a(p, degc)) + " n=" +  //
         n(p.diode_leak_slope_v / thermal_v) + ")\n" +                                //
         "rtop a pin " + n(p.r_top_ohm) + "\nrbottom pin 0 " + n(p.r_bottom_ohm) + "\n";
}

TEST(OffsetDiode, WithALeakRestsWhereBisectionFindsItAtEveryVoltageAndTemperature) {
  double worst_v = 0.0;
  for (const OffsetDividerParams& p : {fifteen_volt(), soft_part()}) {
    for (const double degc : {-20.0, 25.0, 60.0}) {
      for (double v = 0.5; v <= 32.0; v += 0.5) {
        const double pin_v = resting_pin_v({SenseNode::kBus, p}, v, 1000.0, degc);
        const double miss_v = std::abs(pin_v - pin_by_bisection(p, v, degc));
        ASSERT_LT(miss_v, 1e-9) << v << " V, " << degc << " degC";
        worst_v = std::max(worst_v, miss_v);
      }
    }
  }
  std::printf("offset diode against bisection, 0.5 to 32 V, -20 to 60 degC: %.2g V at the pin\n", worst_v);
}

TEST(OffsetDiode, AgreesWithACircuitSimulatorOverTheWholeRangeAndFromColdToWarm) {
  double worst_v = 0.0;
  for (const OffsetDividerParams& p : {fifteen_volt(), soft_part()}) {
    for (const double degc : {-20.0, 0.0, 25.0, 60.0}) {
      const double from_v = 0.5;
      const double to_v = 32.0;
      const SpiceTrace trace = run_spice({netlist(p, degc, from_v, to_v), {"v(pin)"}, 1.0, 5e-4});
      ASSERT_FALSE(trace.empty());
      for (double v = from_v; v <= to_v; v += 0.25) {
        const double theirs_v = trace.at(0, (v - from_v) / (to_v - from_v));
        const double ours_v = resting_pin_v({SenseNode::kBus, p}, v, 1000.0, degc);
        ASSERT_NEAR(ours_v, theirs_v, 2e-3) << v << " V, " << degc << " degC";
        worst_v = std::max(worst_v, std::abs(ours_v - theirs_v));
      }
    }
  }
  std::printf("offset diode against ngspice, 0.5 to 32 V, -20 to 60 degC: %.3f mV at the pin\n", 1e3 * worst_v);
}

TEST(OffsetDiode, IsFarFromTheLabelAtTheCurrentsOfASenseNetwork) {
  const auto label_error_v = [](const OffsetDividerParams& p, double node_v, double degc) {
    const double gain = p.r_bottom_ohm / (p.r_top_ohm + p.r_bottom_ohm);
    return resting_pin_v({SenseNode::kBus, p}, node_v, 1000.0, degc) / gain - (node_v - p.diode_v);
  };
  std::printf("a pin that is read with the label's voltage, as an error of the battery:\n");
  for (const double degc : {-20.0, 25.0, 60.0}) {
    std::printf("  %3.0f degC: 15 V part at 28.8 V %+.3f V, at 22 V %+.3f V; soft 6.8 V part at 14.4 V %+.3f V\n", degc,
                label_error_v(fifteen_volt(), 28.8, degc), label_error_v(fifteen_volt(), 22.0, degc),
                label_error_v(soft_part(), 14.4, degc));
  }
  EXPECT_GT(label_error_v(fifteen_volt(), 28.8, 25.0), 0.1) << "the knee alone";
  EXPECT_LT(label_error_v(fifteen_volt(), 28.8, 60.0), -0.15) << "and a warm board reads low";
  EXPECT_GT(label_error_v(soft_part(), 14.4, 25.0), 0.4) << "a soft part is no reference";
}

TEST(OffsetDiode, HasTheSlopesOfItsLaw) {
  for (const OffsetDividerParams& p : {fifteen_volt(), soft_part()}) {
    const OffsetDiode diode{p};
    for (const double across_v : {-2.0, 1.0, 5.0, 6.5, 9.0, 14.0, 15.0, 25.0}) {
      OffsetDiode::Scratch scratch;
      const double h = 1e-4;
      const double up_a = diode.at(across_v + h, 40.0, scratch).current_a;
      const double down_a = diode.at(across_v - h, 40.0, scratch).current_a;
      const OffsetDiode::Point q = diode.at(across_v, 40.0, scratch);
      EXPECT_NEAR((up_a - down_a) / (2.0 * h), q.conductance_s, 1e-3 * q.conductance_s + 1e-14) << across_v << " V";
    }
  }
}

TEST(OffsetDiode, TakesItsPlaceInTheCircuitWithoutDisturbingTheBooks) {
  CircuitParams params = hut();
  OffsetDividerParams p = soft_part();
  p.r_bottom_ohm = 20e3;
  params.sense.push_back({SenseNode::kBus, p});
  const Circuit circuit{params};
  Conditions c = sunny();
  const CircuitState start = circuit.at_rest(rested(), c);
  EXPECT_NEAR(start.sense_v[3], resting_pin_v(params.sense[3], start.bus_v, 5.0, 25.0), 1e-9);
  CircuitState state = start;
  for (int i = 0; i < 20; ++i) ASSERT_EQ(pwm_cycle(circuit, state, c, 0.5), AdvanceStatus::kOk);
  EXPECT_LT(std::abs(circuit.books_residual_j(start, state)), 1e-6 * state.books.panel_j);
  EXPECT_GT(state.books.sense_j, 0.0);
}

}  // namespace
}  // namespace dawnrig::plant
