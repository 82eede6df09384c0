// The page of what was worked out: well-formed, complete, and safe with whatever a profile calls its channels.
#include "harness/report/sheet.h"

#include <gmock/gmock.h>

#include "tests/report/tag_balance.h"

namespace dawnrig::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

Sheet sample() {
  Sheet sheet{"Channel 'a<b>' & co", "where \"it\" is from", {}};
  SheetSection first{"First", {"The answer < 3.", "A reason."}, {}, {}, "#include <stdint.h>\n"};
  first.tables.push_back({{{"part", false}, {"mV", true}}, {{"r_top & r_bottom", "−1.5"}}, false, "What they are"});
  first.tables.push_back({{{"x", true}}, {{"1"}, {"2"}}, true, ""});
  first.pictures.push_back({"A <picture>", "x", {{"y", {{"curve", {0, 1}, {0, 1}}}}}});
  sheet.sections = {first, {"Second", {"Another answer."}, {}, {}, ""}};
  return sheet;
}

TEST(Sheet, IsWellFormedWhateverItIsTold) {
  const std::string page = sheet_html(sample());
  EXPECT_EQ(complaint_about(page), "");
  EXPECT_THAT(page, Not(HasSubstr("a<b>")));
  EXPECT_THAT(page, HasSubstr("r_top &amp; r_bottom"));
  EXPECT_THAT(page, HasSubstr("#include &lt;stdint.h&gt;"));
}

TEST(Sheet, PutsTheAnswersFirstAndFoldsLongTables) {
  const std::string page = sheet_html(sample());
  EXPECT_LT(page.find("Another answer."), page.find("A reason.")) << "answers of all sections stand before the first";
  EXPECT_THAT(page, HasSubstr("<summary>All 2 rows</summary>"));
  EXPECT_THAT(page, HasSubstr("<p class=\"caption\">What they are</p>"));
  Sheet alone = sample();
  alone.sections.resize(1);
  EXPECT_THAT(sheet_html(alone), Not(HasSubstr("class=\"answers\""))) << "one answer needs no list";
}

}  // namespace
}  // namespace dawnrig::report
