#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "harness/profile/profile.h"
#include "tests/profile/edited_file.h"

namespace dawnrig::profile {
namespace {

using ::testing::ElementsAre;
using ::testing::ElementsAreArray;

class Site : public testing::EditedFile {
 protected:
  [[nodiscard]] SiteProfile load(const testing::Edits& edits = {}) const {
    return load_site(edited("site.textproto", edits));
  }
};

TEST_F(Site, ComesOutAsItWasWrittenWithTheStatedDefaults) {
  const SiteProfile site = load();
  EXPECT_EQ(site.panel.light_current_a, 3);
  EXPECT_EQ(site.panel.noct_degc, 45);
  EXPECT_EQ(site.panel.short_circuit_tempco_a_per_k, 0);
  const auto& battery = std::get<plant::LeadAcidParams>(site.battery);
  EXPECT_EQ(battery.cells, 6);
  EXPECT_EQ(battery.ocv_tempco_v_per_k, 0.0002);
  EXPECT_EQ(battery.gassing_per_v, 11);
  EXPECT_EQ(battery.gassing_per_k, 0.06);
  EXPECT_EQ(battery.r_acceptance_ohm, 0);
  EXPECT_EQ(battery.acceptance_per_soc, 10);
  EXPECT_EQ(battery.thermal_resistance_k_per_w, 0.5);
  EXPECT_DOUBLE_EQ(battery.heat_capacity_j_per_k, 900 * 12) << "40 Ah of 12 V weigh 12 kg";
  EXPECT_EQ(site.panel_cable_ohm, 0.08);
  EXPECT_EQ(site.battery_cable_ohm, 0.015);
  EXPECT_EQ(site.ambient_degc, 25);
  ASSERT_EQ(site.loads.size(), 4U);
  EXPECT_EQ(std::get<plant::ResistiveParams>(site.loads[0].params.kind).resistance_ohm, 8);
  EXPECT_EQ(std::get<plant::ConstantCurrentParams>(site.loads[1].params.kind).dropout_v, 1);
  EXPECT_TRUE(site.loads[1].params.unswitched);
  EXPECT_TRUE(site.loads[1].on_at_start);
  EXPECT_EQ(std::get<plant::ConstantPowerParams>(site.loads[2].params.kind).dropout_v, 10);
  EXPECT_EQ(std::get<plant::LampParams>(site.loads[3].params.kind).hot_resistance_ohm, 7);
  EXPECT_FALSE(site.loads[3].on_at_start);
}

TEST_F(Site, IsRefusedWhenItCannotBe) {
  const std::string s = "site.textproto:";
  const std::vector<testing::Fault> faults = {
      {{{"cells { value: 6 }", "cells { value: 6.5 }"}},
       {s + "14:20: battery.lead_acid.cells: must be a whole number"}},
      {{{"cell_ocv_full_v { value: 2.13 }", "cell_ocv_full_v { value: 1.95 }"}},
       {s + "17:30: battery.lead_acid.cell_ocv_full_v: must be above cell_ocv_empty_v"}},
      {{{"cold_resistance_ohm { value: 0.6 }", "cold_resistance_ohm { value: 9 }"}},
       {s + "33:66: load[3].lamp.cold_resistance_ohm: must not be above hot_resistance_ohm"}},
      {{{"cell_ocv_empty_v { value: 1.98 }", ""}, {"tau_slow_s { value: 600 }", ""}},
       {s + "13:3: battery.lead_acid.cell_ocv_empty_v: is missing, must be at least 1.5 and at most 2.2",
        s + "13:3: battery.lead_acid.tau_slow_s: is missing, must be at least 1 and at most 100000"}},
      {{{"cell_ocv_full_v { value: 2.13 }", "cell_ocv_full_v { value: 2.13 } ocv { soc_frac: 0 cell_v: 2 }"}},
       {s + "17:37: battery.lead_acid.ocv: has 1 point, must have 2 to 32",
        s + "17:37: battery.lead_acid.ocv: cannot stand beside cell_ocv_empty_v and cell_ocv_full_v: only one of "
            "them"}},
      {{{"\"motor\"", "\"radio\""}}, {s + "29:14: load[2].name: is \"radio\", the name of load[1]"}},
      {{{"lead_acid {", "lithium {"}},
       {s + "12:1: battery: has no chemistry, write one of lead_acid, lifepo4",
        s + "13:3: battery.lithium: unknown; must be one of lead_acid, lifepo4"}},
      {{{"resistive { resistance_ohm { value: 8 } }", ""}},
       {s + "27:1: load[0]: has no kind, write one of resistive, constant_current, constant_power, lamp, motor, "
            "pulsed, series"}},
      {{{"shunt_resistance_ohm { value: 250 }", "shunt_resistance_kohm { value: 0.25 }"},
        {"tau_slow_s { value: 600 }", "tau_slow_min { value: 10 }"},
        {"r_series_ohm { value: 0.015 }", "r_series_ohm { value: -0.015 }"}},
       {s + "9:5: panel.single_diode.shunt_resistance_kohm: unknown; did you mean shunt_resistance_ohm (ohm)?",
        s + "18:27: battery.lead_acid.r_series_ohm: is -0.015, must be at least 1e-5",
        s + "22:5: battery.lead_acid.tau_slow_min: unknown; did you mean tau_slow_s (s)?"}},
  };
  for (const testing::Fault& fault : faults) {
    EXPECT_THAT(complaints_of([&] { (void)load(fault.edits); }), ElementsAreArray(fault.complaints))
        << fault.edits.front().second;
  }
}

const testing::Edits kByItsLabel = {{"single_diode {", "datasheet {"},
                                    {"light_current_a { value: 3 }", "short_circuit_a { value: 4.97 } cells: 36"},
                                    {"saturation_current_a { value: 1.2e-9 }", "open_circuit_v { value: 21.8 }"},
                                    {"modified_ideality_v { value: 1.0 }", "peak_a { value: 4.58 }"},
                                    {"series_resistance_ohm { value: 0.3 }", "peak_v { value: 17.5 }"},
                                    {"shunt_resistance_ohm { value: 250 }",
                                     "short_circuit_tempco_a_per_k { value: 0.0025 } "
                                     "open_circuit_tempco_v_per_k { value: -0.0785 } modules_in_series: 2 strings: 3"}};

TEST_F(Site, MayGiveItsPanelByTheLabelOfItsModules) {
  const SiteProfile site = load(kByItsLabel);
  ASSERT_TRUE(site.array);
  EXPECT_EQ(site.array->series, 4) << "two modules of two bypass diodes";
  EXPECT_EQ(site.array->strings, 3);
  EXPECT_EQ(site.array->bypass.forward_v, 0.45);
  const plant::SingleDiodePanel whole{site.panel, 1e-9};
  plant::PanelScratch scratch;
  EXPECT_NEAR(whole.at(0, 1000, 25, scratch).current_a, 3 * 4.97, 1e-6);
  EXPECT_NEAR(whole.open_circuit_v(1000, 25), 2 * 21.8, 1e-6);
  EXPECT_NEAR(whole.at(2 * 17.5, 1000, 25, scratch).current_a, 3 * 4.58, 1e-6);
}

TEST_F(Site, IsRefusedWhereItsModulesLabelIsImpossible) {
  const std::string s = "site.textproto:";
  const auto with = [](std::string from, std::string to) {
    testing::Edits edits = kByItsLabel;
    edits.emplace_back(std::move(from), std::move(to));
    return edits;
  };
  const std::vector<std::pair<testing::Edits, std::string>> faults = {
      {with("peak_a { value: 4.58 }", "peak_a { value: 5 }"),
       "panel.datasheet.peak_a: is 5, must be below short_circuit_a (4.97)"},
      {with("peak_v { value: 17.5 }", "peak_v { value: 21 }"),
       "panel.datasheet.peak_v: with peak_a makes a fill factor of 0.8877, through which no single-diode curve of 36 "
       "cells passes between short_circuit_a and open_circuit_v"},
      {with("strings: 3", "strings: 8 bypass_diodes: 4"),
       "panel.datasheet.modules_in_series: makes 64 sub-strings in all, must be at most 48"},
      {with("strings: 3", "bypass_diodes: 5"), "panel.datasheet.bypass_diodes: is 5, must divide the 36 cells evenly"}};
  for (const auto& [edits, complaint] : faults) {
    const auto found = complaints_of([&, given = edits] { (void)load(given); });
    ASSERT_EQ(found.size(), 1U) << complaint;
    EXPECT_THAT(found[0], ::testing::HasSubstr(complaint));
  }
}

// Replaces the whole battery of the good file.
testing::Edits with_battery(const std::string& chemistry) {
  return {
      {"lead_acid {\n    cells { value: 6 }\n    capacity_ah { value: 40 }\n    cell_ocv_empty_v { value: 1.98 }\n"
       "    cell_ocv_full_v { value: 2.13 }\n    r_series_ohm { value: 0.015 }\n    r_fast_ohm { value: 0.015 }\n"
       "    tau_fast_s { value: 3 }\n    r_slow_ohm { value: 0.04 }\n    tau_slow_s { value: 600 }\n"
       "    gassing_a_per_100ah { value: 0.02 }\n  }",
       chemistry}};
}

TEST_F(Site, NeedsOnlyKindAndSizeOfALeadAcidBatteryAndTakesWhatElseIsWritten) {
  const auto battery = std::get<plant::LeadAcidParams>(
      load(with_battery("lead_acid { kind: AGM cells { value: 6 } capacity_ah { value: 100 } r_fast_ohm { value: 0.02 }"
                        " self_discharge_frac_per_month { value: 0.03 } ageing { capacity_scale { value: 0.8 } } }"))
          .battery);
  const plant::LeadAcidParams usual = plant::usual_lead_acid(plant::LeadAcidKind::kAgm, 6, 100);
  EXPECT_EQ(battery.r_series_ohm, usual.r_series_ohm);
  EXPECT_EQ(battery.ocv.size(), 5U);
  EXPECT_EQ(battery.r_exhaustion_ohm, usual.r_exhaustion_ohm);
  EXPECT_EQ(battery.r_fast_ohm, 0.02);
  EXPECT_DOUBLE_EQ(battery.self_discharge_per_s, 0.03 / (30 * 86400.0));
  EXPECT_EQ(battery.ageing.capacity_scale, 0.8);
}

TEST_F(Site, TakesALiFePo4BatteryWithItsProtection) {
  const auto battery = std::get<plant::LiFePo4Params>(
      load(with_battery("lifepo4 { cells { value: 4 } capacity_ah { value: 50 } hysteresis_v { value: 0.02 }"
                        " protection { high_cell_v { value: 3.7 } } }"))
          .battery);
  const plant::LiFePo4Params usual = plant::usual_lifepo4(4, 50);
  EXPECT_EQ(battery.r_series_ohm, usual.r_series_ohm);
  EXPECT_EQ(battery.hysteresis_v, 0.02);
  EXPECT_TRUE(battery.protection.fitted);
  EXPECT_EQ(battery.protection.high_cell_v, 3.7);
  EXPECT_EQ(battery.protection.low_cell_v, usual.protection.low_cell_v);
}

TEST_F(Site, RefusesABatteryThatCannotBe) {
  const std::string s = "site.textproto:13:";
  const std::string lithium = "lifepo4 { cells { value: 4 } capacity_ah { value: 50 } ";
  const std::vector<std::pair<std::string, std::vector<std::string>>> faults = {
      {"lead_acid { kind: AGM cells { value: 6 } capacity_ah { value: 0 } }",
       {s + "65: battery.lead_acid.capacity_ah: is 0, must be at least 0.1"}},
      {"lead_acid { kind: AGM cells { value: 6 } capacity_ah { value: 50 } cell_ocv_full_v { value: 2.1 } }",
       {s + "3: battery.lead_acid: has one of cell_ocv_empty_v and cell_ocv_full_v, must have both or neither"}},
      {"lead_acid { kind: WET cells { value: 6 } capacity_ah { value: 50 } }", {}},
      {lithium + "r_fast_ohm { value: 1e-12 } }",
       {s + "78: battery.lifepo4.r_fast_ohm: is 1e-12, must be at least 1e-6"}},
      {lithium + "protection { high_release_cell_v { value: 3.8 } } }",
       {s + "100: battery.lifepo4.protection.high_release_cell_v: must be below high_cell_v"}},
      {lithium + "without_protection: true protection { } }",
       {s + "83: battery.lifepo4.protection: cannot stand beside without_protection: only one of them"}},
      {lithium + "ocv { soc_frac: 0 cell_v: 2.5 } ocv { soc_frac: 1 cell_v: 2.4 } }",
       {s + "116: battery.lifepo4.ocv[1].cell_v: must be above the one before it"}},
  };
  for (const auto& [written, complaints] : faults) {
    const auto found = complaints_of([&] { (void)load(with_battery(written)); });
    if (complaints.empty()) {
      EXPECT_FALSE(found.empty()) << written;
    } else {
      EXPECT_THAT(found, ElementsAreArray(complaints)) << written;
    }
  }
}

class Together : public Site {
 protected:
  void SetUp() override {
    Site::SetUp();
    (void)write("settings.hex", good("settings.hex"));
  }
  [[nodiscard]] std::vector<std::string> misfits(const testing::Edits& board, const testing::Edits& site) const {
    const BoardProfile b = load_board(edited("board.textproto", board));
    const SiteProfile s = load(site);
    return complaints_of([&] { check_together(b, s); });
  }
};

TEST_F(Together, AFittingBoardAndSiteMakeACircuit) {
  const BoardProfile board = load_board(edited("board.textproto", {}));
  const SiteProfile site = load();
  EXPECT_NO_THROW(check_together(board, site));
  const plant::CircuitParams circuit = circuit_of(board, site);
  plant::Problems problems;
  circuit.check(problems);
  EXPECT_TRUE(problems.empty());
  EXPECT_EQ(circuit.panel_cable_ohm, 0.08);
  EXPECT_EQ(circuit.battery_cable_ohm, 0.015);
  EXPECT_EQ(circuit.load_switch_ohm, 0.02);
  EXPECT_EQ(circuit.stage.max_bus_v, 35);
  EXPECT_EQ(circuit.loads.size(), 4U);
  ASSERT_EQ(circuit.sense.size(), 3U);
  EXPECT_EQ(circuit.sense[2].node, plant::SenseNode::kBatteryTemperature);
}

TEST_F(Together, FusesAndTheCopperOfTheCablesGetIntoTheCircuit) {
  const testing::Edits edits{{"battery_cable_ohm { value: 0.015 } }",
                              "battery_cable_ohm { value: 0.015 } cable_per_k { value: 0.00393 } battery_fuse { "
                              "carries_a { value: 20 } melting_a2s { value: 400 } } }"}};
  const plant::CircuitParams circuit = circuit_of(load_board(edited("board.textproto", {})), load(edits));
  EXPECT_EQ(circuit.cable_per_k, 0.00393);
  ASSERT_TRUE(circuit.battery_fuse);
  EXPECT_EQ(circuit.battery_fuse->melting_a2s, 400);
  EXPECT_EQ(circuit.battery_fuse->cold_ohm, 0);
  EXPECT_FALSE(circuit.panel_fuse);
}

TEST_F(Together, AFuseThatThePanelWouldBlowIsRefused) {
  EXPECT_THAT(misfits({}, {{"battery_cable_ohm { value: 0.015 } }",
                            "battery_cable_ohm { value: 0.015 } panel_fuse { carries_a { value: 2 } melting_a2s { "
                            "value: 5 } } }"}}),
              ElementsAre("site.textproto: wiring.panel_fuse.carries_a: is 2, must be above the panel's "
                          "light_current_a (3): it would blow at noon"));
}

TEST_F(Together, ABatteryOfAnotherVoltageIsRefused) {
  EXPECT_THAT(
      misfits({}, {{"cells { value: 6 }", "cells { value: 12 }"}}),
      ElementsAre("site.textproto: battery.lead_acid.cells: is 12, a battery of 24 V, must fit nominal_v (12) of "
                  "board.textproto"));
}

TEST_F(Together, ALiFePo4BatteryNeedsFourCellsForEveryTwelveVolts) {
  const auto site = [](const char* cells) {
    return with_battery(std::string("lifepo4 { cells { value: ") + cells + " } capacity_ah { value: 50 } }");
  };
  EXPECT_THAT(misfits({}, site("4")), ElementsAre());
  EXPECT_THAT(
      misfits({}, site("8")),
      ElementsAre("site.textproto: battery.lifepo4.cells: is 8, must be 4 for nominal_v (12) of board.textproto"));
}

TEST_F(Together, AShuntThatMakesItsBranchWorseThanABranchMayBeIsRefused) {
  const testing::Edits shunt{{"sense {\n  name: \"panel\"",
                              "sense { name: \"shunt\" quantity: BATTERY_CURRENT adc_pin: \"ADC3\" shunt_amplifier { "
                              "shunt_ohm { value: 0.002 } gain_v_per_v { value: 50 } bias_v { value: 2 } r_out_ohm { "
                              "value: 1000 } capacitance_f { value: 1e-7 } } }\nsense {\n  name: \"panel\""}};
  EXPECT_THAT(misfits(shunt, {}), ElementsAre());
  EXPECT_THAT(misfits(shunt, {{"battery_cable_ohm { value: 0.015 }", "battery_cable_ohm { value: 10 }"}}),
              ElementsAre("site.textproto: battery_cable_ohm: is 10.002, must be at most 10, the shunts of "
                          "board.textproto included"));
}

TEST_F(Together, APanelThatCannotChargeIsRefused) {
  // Fewer cells in series: the open-circuit voltage falls with the ideality voltage.
  EXPECT_THAT(misfits({}, {{"modified_ideality_v { value: 1.0 }", "modified_ideality_v { value: 0.7 }"}}),
              ElementsAre("site.textproto: panel.single_diode: gives 15.1 V open-circuit at 25 degC, must be 1 V above "
                          "absorption_v (14.4) of board.textproto"));
}

TEST_F(Together, APanelThatBreaksTheBoardOnACleanColdMorningIsRefused) {
  EXPECT_THAT(misfits({{"max_bus_v { value: 35 }", "max_bus_v { value: 22 }"}}, {}),
              // 25.871 V by bisection of the model's equations, apart from this code.
              ElementsAre("site.textproto: panel.single_diode: gives 25.9 V open-circuit at -20 degC, must be below "
                          "max_bus_v (22) of board.textproto"));
}

}  // namespace
}  // namespace dawnrig::profile
