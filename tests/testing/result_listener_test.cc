// The listener is tried on tests of this very program, run in a child process with results switched on.
#include "harness/testing/result_listener.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "harness/base/bad_input.h"
#include "proto/result.pb.h"

namespace dawnrig::testing {
namespace {

using namespace std::chrono_literals;
using ::testing::HasSubstr;

constexpr const char* kResults = "DAWNRIG_TRY_RESULTS";

verdict::Finding finding_with(verdict::Verdict verdict) {
  verdict::Finding finding;
  finding.requirement.id = "OVERSHOOT";
  finding.requirement.confidence = profile::Confidence::kTrade;
  finding.limit.highest = 29.38;
  finding.limit.unit = "V";
  finding.limit.tolerance = 0.1;
  finding.verdict = verdict;
  finding.reason = "because";
  finding.figure.value = 29.61;
  finding.figure.exercised = 3;
  finding.figure.first_offence = verdict::Figure::Offence{12480ms, 29.61};
  finding.figure.level = verdict::Figure::Level{trace::Signal::kTerminalV, 0.5};
  finding.margin = -0.23;
  return finding;
}

verdict::Curve curve_from_ten_to_twenty() {
  verdict::Curve curve;
  curve.label = "terminal voltage";
  curve.unit = "V";
  curve.time_s = {10, 15};
  curve.low = {28, 28.1};
  curve.high = {29, 29.7};
  curve.mean = {28.5, 28.6};
  curve.end_s = 20;
  return curve;
}

class Tryout final : public ::testing::Test {
 public:
  explicit Tryout(void (*body)()) : body_{body} {}
  void TestBody() override { body_(); }

