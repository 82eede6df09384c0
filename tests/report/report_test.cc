#include "harness/report/report.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <sstream>

#include "harness/base/bad_input.h"
#include "tests/report/sample_results.h"
#include "tests/report/tag_balance.h"

namespace dawnrig::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

/// Matches without printing the page.
bool has(const std::string& page, const std::string& text) {
  return page.find(text) != std::string::npos;
}

std::string text_of(const std::filesystem::path& file) {
  std::ostringstream text;
  text << std::ifstream{file}.rdbuf();
  return text.str();
}

/// The page of these result sets.
std::string page_of(const std::vector<proto::ResultSet>& sets) {
  const Scratch scratch;
  std::vector<std::filesystem::path> files;
  for (const auto& set : sets) files.push_back(scratch.put(std::to_string(files.size()) + ".pb", set));
  write_html(files, scratch.folder() / "report.html");
  return text_of(scratch.folder() / "report.html");
}

std::string table_of(const std::vector<proto::ResultSet>& sets) {
  const Scratch scratch;
  std::vector<std::filesystem::path> files;
  for (const auto& set : sets) files.push_back(scratch.put(std::to_string(files.size()) + ".pb", set));
  char* text = nullptr;
  std::size_t size = 0;
  std::FILE* out = ::open_memstream(&text, &size);
  print_table(files, out);
  std::fclose(out);
  std::string table{text, size};
  std::free(text);
  return table;
}

int exit_code_of(const std::vector<proto::ResultSet>& sets) {
  const Scratch scratch;
  std::vector<std::filesystem::path> files;
  for (const auto& set : sets) files.push_back(scratch.put(std::to_string(files.size()) + ".pb", set));
  return exit_code(files);
}

proto::ResultSet set_with(double measured_v) {
  proto::ResultSet set = empty_set("A");
  proto::TestResult& test = *set.add_test();
  test.set_name("Made.Up");
  add_level(test, "LIMIT", measured_v, 10, 0.1);
  return set;
}

TEST(Page, IsWellFormedAndNamesEveryRequirement) {
  const auto a = sample_of("A");
  const auto b = sample_of("B");
  const std::string page = page_of({a, b});
  if (const char* keep = std::getenv("DAWNRIG_KEEP_SAMPLE")) std::ofstream{keep} << page;
  EXPECT_EQ(complaint_about(page), "");
  for (const auto& test : a.test()) {
    for (const auto& finding : test.finding()) {
      EXPECT_TRUE(has(page, finding.requirement().id())) << finding.requirement().id();
      EXPECT_TRUE(has(page, finding.requirement().source())) << finding.requirement().source();
    }
  }
  EXPECT_TRUE(has(page, a.identity().image_sha256())) << a.identity().image_sha256();
  EXPECT_TRUE(has(page, "usual in the trade")) << "usual in the trade";
  EXPECT_TRUE(has(page, "profile declares no float voltage")) << "the profile declares no float voltage";
}

TEST(Page, NeedsNothingFromOutside) {
  const std::string page = page_of({sample_of("A"), sample_of("B")});
  for (const char* outside : {"http:", "https:", "//", "<script", "<link", "@import", "url(", "src="}) {
    EXPECT_FALSE(has(page, outside)) << outside;
  }
}

TEST(Page, SaysWhatWentWrongBeforeAnythingElse) {
  const std::string page = page_of({sample_of("A"), sample_of("B")});
  const auto reason = page.find("At 12.");
  ASSERT_NE(reason, std::string::npos);
  EXPECT_THAT(page.substr(reason, 200), HasSubstr("above the limit of 29.38 V"));
  EXPECT_LT(reason, page.find("What was tested"));
  EXPECT_LT(page.find("id=\"r-OVERSHOOT-LOAD-RELEASE\""), page.find("id=\"r-SETPOINT-ABSORPTION\""))
      << "broken requirements come first";
}

