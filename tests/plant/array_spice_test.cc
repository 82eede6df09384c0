// Plant, panel: shaded arrays against a circuit simulator of the trade, run as a process on a netlist written here.
#include <gtest/gtest.h>
#include <unistd.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

#include "plant/panel/array.h"

namespace dawnrig::plant {
namespace {

constexpr double kStepV = 0.005;
constexpr double kThermalV25 = 8.617333262e-5 * 298.15;

ArrayParams two_strings() {
  ArrayParams p;
  p.substring.light_current_a = 8.0;
  p.substring.saturation_current_a = 1.2e-9;
  p.substring.modified_ideality_v = 18 * 0.025693 * 1.05;
  p.substring.series_resistance_ohm = 0.09;
  p.substring.shunt_resistance_ohm = 80.0;
  p.series = 4;
  p.strings = 2;
  return p;
}

// At 25 degC and 1000 W/m2: each sub-string a current source, a diode, a shunt and a series resistance, and its bypass
// diode. The simulator's diode is I = Is (exp(V/(N Vt)) - 1), with its own figures for k and q.
std::string netlist(const ArrayParams& p, const PanelShade& shade, double to_v, const std::string& out) {
  std::ostringstream text;
  text.precision(12);
  const double bypass_a_v = p.bypass.emission_coefficient * kThermalV25;
  text << "shaded array\n.options temp=25 tnom=25 reltol=1e-7 abstol=1e-12 vntol=1e-9 gmin=1e-15\n"
       << ".model cells D(IS=" << p.substring.saturation_current_a
       << " N=" << p.substring.modified_ideality_v / kThermalV25
       << ")\n.model around D(IS=" << p.bypass.forward_a / std::expm1(p.bypass.forward_v / bypass_a_v)
       << " N=" << p.bypass.emission_coefficient << ")\n";
  std::size_t k = 0;
  for (int s = 0; s < p.strings; ++s) {
    std::string below = "0";
    for (int i = 0; i < p.series; ++i, ++k) {
      const std::string own = std::to_string(s) + "x" + std::to_string(i);
      const std::string above = i + 1 == p.series ? "out" : "n" + own;
      const double light = shade.light_frac[k];
      text << "I" << own << " " << below << " j" << own << " " << p.substring.light_current_a * light << "\n"
           << "D" << own << " j" << own << " " << below << " cells\n"
           << "Rp" << own << " j" << own << " " << below << " " << p.substring.shunt_resistance_ohm / light << "\n"
           << "Rs" << own << " j" << own << " " << above << " " << p.substring.series_resistance_ohm << "\n"
           << "Db" << own << " " << below << " " << above << " around\n";
      below = above;
    }
  }
  text << "Vout out 0 0\n.control\nset noaskquit\nset wr_vecnames\nset wr_singlescale\nset numdgt=12\ndc Vout 0 "
       << to_v << " " << kStepV << "\nwrdata " << out << " i(Vout)\nquit\n.endc\n.end\n";
  return text.str();
}

struct Curve {
  std::vector<double> v, a;
};

Curve simulated(const ArrayParams& p, const PanelShade& shade, double to_v) {
  const auto folder = std::filesystem::temp_directory_path() / ("dawnrig-array-" + std::to_string(getpid()));
  std::filesystem::create_directories(folder);
  const std::string out = (folder / "curve.txt").string();
  const std::string in = (folder / "array.cir").string();
  std::ofstream(in) << netlist(p, shade, to_v, out);
  const std::string command = "ngspice -b '" + in + "' > '" + (folder / "log").string() + "' 2>&1";
  static_cast<void>(std::system(command.c_str()));
  Curve curve;
  std::ifstream data(out);
  std::string heading;
  std::getline(data, heading);
  for (double v = 0; data >> v;) {
    double a = 0;
    data >> a;
    curve.v.push_back(v);
    curve.a.push_back(a);
  }
  std::filesystem::remove_all(folder);
  return curve;
}

// The maxima of a tabled curve, each by the parabola through its three highest points.
std::vector<PeakPower> peaks_of(const Curve& curve) {
  std::vector<PeakPower> peaks;
  const auto power = [&](std::size_t i) { return curve.v[i] * curve.a[i]; };
  for (std::size_t i = 1; i + 1 < curve.v.size(); ++i) {
    if (!(power(i) >= power(i - 1) && power(i) > power(i + 1))) continue;
    const double left = power(i) - power(i - 1);
    const double right = power(i + 1) - power(i);
    const double shift = 0.5 * (left + right) / (left - right);
    peaks.push_back({curve.v[i] + shift * kStepV, power(i) + 0.25 * (left + right) * shift});
  }
  return peaks;
}

TEST(ArrayBesideACircuitSimulator, ShowsBothMaximaOfTwoHalfShadedStrings) {
  PanelShade shade;
  for (const std::size_t k : {0U, 1U, 4U, 5U}) shade.light_frac[k] = 0.5;  // half of each string
  const ArrayParams p = two_strings();
  const ArrayPanel panel{p, 0.0};
  const Curve curve = simulated(p, shade, 44.0);
  ASSERT_GT(curve.v.size(), 8000U) << "the circuit simulator did not run; is its package installed?";
  const std::vector<PeakPower> expected = peaks_of(curve);
  const PeakList found = panel.peaks(1000.0, 25.0, &shade);
  ASSERT_EQ(expected.size(), 2U);
  ASSERT_EQ(found.count, 2U);
  for (std::size_t i = 0; i < 2; ++i) {
    std::printf("maximum %zu: %.4f V %.4f W, off by %.1e in voltage and %.1e in power\n", i + 1, found.peaks[i].v,
                found.peaks[i].power_w, found.peaks[i].v / expected[i].v - 1.0,
                found.peaks[i].power_w / expected[i].power_w - 1.0);
    EXPECT_NEAR(found.peaks[i].v / expected[i].v, 1.0, 1e-3);
    EXPECT_NEAR(found.peaks[i].power_w / expected[i].power_w, 1.0, 1e-3);
  }
}

TEST(ArrayBesideACircuitSimulator, FollowsTheWholeCurveOfUnequalStrings) {
  PanelShade shade;
  shade.light_frac[0] = 0.1;
  shade.light_frac[1] = 0.6;
  shade.light_frac[6] = 0.35;
  const ArrayParams p = two_strings();
  const ArrayPanel panel{p, 0.0};
  const Curve curve = simulated(p, shade, 44.0);
  ASSERT_GT(curve.v.size(), 8000U) << "the circuit simulator did not run; is its package installed?";
  PanelScratch scratch;
  scratch.shade = &shade;
  double worst = 0.0;
  for (std::size_t i = 0; i < curve.v.size(); i += 20) {
    worst = std::max(worst, std::abs(panel.at(curve.v[i], 1000.0, 25.0, scratch).current_a - curve.a[i]) / 16.0);
  }
  std::printf("unequal strings: worst miss %.1e of the short-circuit current\n", worst);
  EXPECT_LT(worst, 1e-3);
}

}  // namespace
}  // namespace dawnrig::plant
