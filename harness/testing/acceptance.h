// The fixture that acceptance tests are written on: verbs for the world, watches for what is judged, and judge().
//
//   TEST_F(SetPoints, HoldsAbsorptionVoltage) {
//     power_up({.soc_frac = 0.97, .sun = 1000_Wpm2});
//     ASSERT_TRUE(await_voltage(declared().absorption_v, 30min));
//     Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
//     const Watch watch = watch_with({&mean});
//     let_pass(60s);
//     judge("SETPOINT-ABSORPTION", mean, "mean over 60 s, less the declared set point", watch);
//   }
//
// Room: harness/testing. May use harness/rig, harness/verdict and what lies below; GoogleTest.
#pragma once

#include <gtest/gtest.h>

#include <filesystem>
#include <functional>
#include <initializer_list>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "harness/rig/rig.h"
#include "harness/testing/suite.h"
#include "harness/testing/units.h"
#include "harness/trace/recorder.h"
#include "harness/verdict/monitor.h"

namespace dawnrig::testing {

using trace::Signal;

/// How a run begins.
struct Start {
  /// Of a lead-acid battery. A lithium one is as near to its set point at another charge: from 0.97 on it gets that.
  double soc_frac{0.97};
  Irradiance sun{0.0};
  Temperature battery{25.0};
  std::optional<Temperature> ambient{};                 ///< absent: the site's
  std::optional<std::vector<std::uint8_t>> settings{};  ///< of the settings memory; absent: the board profile's
  std::optional<plant::BatteryParams> other_battery{};  ///< absent: the site's
  std::optional<profile::BoardProfile> other_board{};   ///< with parts of other values; absent: the bench's
  std::vector<profile::SiteLoad> other_loads{};         ///< in place of the site's own, beside the suite's; none: those
};

/// Monitors attached to the rig for as long as the watch lives, together with what the report will plot.
class Watch {
 public:
  Watch(rig::Rig& rig, std::vector<verdict::Monitor*> monitors, std::vector<Signal> plotted);
  ~Watch();
  Watch(const Watch&) = delete;
  Watch& operator=(const Watch&) = delete;
  Watch(Watch&&) = delete;
  Watch& operator=(Watch&&) = delete;

  [[nodiscard]] std::vector<verdict::Curve> curves() const { return evidence_.curves(); }
  /// Stops watching before the end of the scope.
  void end();

 private:
  rig::Rig& rig_;
  std::vector<verdict::Monitor*> monitors_;
  verdict::EvidenceCollector evidence_;
  bool attached_{true};
};

class Acceptance : public ::testing::Test {
 protected:
  Acceptance();
  ~Acceptance() override;
  void TearDown() override;

  [[nodiscard]] const profile::BoardProfile& board() const { return bench().board; }
  [[nodiscard]] const profile::Declared& declared() const { return bench().board.declared; }
  [[nodiscard]] rig::Rig& rig() { return *rig_; }
  /// How many times 12 V the battery is.
  [[nodiscard]] double scale() const { return declared().nominal_v / 12.0; }
  /// How far from a set point still counts as holding it: 1 %, and half of the hysteresis that a two-step device
  /// declares.
  [[nodiscard]] double band_v(double set_point_v) const {
    return 0.01 * set_point_v + 0.5 * declared().regulation_hysteresis_v.value_or(0.0);
  }
  /// What the array can give at `sun`, about: its light current.
  [[nodiscard]] double array_a(Irradiance sun) const;

  /// A duty below which a device needs less than all that the array gives: it holds its voltage.
  static constexpr double kHoldsBackFrac = 0.97;

  // --- the world ---
  void power_up(const Start& start);
  void let_pass(Nanos duration);
  void sun_turns_to(Irradiance sun, Nanos over = Nanos{0});
  void battery_is_at(Temperature temperature);
  void load_draws(Amperes current);     ///< through the load output; 0 switches it off
  void battery_feeds(Amperes current);  ///< straight from the battery terminals of the board, past the load output
  void battery_connector(bool closed);
  void sense_fault(profile::Quantity quantity, plant::SenseFaultKind kind);
  void happens(const scenario::Change& change);  ///< whatever else a scenario can do
  /// Sends the board's instructions for a purpose on the serial line. False: the profile names none.
  bool instruct(profile::Purpose purpose);

  // --- waiting; false: it did not happen within `patience` ---
  /// Until the bus, averaged over 1 s, has come up to 99 % of `set_point_v`, and then for the declared settling time;
  /// longer while a battery whose voltage climbs slowly still takes all that the array gives.
  [[nodiscard]] bool await_regulation(double set_point_v, Nanos patience);
  [[nodiscard]] bool await_gate(bool on, Nanos patience);
  [[nodiscard]] bool await_load(bool on, Nanos patience);
  /// The mean of a signal over the coming time.
  [[nodiscard]] double mean_of(Signal signal, Nanos over);
  /// To the given fraction of a PWM cycle after the gate's next rise. Without edges, so far into a 2 ms grid.
  void go_to_phase(double fraction);

  // --- judging ---
  /// Until the Watch is gone, the monitors see every sample.
  [[nodiscard]] std::unique_ptr<Watch> watch_with(std::initializer_list<verdict::Monitor*> monitors,
                                                  std::vector<Signal> plotted = {Signal::kBusV, Signal::kGate});
  /// The limit of a requirement as it applies to this board; for monitors that note their first offence.
  [[nodiscard]] std::optional<verdict::Limit> limit(const std::string& id) const;
  /// Holds a figure against the requirement `id`. PASS is silent; everything else fails the test with a sentence.
  void judge(const std::string& id, const verdict::Figure& figure, const std::string& measured_as, const Watch& watch);
  void judge(const std::string& id, const verdict::Monitor& monitor, const std::string& measured_as,
             const Watch& watch) {
    judge(id, monitor.figure(), measured_as, watch);
  }
  /// The same, where the requirement file asks for it: a set may leave levels open.
  void judge_if_asked(const std::string& id, const verdict::Figure& figure, const std::string& measured_as,
                      const Watch& watch) {
    if (limit(id)) judge(id, figure, measured_as, watch);
  }
  /// Ends the test as not applicable; the reason stands in the report. Use with `return`.
  void not_applicable(const std::string& because);

 private:
  void finish_run();
  bool await(Nanos patience, Nanos step, const std::function<bool()>& happened);

  std::unique_ptr<rig::Rig> rig_;
  std::unique_ptr<trace::Recorder> recorder_;
  std::unique_ptr<trace::Sink> moments_;
  std::unique_ptr<verdict::BatteryClock> battery_clock_;
  std::filesystem::path trace_file_;
  int runs_{0};
  double simulated_s_{0};
};

}  // namespace dawnrig::testing
