#include "harness/base/bad_input.h"

#include <gtest/gtest.h>

namespace dawnrig::base {
namespace {

TEST(Complaint, NamesFileLineColumnFieldAndWhatIsWrong) {
  const Complaint complaint{"board.textproto", 12, 5, "mcu.clock_hz", "is 0, must be at least 100000"};
  EXPECT_EQ(complaint.text(), "board.textproto:12:5: mcu.clock_hz: is 0, must be at least 100000");
}

TEST(Complaint, LeavesOutWhatDoesNotApply) {
  EXPECT_EQ((Complaint{"a.hex", 3, 0, "", "has a wrong checksum"}).text(), "a.hex:3: has a wrong checksum");
  EXPECT_EQ((Complaint{"a.hex", 0, 0, "", "is empty"}).text(), "a.hex: is empty");
  EXPECT_EQ((Complaint{"", 0, 0, "--seed", "is -1"}).text(), "--seed: is -1");
  EXPECT_EQ((Complaint{"", 0, 0, "", "no file was given"}).text(), "no file was given");
}

TEST(BadInput, SaysEveryComplaintOnALineOfItsOwn) {
  const BadInput fault({{"a", 1, 2, "x", "is bad"}, {"a", 3, 4, "y", "is worse"}});
  EXPECT_STREQ(fault.what(), "a:1:2: x: is bad\na:3:4: y: is worse");
  EXPECT_EQ(fault.complaints().size(), 2U);
  EXPECT_STREQ(BadInput("a", "is empty").what(), "a: is empty");
}

}  // namespace
}  // namespace dawnrig::base