 private:
  void (*body_)();
};

void add_tryout(const char* group, const char* name, int line, void (*body)()) {
  ::testing::RegisterTest(group, name, nullptr, nullptr, __FILE__, line,
                          [body]() -> ::testing::Test* { return new Tryout{body}; });
}

void judge_and_fail() {
  collector().add_moment(5s, "before the picture");
  collector().add_moment(12400ms, "load off");
  collector().add_finding(finding_with(verdict::Verdict::kFail), {curve_from_ten_to_twenty()});
  collector().add_run("x.trace", "hash", "", 7, {});
  collector().set_simulated_s(20);
  ADD_FAILURE() << "FAIL OVERSHOOT: told already as a finding";
  ADD_FAILURE() << "the firmware crashed";
}

/// In the child process: the tests to try the listener on, and results on before the first of them.
const bool kSwitchedOn = [] {
  const char* file = std::getenv(kResults);
  if (file == nullptr) return false;
  add_tryout("Try", "Judges", __LINE__, judge_and_fail);
  add_tryout("Try", "DoesNotApply", __LINE__, [] { collector().not_applicable("no load output"); });
  add_tryout("Try", "IsSkipped", __LINE__, [] { GTEST_SKIP() << "not today"; });
  add_tryout("Try", "JudgesNothing", __LINE__, [] {});
  add_tryout("TryCrash", "Passes", __LINE__, [] { collector().add_finding(finding_with(verdict::Verdict::kPass)); });
  add_tryout("TryCrash", "Crashes", __LINE__, [] { std::_Exit(9); });
  SuiteIdentity identity;
  identity.device.board_name = "ridge repeater controller";
  identity.device.board_revision = "B";
  identity.device.seed = 7;
  identity.requirements_sha256 = "abc";
  identity.level = "a try";
  collector().set_identity(identity);
  write_results_to(file);
  return true;
}();

struct Tried {
  proto::ResultSet set;
  std::string printed, junit;
  int status{0};
};

std::string text_of(const std::filesystem::path& file) {
  std::ostringstream text;
  text << std::ifstream{file}.rdbuf();
  return text.str();
}

Tried try_tests(const std::string& filter) {
  std::string folder = (std::filesystem::temp_directory_path() / "dawnrig-listener-XXXXXX").string();
  EXPECT_NE(::mkdtemp(folder.data()), nullptr);
  const std::filesystem::path in = folder;
  const std::string self = std::filesystem::read_symlink("/proc/self/exe").string();
  const std::string command = std::string{kResults} + "='" + (in / "r.pb").string() + "' '" + self +
                              "' --gtest_filter='" + filter + "' --gtest_output='xml:" + (in / "junit.xml").string() +
                              "' > '" + (in / "out").string() + "' 2>&1";
  Tried tried;
  tried.status = std::system(command.c_str());
  EXPECT_TRUE(tried.set.ParseFromString(text_of(in / "r.pb")));
  tried.printed = text_of(in / "out");
  tried.junit = text_of(in / "junit.xml");
  std::filesystem::remove_all(in);
  return tried;
}

TEST(ResultListener, WritesFindingsProblemsAndReasonsOfEveryTest) {
  const Tried tried = try_tests("Try.*");
  EXPECT_TRUE(tried.set.complete());
  EXPECT_EQ(tried.set.running(), "");
  EXPECT_EQ(tried.set.planned(), 4);
  EXPECT_EQ(tried.set.identity().board_revision(), "B");
  EXPECT_EQ(tried.set.identity().seed(), 7U);
  EXPECT_EQ(tried.set.level(), "a try");
  ASSERT_EQ(tried.set.test_size(), 4);

  const proto::TestResult& judged = tried.set.test(0);
  EXPECT_EQ(judged.name(), "Try.Judges");
  ASSERT_EQ(judged.finding_size(), 1);
  EXPECT_EQ(judged.finding(0).verdict(), proto::FAIL);
  EXPECT_EQ(judged.finding(0).first_offence_ns(), 12'480'000'000);
  EXPECT_EQ(judged.finding(0).requirement().confidence(), proto::TRADE);
  ASSERT_EQ(judged.problem_size(), 1) << "a failure that is a finding's own is not told twice";
  EXPECT_THAT(judged.problem(0), HasSubstr("result_listener_test.cc:"));
  EXPECT_THAT(judged.problem(0), HasSubstr("the firmware crashed"));
  EXPECT_EQ(judged.run(0).seed(), 7U);
  EXPECT_DOUBLE_EQ(judged.simulated_s(), 20);

  EXPECT_EQ(tried.set.test(1).not_applicable_because(), "no load output");
  EXPECT_EQ(tried.set.test(2).not_applicable_because(), "not today");
  EXPECT_EQ(tried.set.test(2).problem_size(), 0);
}

TEST(ResultListener, DrawsTheLimitOnTheCurveThatItLimitsAndTheMomentsWithinIt) {
  const Tried tried = try_tests("Try.Judges");
  ASSERT_EQ(tried.set.test_size(), 1);
  const proto::Evidence& evidence = tried.set.test(0).finding(0).evidence();
  ASSERT_EQ(evidence.limit_line_size(), 1);
  EXPECT_DOUBLE_EQ(evidence.limit_line(0).value(), 29.88) << "the limit plus what was subtracted from the signal";
  EXPECT_EQ(evidence.limit_line(0).unit(), "V");
  ASSERT_EQ(evidence.moment_size(), 1);
  EXPECT_EQ(evidence.moment(0).label(), "load off");
  EXPECT_DOUBLE_EQ(evidence.curve(0).high(1), 29.7);
}

TEST(ResultListener, FailsATestThatJudgedNothing) {
  const Tried tried = try_tests("Try.JudgesNothing");
  ASSERT_EQ(tried.set.test_size(), 1);
  ASSERT_EQ(tried.set.test(0).problem_size(), 1);
  EXPECT_THAT(tried.set.test(0).problem(0), HasSubstr("without judging anything"));
  EXPECT_THAT(tried.printed, HasSubstr("[  FAILED  ] Try.JudgesNothing"));
  EXPECT_NE(tried.status, 0);
}

TEST(ResultListener, KeepsWhatWasFoundBeforeACrashAndNamesTheTestThatCrashed) {
  const Tried tried = try_tests("TryCrash.*");
  EXPECT_FALSE(tried.set.complete());
  EXPECT_EQ(tried.set.running(), "TryCrash.Crashes");
  EXPECT_EQ(tried.set.planned(), 2);
  ASSERT_EQ(tried.set.test_size(), 1);
  EXPECT_EQ(tried.set.test(0).name(), "TryCrash.Passes");
}

TEST(ResultListener, PutsFiguresIntoTheJunitFile) {
  const Tried tried = try_tests("Try.Judges");
  EXPECT_THAT(tried.junit, HasSubstr("name=\"OVERSHOOT.measured\" value=\"29.61\""));
  EXPECT_THAT(tried.junit, HasSubstr("name=\"OVERSHOOT.verdict\" value=\"FAIL\""));
}

TEST(ResultListener, RefusesAPlaceThatCannotBeWrittenBeforeAnyTestRuns) {
  EXPECT_THROW(write_results_to("/nowhere/at/all/results.pb"), base::BadInput);
}

}  // namespace
}  // namespace dawnrig::testing