TEST(Page, EscapesWhatPeopleWrote) {
  proto::ResultSet set = set_with(11);
  set.mutable_identity()->set_board_name("<b>bold</b> & \"quoted\"");
  set.mutable_test(0)->mutable_finding(0)->mutable_requirement()->set_sentence("1 < 2 & 'so' on\x01");
  const std::string page = page_of({set});
  EXPECT_EQ(complaint_about(page), "");
  EXPECT_FALSE(has(page, "<b>bold</b>")) << "<b>bold</b>";
  EXPECT_TRUE(has(page, "1 &lt; 2 &amp; &#39;so&#39; on?")) << "1 &lt; 2 &amp; &#39;so&#39; on?";
}

TEST(Page, LeavesMomentsUnlabelledBeforeItsPicturesAreBuriedInLabels) {
  proto::ResultSet set = sample_of("A");
  proto::Evidence& evidence = *set.mutable_test(0)->mutable_finding(0)->mutable_evidence();
  evidence.clear_moment();
  const double from_s = evidence.curve(0).time_s(0);
  for (int i = 0; i < 40; ++i) {
    proto::Moment& moment = *evidence.add_moment();
    moment.set_time_s(from_s + 0.001 * i);
    moment.set_label("load \"pump\" on at 0.43756734 of its rating");
  }
  const std::string page = page_of({set});
  std::size_t labels = 0;
  for (std::size_t at = 0; (at = page.find("on at 0.438 of its rating", at)) != std::string::npos; ++at) ++labels;
  EXPECT_GE(labels, 2U);
  EXPECT_LE(labels, 8U);  // rows of labels, one or two in each
  EXPECT_EQ(page.find("0.43756734"), std::string::npos);
}

TEST(Page, OfNoResultsSaysSo) {
  const std::string page = page_of({});
  EXPECT_EQ(complaint_about(page), "");
  EXPECT_TRUE(has(page, "There are no results to report")) << "There are no results to report";
}

TEST(Page, SurvivesEvidenceThatIsNoNumberOrCutShort) {
  proto::ResultSet set = set_with(11);
  proto::FindingRecord& finding = *set.mutable_test(0)->mutable_finding(0);
  proto::Curve& curve = *finding.mutable_evidence()->add_curve();
  curve.set_unit("V");
  curve.set_label("terminal voltage");
  for (const double t : {0.0, 1.0, 2.0}) curve.add_time_s(t);
  curve.add_low(std::nan(""));
  curve.add_low(3);
  for (int i = 0; i < 3; ++i) curve.add_high(4);
  const std::string page = page_of({set});
  EXPECT_EQ(complaint_about(page), "");
  EXPECT_TRUE(has(page, "<svg class=\"plot\"")) << "<svg class=\"plot\"";
}

TEST(Page, IsReplacedWholeOrNotAtAll) {
  const Scratch scratch;
  const auto page = scratch.folder() / "report.html";
  std::ofstream{page} << "yesterday's";
  EXPECT_THROW(write_html({scratch.folder() / "missing.pb"}, page), base::BadInput);
  EXPECT_EQ(text_of(page), "yesterday's");
}

TEST(ResultFile, ThatIsNoneIsNamed) {
  const Scratch scratch;
  const auto file = scratch.folder() / "notes.txt";
  std::ofstream{file} << "these are not the results you are looking for";
  try {
    static_cast<void>(exit_code({file}));
    FAIL() << "accepted a text file";
  } catch (const base::BadInput& e) {
    EXPECT_THAT(e.what(), HasSubstr("notes.txt"));
  }
}

TEST(ResultFiles, OfOneDeviceAreMergedWhereverTheyWereMade) {
  const std::string table = table_of({set_with(9), set_with(9.95)});
  EXPECT_THAT(table, HasSubstr("1 device, 2 tests: 1 PASS, 0 FAIL"));
  EXPECT_THAT(table, HasSubstr("9.95 V")) << "the worst of both is shown";
  EXPECT_THAT(table, Not(HasSubstr("9.00 V")));
}

