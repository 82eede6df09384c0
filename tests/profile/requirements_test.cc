#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "harness/profile/profile.h"
#include "tests/profile/edited_file.h"

namespace dawnrig::profile {
namespace {

using ::testing::ElementsAreArray;

class Requirements : public testing::EditedFile {
 protected:
  [[nodiscard]] RequirementSet load(const testing::Edits& edits = {}) const {
    return load_requirements(edited("requirements.textproto", edits));
  }
};

TEST_F(Requirements, ComeOutAsTheyWereWritten) {
  const RequirementSet set = load();
  EXPECT_EQ(set.name, "gate post");
  EXPECT_EQ(set.sha256.size(), 64U);
  const Requirement* requirement = set.find("SETPOINT-FLOAT-2");
  ASSERT_NE(requirement, nullptr);
  EXPECT_EQ(requirement->lowest, -0.1);
  EXPECT_EQ(requirement->highest, 0.1);
  EXPECT_EQ(requirement->unit, "V");
  EXPECT_EQ(requirement->tolerance, 0.05);
  EXPECT_TRUE(requirement->per_12v);
  EXPECT_EQ(requirement->confidence, Confidence::kMaker);
  ASSERT_NE(set.find("RIPPLE"), nullptr);
  EXPECT_EQ(set.find("RIPPLE")->lowest, std::nullopt);
  EXPECT_EQ(set.find("NOTHING"), nullptr);
}

TEST_F(Requirements, SayHowFarTheirSourceIsTrusted) {
  EXPECT_EQ(text_of(Confidence::kStandard), "standard");
  EXPECT_EQ(text_of(Confidence::kMaker), "maker");
  EXPECT_EQ(text_of(Confidence::kTrade), "trade");
  EXPECT_EQ(text_of(Confidence::kProposed), "proposed");
}

TEST_F(Requirements, AreRefusedWhenTheyCannotBeJudged) {
  const std::string r = "requirements.textproto:";
  const std::vector<testing::Fault> faults = {
      {{{"\"RIPPLE\"", "\"SETPOINT-FLOAT-2\""}},
       {r + "10:7: requirement[1].id: is \"SETPOINT-FLOAT-2\", the id of the requirement in line 3"}},
      {{{"\"RIPPLE\"", "\"Ripple\""}},
       {r + "10:7: requirement[1].id: is \"Ripple\", must be of capitals, digits and hyphens"}},
      {{{"lowest: -0.1", "lowest: 0.2"}},
       {r + "5:19: requirement[0].limit.lowest: is 0.2, must be at most highest (0.1)"}},
      {{{"highest: 300", ""}},
       {r + "12:3: requirement[1].limit: has neither lowest nor highest, must have at least one"}},
      {{{"highest: 300", "hihgest: 300"}}, {r + "12:11: requirement[1].limit.hihgest: unknown; did you mean highest?"}},
      {{{"\"mV\"", "\"volts\""}},
       {r + "12:30: requirement[1].limit.unit: is \"volts\", an unknown unit; must be one of V, "
            "mV, uV, A, mA, uA, W, mW, ohm, mohm, kohm, s, ms, us, min, h, d, degC, K, V/K, "
            "mV/K, 1/K, V/s, Hz, kHz, Ah, Wh, J, W/m2, %, 1, count"}},
      {{{"tolerance: 50", "tolerance: 0"}}, {r + "12:46: requirement[1].limit.tolerance: is 0, must be above 0"}},
      {{{"confidence: MAKER", "confidence: MAKERS"}},
       {r + "7:15: requirement[0].confidence: is MAKERS; did you mean MAKER?"}},
      {{{"  source: \"our own judgement\"\n", ""}},
       {r + "9:1: requirement[1].source: is missing, for example \"practitioners' notes on load disconnect\""}},
  };
  for (const testing::Fault& fault : faults) {
    EXPECT_THAT(complaints_of([&] { (void)load(fault.edits); }), ElementsAreArray(fault.complaints))
        << fault.edits.front().second;
  }
}

constexpr const char* kOwn =
    "name: \"our contract\"\nupon: \"requirements.textproto\"\n"
    "requirement { id: \"RIPPLE\" sentence: \"It holds still.\" limit { highest: 20 unit: \"mV\" tolerance: 5 }\n"
    "  source: \"contract\" confidence: MAKER }\n";

TEST_F(Requirements, OfAPersonsOwnOverrideSingleOnesOfTheFileTheyBuildUpon) {
  const RequirementSet base = load();
  const RequirementSet own = load_requirements(write("own.textproto", kOwn));
  EXPECT_EQ(own.name, "our contract");
  ASSERT_EQ(own.requirements.size(), base.requirements.size());
  EXPECT_EQ(own.find("RIPPLE")->highest, 20);
  EXPECT_EQ(own.find("RIPPLE")->confidence, Confidence::kMaker);
  EXPECT_EQ(own.find("SETPOINT-FLOAT-2")->highest, 0.1) << "the others stay";
  EXPECT_NE(own.sha256, base.sha256);
  // A change of the file below is a change of the whole.
  static_cast<void>(edited("requirements.textproto", {{"highest: 0.1", "highest: 0.2"}}));
  EXPECT_NE(load_requirements(write("own.textproto", kOwn)).sha256, own.sha256);
}

TEST_F(Requirements, BuildUponFilesThatAreThereAndNotUponThemselves) {
  EXPECT_THAT(
      complaints_of([&] { (void)load_requirements(write("own.textproto", kOwn)); }),
      ElementsAreArray(
          {"own.textproto:2:7: upon: is \"requirements.textproto\", and there is no such file beside this one"}));
  std::string circle = kOwn;
  circle.replace(circle.find("requirements.textproto"), 22, "own.textproto");
  const auto complaints = complaints_of([&] { (void)load_requirements(write("own.textproto", circle)); });
  ASSERT_EQ(complaints.size(), 1U);
  EXPECT_THAT(complaints[0], ::testing::HasSubstr("or upon itself"));
}

TEST_F(Requirements, BoundLevelsInTheOrderThatAControllerNeeds) {
  const auto level = [](const std::string& id, const std::string& lowest, const std::string& highest) {
    return "requirement { id: \"LEVEL-" + id + "\" sentence: \"A level.\" limit { lowest: " + lowest +
           " highest: " + highest + " unit: \"V\" tolerance: 0.1 }\n  source: \"ours\" confidence: MAKER }\n";
  };
  const std::string good = "name: \"levels\"\n" + level("ABSORPTION", "14", "15") + level("FLOAT", "13", "14");
  EXPECT_EQ(load_requirements(write("levels.textproto", good)).requirements.size(), 2U);
  const std::string own = "name: \"own\"\nupon: \"levels.textproto\"\n" + level("FLOAT", "13", "15.5");
  EXPECT_THAT(
      complaints_of([&] { (void)load_requirements(write("own.textproto", own)); }),
      ElementsAreArray(
          {"own.textproto:3:1: LEVEL-ABSORPTION: highest is 15, must be above the highest of LEVEL-FLOAT, 15.5"}));
}

TEST(RequirementPresets, HoldWhatTheReferenceDeviceDeclares) {
  const std::string fixtures = std::string(DAWNRIG_SOURCE_DIR) + "/fixtures/";
  const auto within = [](const RequirementSet& set, std::string_view id, double per_12v) {
    const Requirement* requirement = set.find(id);
    return requirement != nullptr && requirement->lowest <= per_12v && requirement->highest >= per_12v;
  };
  for (const auto& [preset, board] :
       {std::pair{"flooded", "ridge_repeater_a"}, {"lithium", "ridge_repeater_lithium"}}) {
    const RequirementSet set = load_requirements(fixtures + "requirements/" + preset + ".textproto");
    const Declared declared = load_board(fixtures + "profiles/" + board + ".textproto").declared;
    const double per_12v = 12.0 / declared.nominal_v;
    EXPECT_TRUE(within(set, "LEVEL-ABSORPTION", declared.absorption_v * per_12v)) << preset;
    EXPECT_TRUE(within(set, "LEVEL-FLOAT", *declared.float_v * per_12v)) << preset;
    EXPECT_TRUE(within(set, "LEVEL-LOAD-DISCONNECT", *declared.load_disconnect_v * per_12v)) << preset;
    EXPECT_TRUE(within(set, "LEVEL-LOAD-RECONNECT", *declared.load_reconnect_v * per_12v)) << preset;
    EXPECT_NE(set.find("SETPOINT-FLOAT"), nullptr) << preset << " holds what any controller must do as well";
  }
}

TEST(RequirementFixtures, AreAllGood) {
  int files = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(std::string(DAWNRIG_SOURCE_DIR) + "/fixtures/requirements")) {
    const auto file = entry.path().filename();
    if (file == "catalogue.textproto" || file.extension() != ".textproto") continue;  // say what the suite covers
    ++files;
    EXPECT_NO_THROW((void)load_requirements(entry.path())) << entry.path();
  }
  EXPECT_GT(files, 0);
}

}  // namespace
}  // namespace dawnrig::profile
