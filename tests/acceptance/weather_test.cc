// Sun that comes and goes: broken clouds, sunrise and sunset, more array than rated, snow, a start in the cold.
#include <algorithm>

#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using testing::Irradiance;
using testing::Temperature;
using verdict::FirstCrossing;
using verdict::Highest;
using verdict::Mean;
using verdict::Side;
using verdict::Toggles;

class Weather : public testing::Acceptance {
 protected:
  /// The sun in 60 steps of five seconds from one level to another, each up or down by a fifth in turn.
  void flickering_sun(Irradiance from, Irradiance to) {
    constexpr int kSteps = 60;
    for (int k = 1; k <= kSteps; ++k) {
      const double level = from.in_si() + (to.in_si() - from.in_si()) * k / kSteps;
      sun_turns_to(Irradiance{level * (k % 2 == 0 ? 1.2 : 0.8)}, 1s);
      let_pass(5s);
    }
  }
};

/// What came out of the array against its light current: how much of what bulk could take was taken.
class Harvest final : public verdict::Monitor {
 public:
  explicit Harvest(double array_a_at_1000) : array_a_{array_a_at_1000} {}
  void on_sample(const trace::Sample& sample) override {
    if (exercised_ > 0) {
      const double step_s = in_seconds(sample.time - last_.time);
      taken_ += 0.5 * step_s * (sample[Signal::kPanelA] + last_[Signal::kPanelA]);
      offered_ += 0.5 * step_s * array_a_ / 1000.0 * (sample[Signal::kPoaWpm2] + last_[Signal::kPoaWpm2]);
    }
    last_ = sample;
    ++exercised_;
  }
  [[nodiscard]] Figure figure() const override {
    Figure figure;
    figure.value = offered_ > 0 ? taken_ / offered_ : 0.0;
    figure.worst = last_.time;
    figure.exercised = offered_ > 0 ? exercised_ : 0;
    return figure;
  }

 private:
  double array_a_;
  double taken_{0}, offered_{0};
  trace::Sample last_;
  std::int64_t exercised_{0};
};

TEST_F(Weather, BrokenCloudsCostNoHarvest) {
  if (std::holds_alternative<plant::BuckParams>(board().stage.topology)) {
    return not_applicable("the current of a converter's panel is no measure of what it could give");
  }
  power_up({.soc_frac = 0.6, .sun = 800_Wpm2});
  let_pass(from_seconds(declared().startup_s + declared().settle_s));
  Harvest harvest{array_a(1000_Wpm2)};
  Restarts restarts;
  const auto watch = watch_with({&harvest, &restarts}, {Signal::kPanelA, Signal::kPoaWpm2, Signal::kGate});
  for (const auto& [low, high, dwell] :
       {std::tuple{150.0, 1000.0, 10s}, {250.0, 1150.0, 4s}, {120.0, 900.0, 15s}, {300.0, 1100.0, 2s}}) {
    sun_turns_to(Irradiance{low}, 200ms);
    let_pass(dwell);
    sun_turns_to(Irradiance{high}, 150ms);
    let_pass(dwell);
  }
  judge("HARVEST-CLOUDS", harvest, "charge taken from the array, against its light current", *watch);
  judge("CLOUD-RESTARTS", restarts, "times that charging stopped for a second and began again", *watch);
}

TEST_F(Weather, SunriseStartsChargingOnceOrTwice) {
  power_up({.soc_frac = 0.7});
  let_pass(20s);
  constexpr Nanos kStopped{50'000'000};  // the battery takes all there is: no pulse is left out
  Restarts restarts{kStopped};
  FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto watch = watch_with({&restarts, &begins}, {Signal::kPoaWpm2, Signal::kPanelV, Signal::kGate});
  flickering_sun(0_Wpm2, 60_Wpm2);
  Figure starts = restarts.figure();
  starts.value += starts.exercised > 0 ? 1 : 0;
  judge("SUNRISE-STARTS", starts, "times that charging began during a flickering sunrise", *watch);
  judge("SUNRISE-CHARGES", begins, "time from first light, rising by 0.2 W/m2 each second, until charging begins",
        *watch);

  Restarts again{kStopped};
  const auto evening = watch_with({&again}, {Signal::kPoaWpm2, Signal::kPanelV, Signal::kGate});
  flickering_sun(60_Wpm2, 0_Wpm2);
  let_pass(20s);
  judge("SUNSET-RESTARTS", again, "times that charging stopped for 50 ms and began again during a flickering sunset",
        *evening);
}

