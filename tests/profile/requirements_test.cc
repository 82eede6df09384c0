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

TEST(RequirementFixtures, AreAllGood) {
  int files = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(std::string(DAWNRIG_SOURCE_DIR) + "/fixtures/requirements")) {
    ++files;
    EXPECT_NO_THROW((void)load_requirements(entry.path())) << entry.path();
  }
  EXPECT_GT(files, 0);
}

}  // namespace
}  // namespace dawnrig::profile
