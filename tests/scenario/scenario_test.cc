// Scenario files: what a person may write, what comes out of it, and what he is told when it cannot be run.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <set>

#include "harness/base/bad_input.h"
#include "harness/base/hash.h"
#include "harness/scenario/stimulus.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::scenario {
namespace {

using std::chrono::milliseconds;
using std::chrono::seconds;
using ::testing::ElementsAre;
using ::testing::ElementsAreArray;

constexpr const char* kEveryChange = R"(name: "everything" duration_s: 100 seed: 7
initial { state_of_charge_frac: 0.5 battery_degc: 10 ambient_degc: -5 poa_wpm2: 300 }
at { time_s: 17 switch_fault { kind: STUCK_OPEN } }
at { time_s: 1 sun { poa_wpm2: 800 over_s: 5 } }
at { time_s: 2 ambient { degc: -10 } }
at { time_s: 3 battery_temperature { degc: 40 } }
at { time_s: 4 load { name: "lamp" on: true scale: 0.5 } }
at { time_s: 5 battery_connector { closed: false } }
at { time_s: 6 panel_connector { closed: true } }
at { time_s: 7 sense_fault { channel: "battery" kind: OPEN } }
at { time_s: 8 battery_resistance { factor: 3 } }
at { time_s: 9 battery_cable { factor: 10 } }
at { time_s: 10 supply { supply_v: 3.3 } }
at { time_s: 11 reference_error { error_frac: -0.02 } }
at { time_s: 12 noise { channel: "battery" rms_v: 0.01 } }
at { time_s: 13 serial_input { data: "set 14.4\n\x01\"" } }
at { time_s: 14 reset_line { held_low: true } }
at { time_s: 15 power_cycle { off_s: 0.5 } }
at { time_s: 16 shade { part { substring: 2 light_frac: 0.4 } part { substring: 3 light_frac: 0.1 } } }
at { time_s: 16 panel_fault { kind: REVERSED } }
at { time_s: 16 wind { speed_m_per_s: 8 } }
at { time_s: 16 heat_sink_temperature { degc: 85 } }
at { time_s: 16 heat_sink_temperature { let_go: true } }
at { sun { poa_wpm2: 100 } }
at { time_s: 17 load { name: "lamp" } }
at { time_s: 18 panel_cable { factor: 4 } }
at { time_s: 19 corrosion { connector: PANEL_CONNECTOR contact_ohm: 0.3 } }
at { time_s: 20 bounce { connector: BATTERY_CONNECTOR closed: true closures: 6 over_s: 0.02 seed: 9 } }
recording { interval_s: 0.02 event_window_s: 0.1 }
check { requirement: "RIPPLE" signal: "bus_v" figure: PEAK_TO_PEAK from_s: 10 to_s: 20.5 minus: 0.25 }
)";

class ScenarioFile : public base::testing::ScratchFolder {
 protected:
  [[nodiscard]] Scenario load(std::string_view text) const { return load_scenario(write("s", text)); }
  [[nodiscard]] std::vector<std::string> complaints_about(std::string_view text) const {
    std::vector<std::string> lines;
    try {
      (void)load(text);
    } catch (const base::BadInput& fault) {
      for (const base::Complaint& complaint : fault.complaints()) lines.push_back(local(complaint.text()));
    }
    return lines;
  }
};

