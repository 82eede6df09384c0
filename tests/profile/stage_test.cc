// The power stage of a board profile: each kind is read, and refused where no such stage could be built.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

#include "harness/profile/profile.h"
#include "tests/profile/edited_file.h"

namespace dawnrig::profile {
namespace {

using ::testing::ElementsAre;

constexpr const char* kShunt = R"(shunt_pwm {
    input_capacitance_f { value: 1e-7 }
    output_capacitance_f { value: 220e-6 }
    switch_on_resistance_ohm { value: 0.01 }
    switch_per_k { value: 0.006 }
    blocking_diode { saturation_current_a { value: 2e-6 } emission_coefficient { value: 1.04 } series_resistance_ohm { value: 0.012 } temperature {} }
  }
  heat_sink { resistance_k_per_w { value: 8 } heat_capacity_j_per_k { value: 40 } })";

constexpr const char* kBuck = R"(buck {
    input_capacitance_f { value: 4.7e-4 }
    output_capacitance_f { value: 220e-6 }
    switch_on_resistance_ohm { value: 0.01 }
    inductance_henry { value: 3.3e-5 }
    winding_ohm { value: 0.02 }
    freewheel: UNTIL_ZERO
    freewheel_ohm { value: 0.008 }
    freewheel_diode { saturation_current_a { value: 1e-9 } emission_coefficient { value: 1.2 } series_resistance_ohm { value: 0.01 } temperature { energy_gap_ev { value: 1.11 } saturation_exponent { value: 3 } } }
  })";

class Stage : public testing::EditedFile {
 protected:
  void SetUp() override {
    EditedFile::SetUp();
    (void)write("settings.hex", good("settings.hex"));
  }
  // The board with another stage in place of its own, and further edits.
  [[nodiscard]] std::filesystem::path board(const std::string& stage, const testing::Edits& edits = {}) const {
    std::string text = good("board.textproto");
    const std::size_t from = text.find("series_pwm {");
    text.replace(from, text.find("  max_bus_v") - from, stage + "\n");
    for (const auto& [before, after] : edits) {
      const std::size_t at = text.find(before);
      EXPECT_NE(at, std::string::npos) << before;
      text.replace(at, before.size(), after);
    }
    return write("board.textproto", text);
  }
  [[nodiscard]] std::vector<std::string> misfits(const std::string& stage, const testing::Edits& edits = {}) const {
    const auto file = board(stage, edits);
    return complaints_of([&] { (void)load_board(file); });
  }
};

TEST_F(Stage, ShuntComesOutAsItWasWritten) {
  const BoardProfile b = load_board(board(kShunt));
  EXPECT_TRUE(std::holds_alternative<plant::ShuntPwmParams>(b.stage.topology));
  EXPECT_FALSE(b.charges_while_on());
  EXPECT_EQ(b.stage.input_capacitance_f, 1e-7);
  EXPECT_EQ(b.stage.switch_per_k, 0.006);
  EXPECT_TRUE(b.stage.blocking_diode.follows_temperature);
  EXPECT_EQ(b.stage.blocking_diode.energy_gap_ev, 0.69);
  EXPECT_EQ(b.stage.blocking_diode.saturation_exponent, 2);
  ASSERT_TRUE(b.stage.heat_sink);
  EXPECT_EQ(b.stage.heat_sink->heat_capacity_j_per_k, 40);
  EXPECT_EQ(b.stage.max_bus_v, 35);
}

TEST_F(Stage, BuckComesOutAsItWasWritten) {
  const BoardProfile b = load_board(board(kBuck));
  EXPECT_TRUE(b.charges_while_on());
  const auto& buck = std::get<plant::BuckParams>(b.stage.topology);
  EXPECT_EQ(buck.inductance_henry, 3.3e-5);
  EXPECT_EQ(buck.core_ohm, 2000);
  EXPECT_EQ(buck.freewheel, plant::Freewheel::kUntilZero);
  EXPECT_EQ(buck.freewheel_ohm, 0.008);
  EXPECT_EQ(buck.freewheel_diode.energy_gap_ev, 1.11);
  EXPECT_FALSE(buck.blocks_reverse) << "no blocking diode was written";
  EXPECT_FALSE(b.stage.heat_sink);
}

TEST_F(Stage, IsRefusedWhereItCouldNotBeBuilt) {
  const std::string b = "board.textproto:";
  EXPECT_THAT(misfits(kShunt, {{"value: 1e-7", "value: 1e-3"}}),
              ElementsAre(b + "16:34: stage.shunt_pwm.input_capacitance_f: is 0.001, must be at most 2e-5"));
  EXPECT_THAT(misfits(kShunt, {{"series_resistance_ohm { value: 0.012 }", "series_resistance_ohm { value: 0 }"}}),
              ElementsAre(::testing::HasSubstr(
                  "stage.shunt_pwm.blocking_diode.series_resistance_ohm: is 0, must be at least 0.0001")));
  EXPECT_THAT(misfits(kShunt, {{"resistance_k_per_w { value: 8 }", "resistance_k_per_w { value: 0 }"}}),
              ElementsAre(::testing::HasSubstr("stage.heat_sink.resistance_k_per_w: is 0, must be at least")));
  EXPECT_THAT(misfits(kBuck, {{"freewheel: UNTIL_ZERO", "freewheel: DIODE"}}),
              ElementsAre(::testing::HasSubstr(
                  "stage.buck.freewheel_ohm: is the resistance of a transistor, but freewheel is DIODE")));
  EXPECT_THAT(misfits(kBuck, {{"    freewheel_ohm { value: 0.008 }\n", ""}}),
              ElementsAre(::testing::HasSubstr("stage.buck.freewheel_ohm: is missing, must be given for a transistor "
                                               "(freewheel: UNTIL_ZERO)")));
  EXPECT_THAT(misfits(kBuck, {{"    freewheel: UNTIL_ZERO\n", ""}}),
              ElementsAre(::testing::HasSubstr("stage.buck.freewheel: is missing, must be one of DIODE")));
  EXPECT_THAT(misfits(kBuck, {{"inductance_henry { value: 3.3e-5 }", "inductance_henry { value: 33 }"}}),
              ElementsAre(::testing::HasSubstr("stage.buck.inductance_henry: is 33, must be at most 0.1")));
  const std::string diode =
      "{ saturation_current_a { value: 1e-9 } emission_coefficient { value: 1 } series_resistance_ohm { value: 0.01 } "
      "}";
  EXPECT_THAT(
      misfits(kBuck, {{"    winding_ohm", "    blocking_diode " + diode + " body_diode " + diode + " winding_ohm"}}),
      ElementsAre(::testing::HasSubstr("stage.buck.body_diode: never conducts behind blocking_diode")));
}

}  // namespace
}  // namespace dawnrig::profile
