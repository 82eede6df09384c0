// Plant, sense: thermistor laws and the resistors around them, against their closed forms.
#include "plant/sense/thermistor.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <initializer_list>

#include "fixture.h"

namespace dawnrig::plant {
namespace {

double beta_ohm(double degc) {
  return 10e3 * std::exp(3950.0 * (1.0 / (degc + 273.15) - 1.0 / 298.15));
}

/// ln R of Steinhart and Hart by the formula for cubics without a square.
double steinhart_ohm(const SteinhartHart& law, double degc) {
  const double x = (law.a_per_k - 1.0 / (degc + 273.15)) / (2.0 * law.c_per_k);
  const double p = law.b_per_k / (3.0 * law.c_per_k);
  const double y = std::sqrt(p * p * p + x * x);
  return std::exp(std::cbrt(y - x) - std::cbrt(y + x));
}

double ohm_of(const ThermistorInputParams& params, double degc) {
  AnchoredExp scratch;
  return 1.0 / Thermistor{params}.at(degc, false, scratch).conductance_s;
}

ThermistorInputParams with_table() {
  ThermistorInputParams p;
  ThermistorTable table;
  // A 10 k part of the kind whose data sheet says beta 3950 (25/50 degC): far from that law in the cold.
  for (const auto& [degc, ohm] :
       {std::pair{-40.0, 336.5e3}, {-20.0, 96.4e3}, {0.0, 32.6e3}, {25.0, 10e3}, {60.0, 2.49e3}}) {
    table.points[table.count++] = {degc, ohm};
  }
  p.curve = table;
  return p;
}

TEST(Thermistor, FollowsEachOfItsLaws) {
  ThermistorInputParams beta;
  ThermistorInputParams cubic;
  const SteinhartHart law;
  cubic.curve = law;
  double worst = 0.0;
  for (double degc = -40.0; degc <= 85.0; degc += 2.5) {
    worst = std::max(worst, std::abs(ohm_of(beta, degc) / beta_ohm(degc) - 1.0));
    worst = std::max(worst, std::abs(ohm_of(cubic, degc) / steinhart_ohm(law, degc) - 1.0));
  }
  EXPECT_LT(worst, 1e-10);
  std::printf("thermistor against its closed forms, -40 to 85 degC: %.2g of the resistance\n", worst);
  SteinhartHart straight{1.0 / 298.15 - std::log(10e3) / 3950.0, 1.0 / 3950.0, 0.0};
  cubic.curve = straight;
  for (const double degc : {-20.0, 25.0, 60.0}) EXPECT_NEAR(ohm_of(cubic, degc) / beta_ohm(degc), 1.0, 1e-12);
}

TEST(Thermistor, GoesThroughEveryPointOfItsTableAndByABetaOfItsOwnBetween) {
  const ThermistorInputParams p = with_table();
  EXPECT_NEAR(ohm_of(p, -40.0), 336.5e3, 1e-6);
  EXPECT_NEAR(ohm_of(p, -20.0), 96.4e3, 1e-6);
  EXPECT_NEAR(ohm_of(p, 0.0), 32.6e3, 1e-6);
  EXPECT_NEAR(ohm_of(p, 60.0), 2.49e3, 1e-6);
  const double beta_k = std::log(32.6 / 10.0) / (1.0 / 273.15 - 1.0 / 298.15);
  EXPECT_NEAR(ohm_of(p, 10.0), 10e3 * std::exp(beta_k * (1.0 / 283.15 - 1.0 / 298.15)), 1e-6);
  EXPECT_GT(ohm_of(p, -55.0), 336.5e3) << "goes on beyond its ends";
  EXPECT_LT(ohm_of(p, 80.0), 2.49e3);
  const double off_k = (beta_ohm(-20.0) / 96.4e3 - 1.0) / (3950.0 / (253.15 * 253.15));
  std::printf("one beta against the table at -20 degC: %+.1f %% of the resistance, %+.2f K\n",
              100.0 * (beta_ohm(-20.0) / 96.4e3 - 1.0), -off_k);
  EXPECT_GT(std::abs(off_k), 0.5) << "a single beta would be off by more than the sensor's own tolerance";
}

TEST(Thermistor, HasTheSlopesOfItsLawsInEveryNetwork) {
  ThermistorInputParams cubic = with_table();
  cubic.curve = SteinhartHart{};
  for (ThermistorInputParams p : {ThermistorInputParams{}, cubic, with_table()}) {
    p.r_series_ohm = 2.2e3;
    p.r_parallel_ohm = 15e3;
    const Thermistor thermistor{p};
    for (const double degc : {-30.0, -5.0, 12.0, 40.0}) {
      const double h = 1e-4;
      AnchoredExp fresh[3];
      const double up_s = thermistor.at(degc + h, false, fresh[0]).conductance_s;
      const double down_s = thermistor.at(degc - h, false, fresh[1]).conductance_s;
      const double slope = thermistor.at(degc, false, fresh[2]).d_degc;
      EXPECT_NEAR((up_s - down_s) / (2.0 * h), slope, 1e-5 * slope) << degc;
    }
  }
}

TEST(Thermistor, RestsAtTheRatioOfItsNetworkOnEitherSideAndWithStraighteningResistors) {
  double worst_v = 0.0;
  for (const bool to_supply : {false, true}) {
    for (const double parallel_ohm : {0.0, 10e3}) {
      for (const double series_ohm : {0.0, 1e3}) {
        ThermistorInputParams p;
        p.to_supply = to_supply;
        p.r_parallel_ohm = parallel_ohm;
        p.r_series_ohm = series_ohm;
        for (double degc = -20.0; degc <= 60.0; degc += 5.0) {
          const double ntc_s = 1.0 / beta_ohm(degc) + (parallel_ohm > 0.0 ? 1.0 / parallel_ohm : 0.0);
          const double branch_ohm = series_ohm + 1.0 / ntc_s;
          const double ratio = (to_supply ? 10e3 : branch_ohm) / (10e3 + branch_ohm);
          const double pin_v = resting_pin_v({SenseNode::kBatteryTemperature, p}, degc, 5.0, 25.0);
          worst_v = std::max(worst_v, std::abs(pin_v - 5.0 * ratio));
        }
      }
    }
  }
  EXPECT_LT(worst_v, 1e-9);
  std::printf("thermistor networks against their closed form, -20 to 60 degC: %.2g V at the pin\n", worst_v);
}

TEST(Thermistor, ThatIsLostReadsAsItsRemainingResistorsSay) {
  ThermistorInputParams p;
  const auto open_v = [&] {
    return resting_pin_v({SenseNode::kBatteryTemperature, p}, 25.0, 5.0, 25.0, SenseFaultKind::kOpen);
  };
  EXPECT_NEAR(open_v(), 5.0, 1e-12);
  p.r_parallel_ohm = 10e3;
  EXPECT_NEAR(open_v(), 2.5, 1e-12) << "the straightening resistor hides the loss";
  p.to_supply = true;
  EXPECT_NEAR(open_v(), 2.5, 1e-12);
  p.r_parallel_ohm = 0.0;
  EXPECT_NEAR(open_v(), 0.0, 1e-12);
}

TEST(Thermistor, OnTheSupplySideSettlesInTheCircuitAndFollowsTheBattery) {
  CircuitParams params = hut();
  ThermistorInputParams p = with_table();
  p.to_supply = true;
  p.r_parallel_ohm = 47e3;
  params.sense.push_back({SenseNode::kBatteryTemperature, p});
  const Circuit circuit{params};
  Conditions c = sunny(0.0);
  c.battery_held_at_temperature = true;
  for (const double degc : {-15.0, 8.0, 35.0}) {
    c.battery_held_degc = degc;
    CircuitState state = circuit.at_rest(rested(0.0), c);
    EXPECT_NEAR(state.sense_v[3], resting_pin_v(params.sense[3], degc, 5.0, 25.0), 1e-9) << degc;
    c.battery_held_degc = degc + 5.0;
    ASSERT_EQ(circuit.advance(state, c, from_seconds(1.0), nullptr), AdvanceStatus::kOk);
    EXPECT_NEAR(state.sense_v[3], resting_pin_v(params.sense[3], degc + 5.0, 5.0, 25.0), 1e-4) << degc;
  }
}

}  // namespace
}  // namespace dawnrig::plant