TEST_F(ScenarioFile, BecomesATimelineInOrderOfTime) {
  const Scenario scenario = load(kEveryChange);
  EXPECT_EQ(scenario.name, "everything");
  EXPECT_EQ(scenario.sha256, base::sha256_hex(kEveryChange));
  EXPECT_EQ(scenario.duration, seconds(100));
  EXPECT_EQ(scenario.seed, 7U);
  EXPECT_EQ(scenario.initial.soc_frac, 0.5);
  EXPECT_EQ(scenario.initial.battery_degc, 10);
  EXPECT_EQ(scenario.initial.ambient_degc, -5);
  EXPECT_EQ(scenario.initial.poa_wpm2, 300);
  EXPECT_EQ(scenario.recording.interval, milliseconds(20));
  EXPECT_EQ(scenario.recording.event_window, milliseconds(100));
  std::vector<std::string> lines;
  for (const Stimulus& stimulus : scenario.timeline) {
    lines.push_back(std::to_string(std::chrono::duration_cast<seconds>(stimulus.time).count()) + " " +
                    text_of(stimulus.change));
  }
  EXPECT_THAT(lines,
              ElementsAre("0 sun to 100 W/m2", "1 sun to 800 W/m2 over 5 s", "2 ambient at -10 degC",
                          "3 battery held at 40 degC", "4 load \"lamp\" on at 0.5 of its rating",
                          "5 battery disconnected", "6 panel connected", "7 sense \"battery\" open",
                          "8 battery resistance times 3", "9 battery cable resistance times 10", "10 supply at 3.3 V",
                          "11 reference wrong by -0.02 of its value", "12 noise of 0.01 V rms on sense \"battery\"",
                          "13 serial input \"set 14.4\\n\\x01\\\"\"", "14 reset held low", "15 power off for 0.5 s",
                          "16 panel in full light but sub-string 2 at 0.4 sub-string 3 at 0.1", "16 panel reversed",
                          "16 wind at 8 m/s", "16 heat sink held at 85 degC", "16 heat sink let go",
                          "17 charging switch stuck open", "17 load \"lamp\" off", "18 panel cable resistance times 4",
                          "19 panel connector with a contact of 0.3 ohm",
                          "20 battery connector bounces over 0.02 s, closing 6 times, seed 9, and ends closed"));
  ASSERT_EQ(scenario.checks.size(), 1U);
  const Check& check = scenario.checks[0];
  EXPECT_EQ(check.requirement, "RIPPLE");
  EXPECT_EQ(check.signal, "bus_v");
  EXPECT_EQ(check.figure, FigureKind::kPeakToPeak);
  EXPECT_EQ(check.from, seconds(10));
  EXPECT_EQ(check.to, milliseconds(20'500));
  EXPECT_EQ(check.minus, 0.25);
}

TEST_F(ScenarioFile, TakesTheStatedDefaultsForWhatIsNotWritten) {
  const Scenario scenario = load("name: \"rest\" duration_s: 1");
  EXPECT_EQ(scenario.initial.soc_frac, 0.8);
  EXPECT_EQ(scenario.initial.battery_degc, std::nullopt);
  EXPECT_EQ(scenario.initial.ambient_degc, std::nullopt);
  EXPECT_EQ(scenario.initial.poa_wpm2, 0);
  EXPECT_EQ(scenario.recording.interval, milliseconds(100));
  EXPECT_EQ(scenario.recording.event_window, milliseconds(20));
  EXPECT_TRUE(scenario.timeline.empty());
}

TEST_F(ScenarioFile, KeepsItsOwnOrderAtEqualTimes) {
  std::string text = "name: \"many\" duration_s: 10\n";
  for (int i = 0; i < 50; ++i) {
    text += "at { time_s: " + std::to_string(i % 2) + " sun { poa_wpm2: " + std::to_string(i) + " } }\n";
  }
  const Scenario scenario = load(text);
  ASSERT_EQ(scenario.timeline.size(), 50U);
  for (int i = 0; i < 50; ++i) {
    const int written = i < 25 ? 2 * i : 2 * (i - 25) + 1;
    const auto& sun = std::get<Sun>(scenario.timeline[static_cast<std::size_t>(i)].change);
    ASSERT_EQ(sun.poa_wpm2, written) << "at place " << i;
  }
}

TEST_F(ScenarioFile, IsRefusedWhenItsTimesMakeNoSense) {
  const std::string check = "check { requirement: \"R\" signal: \"bus_v\" figure: MEAN ";
  const std::vector<std::pair<std::string, std::vector<std::string>>> faults = {
      {"at { time_s: 60 sun { } }", {}},
      {"at { time_s: 60.001 sun { } }", {"s:2:14: at[0].time_s: is 60.001, must be at most duration_s (60)"}},
      {"at { time_s: -1 sun { } }", {"s:2:14: at[0].time_s: is -1, must be at least 0"}},
      {"at { time_s: 1 }",
       {"s:2:1: at[0]: has no change, write one of sun, ambient, battery_temperature, load, battery_connector, "
        "panel_connector, sense_fault, battery_resistance, battery_cable, supply, reference_error, noise, "
        "serial_input, "
        "reset_line, power_cycle, switch_fault, panel_cable, corrosion, bounce, sky, shade, panel_fault, wind, "
        "heat_sink_temperature"}},
      {"at { sun { over_s: 1e300 } }", {"s:2:20: at[0].sun.over_s: is 1e300, must be at most 32000000"}},
      {check + "to_s: 60 }", {}},
      {check + "from_s: 10 to_s: 61 }", {"s:2:72: check[0].to_s: is 61, must be at most duration_s (60)"}},
      {check + "from_s: 10 to_s: 10 }", {"s:2:72: check[0].to_s: is 10, must be after from_s (10)"}},
      {check + "from_s: -1 to_s: 10 }", {"s:2:63: check[0].from_s: is -1, must be at least 0"}},
      {check + "from_s: 1 }", {"s:2:1: check[0].to_s: is missing, must be above 0"}},
  };
  for (const auto& [added, complaints] : faults) {
    EXPECT_THAT(complaints_about("name: \"s\" duration_s: 60\n" + added), ElementsAreArray(complaints)) << added;
  }
}

TEST_F(ScenarioFile, IsToldAllItsFaultsAtOnceAndNoneThatFollowsFromAnother) {
  EXPECT_THAT(complaints_about("name: \"s\"\n"
                               "duration_s: 0\n"
                               "at { time_s: 70 sum { poa_wpm2: 3 } }\n"
                               "check { requirement: \"R\" signal: \"\" figure: MIDDLE from_s: 9 to_s: 8 }\n"),
              ElementsAre("s:2:13: duration_s: is 0, must be above 0", "s:3:17: at[0].sum: unknown; did you mean sun?",
                          "s:4:34: check[0].signal: is empty, must be something like \"terminal_v\"",
                          "s:4:45: check[0].figure: is MIDDLE; must be one of MEAN, HIGHEST, LOWEST, PEAK_TO_PEAK",
                          "s:4:68: check[0].to_s: is 8, must be after from_s (9)"));
}

TEST_F(ScenarioFile, HasNoFaultInTheFixtures) {
  int files = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(std::string(DAWNRIG_SOURCE_DIR) + "/fixtures/scenarios")) {
    if (entry.path().extension() != ".textproto") continue;
    ++files;
    EXPECT_NO_THROW((void)load_scenario(entry.path())) << entry.path();
  }
  EXPECT_GT(files, 0);
}

TEST_F(ScenarioFile, HasAFingerprintThatEveryFigureChanges) {
  const Scenario original = load(kEveryChange);
  EXPECT_EQ(fingerprint(original), fingerprint(load("# only a comment\n" + std::string(kEveryChange))));
  std::set<std::string> seen{fingerprint(original)};
  // Each number of the file, one after another, made another number.
  const std::string text = kEveryChange;
  int changed = 0;
  for (std::size_t at = 0; at < text.size(); ++at) {
    const bool digit = text[at] >= '0' && text[at] <= '9';
    const bool ends = at + 1 == text.size() || (text[at + 1] != '.' && (text[at + 1] < '0' || text[at + 1] > '9'));
    if (!digit || !ends || text[at - 1] == 'm') continue;  // the name poa_wpm2 stays
    std::string other = text;
    other[at] = other[at] == '4' ? '3' : '4';
    ++changed;
    EXPECT_TRUE(seen.insert(fingerprint(load(other))).second) << "a change in nothing: " << other.substr(at - 20, 30);
  }
  EXPECT_GT(changed, 30);
}

TEST(TextOfAChange, SaysEveryKindOfFault) {
  using plant::SenseFaultKind;
  using plant::SwitchFaultKind;
  EXPECT_EQ(text_of(SenseFault{"cells", SenseFaultKind::kNone}), "sense \"cells\" mended");
  EXPECT_EQ(text_of(SenseFault{"cells", SenseFaultKind::kShortToGround}), "sense \"cells\" shorted to ground");
  EXPECT_EQ(text_of(SenseFault{"cells", SenseFaultKind::kShortToSupply}), "sense \"cells\" shorted to the supply");
  EXPECT_EQ(text_of(SenseFault{"cells", SenseFaultKind::kStuck}), "sense \"cells\" stuck");
  EXPECT_EQ(text_of(SwitchFault{SwitchFaultKind::kNone}), "charging switch mended");
  EXPECT_EQ(text_of(SwitchFault{SwitchFaultKind::kStuckClosed}), "charging switch stuck closed");
  EXPECT_EQ(text_of(SwitchFault{SwitchFaultKind::kDriverDead}), "charging switch left by a dead driver");
  EXPECT_EQ(text_of(Corrosion{Connector::kBattery, 0.5}), "battery connector with a contact of 0.5 ohm");
  EXPECT_EQ(text_of(Bounce{Connector::kPanel, false, 3, milliseconds{20}, 2}),
            "panel connector bounces over 0.02 s, closing 3 times, seed 2, and ends open");
  EXPECT_EQ(text_of(PanelFault{plant::PanelFaultKind::kShorted}), "panel shorted");
  EXPECT_EQ(text_of(PanelFault{plant::PanelFaultKind::kNone}), "panel mended");
  EXPECT_EQ(text_of(Shade{}), "panel in full light");
  EXPECT_EQ(text_of(BatteryConnector{true}), "battery connected");
  EXPECT_EQ(text_of(PanelConnector{false}), "panel disconnected");
  EXPECT_EQ(text_of(ResetLine{false}), "reset released");
}

}  // namespace
}  // namespace dawnrig::scenario
