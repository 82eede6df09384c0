#include "harness/report/drift.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "harness/base/bad_input.h"
#include "harness/report/report.h"
#include "tests/report/sample_results.h"

namespace dawnrig::report {
namespace {

using ::testing::HasSubstr;

constexpr double kTolerance = 0.1;

class DriftBetweenBuilds : public ::testing::Test {
 protected:
  struct Level {
    std::string id;
    double measured_v, highest_v;
  };
  /// A folder as `dawnrig judge` leaves it.
  std::filesystem::path results(const std::string& name, const std::vector<Level>& levels) {
    proto::ResultSet set = empty_set("A");
    proto::TestResult& test = *set.add_test();
    test.set_name("Some.Test");
    for (const Level& level : levels) add_level(test, level.id, level.measured_v, level.highest_v, kTolerance);
    set.set_planned(1);
    std::filesystem::create_directories(scratch_.folder() / name / "device/results");
    scratch_.put(name + "/device/results/Some.Test.pb", set);
    return scratch_.folder() / name;
  }
  Scratch scratch_;
};

TEST_F(DriftBetweenBuilds, NamesTheFarthestFirstAndLeavesOutWhatRepeats) {
  const auto accepted = results("accepted", {{"A", 1.0, 2}, {"B", 1.0, 2}, {"C", 1.0, 2}});
  const auto today = results("today", {{"A", 1.005, 2}, {"B", 1.03, 2}, {"C", 0.9, 2}});
  const Drift drift = drift_of({.accepted = accepted, .today = today});
  EXPECT_EQ(drift.compared, 3U);
  ASSERT_EQ(drift.moved.size(), 2U) << "5 mV is less than a tenth of the tolerance";
  EXPECT_EQ(drift.moved[0].id, "C");
  EXPECT_NEAR(drift.moved[0].by, -0.1, 1e-12);
  EXPECT_EQ(drift.moved[1].id, "B");
  EXPECT_FALSE(drift.shrank()) << "0.03 of a margin of 1 is no quarter of it";
}

TEST_F(DriftBetweenBuilds, TakesTheRepeatabilityFromRepetitions) {
  const auto accepted = results("accepted", {{"A", 1.0, 2}, {"B", 1.0, 2}});
  const auto today = results("today", {{"A", 1.05, 2}, {"B", 1.05, 2}});
  const auto repeat = results("repeat", {{"A", 1.06, 2}, {"B", 1.001, 2}});
  const Drift drift = drift_of({.accepted = accepted, .today = today, .repeats = {repeat}});
  ASSERT_EQ(drift.moved.size(), 1U) << "A moves as far by itself";
  EXPECT_EQ(drift.moved[0].id, "B");
}

TEST_F(DriftBetweenBuilds, SaysWhichMarginShrankByMoreThanTheChosenShare) {
  const auto accepted = results("accepted", {{"A", 1.0, 2}});
  const auto today = results("today", {{"A", 1.3, 2}});
  EXPECT_TRUE(drift_of({.accepted = accepted, .today = today, .share_frac = 0.25}).shrank());
  EXPECT_FALSE(drift_of({.accepted = accepted, .today = today, .share_frac = 0.35}).shrank());
  EXPECT_FALSE(drift_of({.accepted = today, .today = accepted, .share_frac = 0.25}).shrank()) << "it grew";
}

TEST_F(DriftBetweenBuilds, MissesWhatIsNoLongerJudged) {
  const auto accepted = results("accepted", {{"A", 1.0, 2}, {"B", 1.0, 2}});
  const auto today = results("today", {{"A", 1.0, 2}, {"C", 1.0, 2}});
  const Drift drift = drift_of({.accepted = accepted, .today = today});
  ASSERT_EQ(drift.only_accepted.size(), 1U);
  EXPECT_THAT(drift.only_accepted[0], HasSubstr("B"));
  ASSERT_EQ(drift.only_today.size(), 1U);
  EXPECT_TRUE(drift.shrank());
  EXPECT_THROW((void)drift_of({.accepted = accepted, .today = results("other", {{"Z", 1, 2}})}), base::BadInput);
  EXPECT_THROW((void)drift_of({.accepted = accepted, .today = scratch_.folder() / "nothing"}), base::BadInput);
}

TEST_F(DriftBetweenBuilds, ShowsTheCatalogueWithItsVerdictsAndReasons) {
  const auto folder = results("accepted", {{"RIPPLE", 1.0, 2}});
  const auto file = scratch_.folder() / "catalogue.textproto";
  std::ofstream{file} << "name: \"short\"\nsubject { id: \"R6\" what: \"ripple\" requirement: \"RIPPLE\" }\n"
                         "subject { id: \"R11\" what: \"tracking\" not_applicable_because: \"it does not track\" }\n";
  const auto page = scratch_.folder() / "report.html";
  write_html({folder / "device/results/Some.Test.pb"}, page, file);
  std::ifstream in{page};
  const std::string text{std::istreambuf_iterator<char>{in}, {}};
  EXPECT_TRUE(text.find("What the suite set out to cover") != std::string::npos);
  EXPECT_TRUE(text.find("not applicable, because it does not track") != std::string::npos);
  std::ofstream{file} << "name: \"short\"\nsubjects { id: \"R6\" }\n";
  EXPECT_THROW(write_html({folder / "device/results/Some.Test.pb"}, page, file), base::BadInput);
}

}  // namespace
}  // namespace dawnrig::report