TEST_F(Weather, ADimHourIsNotTakenForTheNight) {
  power_up({.soc_frac = 0.6, .sun = 500_Wpm2});
  EXPECT_TRUE(await_gate(true, 300s)) << "charging never began";
  let_pass(5s);
  // Deep dusk, some four lux: too dim to charge, and not dark.
  sun_turns_to(Irradiance{0.03}, 5s);
  let_pass(40s);
  const bool stopped = rig().latest()[Signal::kGate] < 0.5;
  FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto watch = watch_with({&begins}, {Signal::kPanelV, Signal::kPoaWpm2, Signal::kGate});
  sun_turns_to(500_Wpm2);
  let_pass(70s);
  Figure figure = begins.figure();
  figure.exercised = stopped ? 1 : 0;
  judge("DIM-RESUMES", figure, "time from the sun's return until charging resumes", *watch);
}

TEST_F(Weather, MoreSunThanRatedDoesNotOvercharge) {
  power_up({.soc_frac = 0.97, .sun = 1000_Wpm2});
  static_cast<void>(await_regulation(declared().absorption_v, 30min));
  Highest peak{{.signal = Signal::kTerminalV, .minus = declared().absorption_v, .limit = limit("STRONG-SUN-PEAK")}};
  Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
  const auto rise = watch_with({&peak}, {Signal::kTerminalV, Signal::kPoaWpm2, Signal::kGate});
  sun_turns_to(1250_Wpm2);
  let_pass(5s);
  sun_turns_to(1500_Wpm2);
  let_pass(from_seconds(declared().settle_s));
  rise->end();
  const auto watch = watch_with({&mean}, {Signal::kBusV, Signal::kPoaWpm2, Signal::kGate});
  let_pass(20s);
  judge("STRONG-SUN-PEAK", peak, "highest terminal voltage above the set point at 125 and 150 % of the sun", *rise);
  judge("STRONG-SUN-SETPOINT", mean, "mean bus voltage at 150 % of the sun less the set point", *watch);
}

TEST_F(Weather, SnowSlidesOffAColdPanel) {
  power_up({.soc_frac = 0.5, .battery = Temperature{-5.0}, .ambient = Temperature{-15.0}});
  let_pass(5min);
  FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  Highest peak{{.signal = Signal::kTerminalV, .minus = declared().over_voltage_v, .limit = limit("SNOW-PEAK")}};
  verdict::OnFraction duty{Signal::kGate};
  const auto watch =
      watch_with({&begins, &peak}, {Signal::kPanelV, Signal::kTerminalV, Signal::kPoaWpm2, Signal::kGate});
  sun_turns_to(1000_Wpm2);
  let_pass(90s);
  const auto after = watch_with({&duty});
  let_pass(20s);
  after->end();
  if (declared().charge_coldest_degc && *declared().charge_coldest_degc > -5.0) {
    return not_applicable("this device does not charge a battery as cold as this; its own test judges that");
  }
  judge("SNOW-CHARGES", begins, "time from the snow's slide until charging begins", *watch);
  judge("SNOW-PEAK", peak, "highest terminal voltage less the over-voltage limit", *watch);
  judge("SNOW-STAYS", duty, "share of time that the charging switch is on after a minute and a half", *after);
}

TEST_F(Weather, WakesUpInTheColdOnAnEmptyBattery) {
  if (declared().charge_coldest_degc && *declared().charge_coldest_degc > -10.0) {
    return not_applicable("this device does not charge a battery as cold as this; its own test judges that");
  }
  power_up({.soc_frac = 0.01, .sun = 60_Wpm2, .battery = Temperature{-10.0}, .ambient = Temperature{-10.0}});
  const auto before = rig().settings_memory();
  // The supply comes and goes as weak sun and empty battery let it.
  for (int k = 0; k < 10; ++k) {
    happens(scenario::PowerCycle{from_seconds(0.2 + 0.13 * k)});
    let_pass(from_seconds(1.0 + 0.4 * k));
  }
  FirstCrossing begins{{.signal = Signal::kGate}, Side::kAbove, 0.5, verdict::IfNever::kWholeWatch};
  const auto watch = watch_with({&begins}, {Signal::kBusV, Signal::kPanelV, Signal::kGate});
  let_pass(70s);
  judge("COLD-START-CHARGES", begins, "time from the last start until charging begins", *watch);
  const auto after = rig().settings_memory();
  if (!before || !after) {
    return not_applicable("COLD-START-SETTINGS: this rig cannot look into the settings memory");
  }
  judge("COLD-START-SETTINGS", counted(bytes_changed(before->bytes, after->bytes), rig().resets()),
        "bytes of the settings memory that ten failed starts have changed", *watch);
}

}  // namespace
}  // namespace dawnrig::acceptance