TEST(Table, NamesTheFailureWithItsReasonAndCounts) {
  const std::string table = table_of({sample_of("A"), sample_of("B")});
  EXPECT_THAT(table, HasSubstr("ridge repeater controller, revision B at ridge repeater: FAIL"));
  EXPECT_THAT(table, HasSubstr("OVERSHOOT-LOAD-RELEASE"));
  EXPECT_THAT(table, HasSubstr("above the limit of 29.38 V"));
  EXPECT_THAT(table, HasSubstr("2 devices, 18 tests: 12 PASS, 2 FAIL, 1 INVALID, 1 VACUOUS, 1 other trouble\n"));
}

TEST(Table, IsSortedWorstFirst) {
  const std::string table = table_of({sample_of("B")});
  const auto fail = table.find("\nFAIL");
  const auto invalid = table.find("\nINVALID");
  const auto pass = table.find("\nPASS");
  EXPECT_LT(fail, invalid);
  EXPECT_LT(invalid, pass);
}

TEST(Table, ShowsEnoughDigitsToSeeANarrowFailure) {
  EXPECT_THAT(table_of({set_with(10.0004)}), HasSubstr("10.0004 V"));
}

TEST(ExitCode, IsZeroOnlyIfAllPass) {
  EXPECT_EQ(exit_code_of({set_with(9)}), 0);
  EXPECT_EQ(exit_code_of({set_with(11)}), 1);
  EXPECT_EQ(exit_code_of({set_with(9), set_with(11)}), 1);
}

TEST(ExitCode, IsTwoForWhatNobodyCanVouchFor) {
  EXPECT_EQ(exit_code_of({}), 2);
  EXPECT_EQ(exit_code_of({empty_set("A")}), 2);
  EXPECT_EQ(exit_code_of({sample_of("A")}), 2) << "one requirement is vacuous";
  proto::ResultSet lost = set_with(9);
  lost.mutable_test(0)->add_run()->set_invalid_because("the process died");
  EXPECT_EQ(exit_code_of({lost}), 2);
  proto::ResultSet dead = set_with(9);
  dead.set_complete(false);
  dead.set_planned(2);
  EXPECT_EQ(exit_code_of({dead}), 2);
}

TEST(ExitCode, AFailureOutweighsAnInvalidRun) {
  EXPECT_EQ(exit_code_of({sample_of("A"), sample_of("B")}), 1);
  proto::ResultSet problem = set_with(9);
  problem.mutable_test(0)->add_problem("the firmware crashed");
  EXPECT_EQ(exit_code_of({problem}), 1);
}

TEST(Page, TellsWhatTheBatteryWentThroughInEachRun) {
  const std::string page = page_of({sample_of("A")});
  EXPECT_TRUE(has(page, "What the battery went through"));
  EXPECT_TRUE(has(page, ">12.346<")) << "Ah in";
  EXPECT_TRUE(has(page, ">0.0321<")) << "Ah gassed";
  EXPECT_TRUE(has(page, "lateness of 60000 ticks: p50 20 us &lt;=20us 59990")) << "how the rig says it went";
  EXPECT_TRUE(has(page, "7.3 s above 31.5 V") || has(page, "7.2 s above 31.5 V"));
  proto::ResultSet older = set_with(9);
  older.mutable_test(0)->add_run()->set_seed(1);
  EXPECT_FALSE(has(page_of({older}), "What the battery went through")) << "a run that did not count";
}

TEST(Crash, IsNamedWithTheTestItHappenedIn) {
  proto::ResultSet dead = set_with(9);
  dead.set_complete(false);
  dead.set_planned(3);
  dead.set_running("Night.SwitchesTheGateOff");
  EXPECT_THAT(table_of({dead}),
              HasSubstr("INVALID  Night.SwitchesTheGateOff: the process that ran the tests died during "
                        "this one; 2 of 3 tests have no result"));
}

}  // namespace
}  // namespace dawnrig::report
