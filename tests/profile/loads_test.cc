// Loads as people write them, and the tables of measured currents that they bring along.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "harness/profile/profile.h"
#include "tests/profile/edited_file.h"

namespace dawnrig::profile {
namespace {

using ::testing::ElementsAreArray;

class Loads : public testing::EditedFile {
 protected:
  /// The good site with one more load of this kind.
  [[nodiscard]] SiteProfile with(const std::string& kind) const {
    return load_site(write("site.textproto", good("site.textproto") + "load { name: \"extra\" " + kind + " }\n"));
  }
  template <class Kind>
  [[nodiscard]] Kind read(const std::string& kind) const {
    return std::get<Kind>(with(kind).loads.back().params.kind);
  }
  [[nodiscard]] std::vector<std::string> faults_of(const std::string& kind) const {
    std::vector<std::string> lines = complaints_of([&] { (void)with(kind); });
    for (std::string& line : lines) line = line.substr(line.find(": ") + 2);
    return lines;
  }
};

TEST_F(Loads, ComeOutAsTheyWereWritten) {
  const auto motor = read<plant::MotorParams>(
      "motor { winding_ohm { value: 0.4 } emf_v_s { value: 0.12 } inertia_kgm2 { value: 2e-3 } rated_v { value: 24 } "
      "running_a { value: 3 } }");
  EXPECT_EQ(motor.emf_v_s, 0.12);
  EXPECT_EQ(motor.running_a, 3);
  const auto radio = read<plant::PulsedParams>(
      "pulsed { transmit_a { value: 4 } receive_a { value: 0.25 } transmit_s { value: 0.2 } period_s { value: 10 } }");
  EXPECT_EQ(radio.transmit, Nanos{200'000'000});
  EXPECT_EQ(radio.period, Nanos{10'000'000'000});
  EXPECT_EQ(radio.dropout_v, 1);
  const auto supply = read<plant::ConstantPowerParams>(
      "constant_power { power_w { value: 30 } dropout_v { value: 15 } lockout_v { value: 20 } restart_v { value: 22 } "
      "}");
  EXPECT_EQ(supply.lockout_v, 20);
  EXPECT_EQ(supply.restart_v, 22);
  EXPECT_EQ(supply.restart_delay_s, 0.1);
  const auto lamp = read<plant::LampParams>(
      "lamp { hot_resistance_ohm { value: 14.4 } cold_resistance_ohm { value: 1.2 } rated_v { value: 24 } "
      "time_constant_s { value: 0.03 } radiated_frac { value: 0.9 } }");
  EXPECT_EQ(lamp.radiated_frac, 0.9);
}

TEST_F(Loads, AreRefusedWhereTheyCannotWork) {
  EXPECT_THAT(faults_of("pulsed { transmit_a { value: 4 } receive_a { value: 0 } transmit_s { value: 10 } period_s { "
                        "value: 10 } }"),
              ElementsAreArray({"load[4].pulsed.transmit_s: must be below period_s"}));
  EXPECT_THAT(
      faults_of("constant_power { power_w { value: 30 } dropout_v { value: 15 } lockout_v { value: 20 } }"),
      ElementsAreArray({"load[4].constant_power.restart_v: is missing: a supply that locks out must say when it "
                        "comes back"}));
  EXPECT_THAT(faults_of("constant_power { power_w { value: 30 } dropout_v { value: 15 } restart_v { value: 20 } }"),
              ElementsAreArray({"load[4].constant_power.restart_v: means nothing without lockout_v"}));
  EXPECT_THAT(faults_of("constant_power { power_w { value: 30 } dropout_v { value: 15 } lockout_v { value: 14 } "
                        "restart_v { value: 13 } }"),
              ElementsAreArray({"load[4].constant_power.lockout_v: must not be below dropout_v",
                                "load[4].constant_power.restart_v: must be above lockout_v"}));
  EXPECT_THAT(faults_of("motor { winding_ohm { value: 4 } emf_v_s { value: 0.12 } inertia_kgm2 { value: 1e-6 } rated_v "
                        "{ value: 24 } running_a { value: 6 } }"),
              ElementsAreArray({"load[4].motor.inertia_kgm2: makes it run up within a millisecond, must be larger: its "
                                "inductance, which is left out, would count",
                                "load[4].motor.running_a: must be below rated_v / winding_ohm, which it takes at "
                                "standstill"}));
  EXPECT_THAT(faults_of("series { file: \"day.csv\" }"),
              ElementsAreArray({"load[4].series.file: day.csv: does not exist"}));
}

TEST_F(Loads, BringATableOfMeasuredCurrents) {
  (void)write("day.csv",
              "\xEF\xBB\xBF# from the logger\r\ntime_s, current_a\r\n\r\n0,1\r\n10, 2.5 \r\n10,0.5\r\n20,0.5\r\n");
  const std::string hash = with("resistive { resistance_ohm { value: 9 } }").sha256;
  const SiteProfile site = with("series { file: \"day.csv\" repeats: true }");
  const auto& series = *std::get<plant::SeriesParams>(site.loads.back().params.kind).series;
  ASSERT_EQ(series.points.size(), 4U);
  EXPECT_EQ(series.points[1].at, Nanos{10'000'000'000});
  EXPECT_EQ(series.points[1].current_a, 2.5);
  EXPECT_TRUE(series.repeats);
  (void)write("day.csv", "time_s,current_a\n0,1\n");
  EXPECT_NE(with("series { file: \"day.csv\" repeats: false }").sha256, site.sha256) << "its rows are part of the site";
}

TEST_F(Loads, SayWhereATableIsWrongAndWhereItHasAGap) {
  const auto faults = [&](const std::string& table, const std::string& more = "") {
    (void)write("day.csv", table);
    return complaints_of([&] { (void)with("series { file: \"day.csv\" " + more + " }"); });
  };
  const std::string at = "day.csv:";
  EXPECT_THAT(
      faults("time,current_a\n0,1\n"),
      ElementsAreArray({at + "1:1: is \"time,current_a\", must be time_s,current_a, the names of the columns"}));
  EXPECT_THAT(faults("time_s,current_a\n0;1\n1, x\n2,-1\n3,1\n2,1\n3,1\n3,1\n"),
              ElementsAreArray({at + "2:1: is \"0;1\", must be a time and a current with a comma between",
                                at + "3:4: current_a: is \"x\", must be a number",
                                at + "4:3: current_a: is -1, must be 0 to 1000",
                                at + "6:1: time_s: is 2, must not be before the row above (3)",
                                at + "8:1: time_s: is 3 for the third time, a step has two rows"}));
  EXPECT_THAT(faults("time_s,current_a\n# none\n"),
              ElementsAreArray({at + "2: has no rows, must have time_s,current_a and points"}));
  const std::string gap = "time_s,current_a\n0,1\n60,1\n120,1\n180,1\n4000,2\n";
  EXPECT_THAT(faults(gap), ElementsAreArray({at + "6:1: time_s: comes 3820 s after the row before, a gap: rows are "
                                                  "usually 60 s apart, and must be at most 600; write longest_gap_s if "
                                                  "the current did not change"}));
  EXPECT_THAT(faults(gap, "longest_gap_s { value: 3900 }"), ElementsAreArray(std::vector<std::string>{}));
}

}  // namespace
}  // namespace dawnrig::profile
