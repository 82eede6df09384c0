#include "harness/base/files.h"

#include <gtest/gtest.h>

#include "harness/base/bad_input.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::base {
namespace {

class Files : public testing::ScratchFolder {
 protected:
  [[nodiscard]] std::string fault_of(const std::filesystem::path& file, std::size_t limit = kSaneFileBytes) const {
    try {
      (void)read_file(file, limit);
    } catch (const BadInput& fault) {
      return local(fault.what());
    }
    return "read without a fault";
  }
};

TEST_F(Files, AreReadToTheLastByte) {
  const std::string bytes("a\0b\r\n\xFF", 6);
  EXPECT_EQ(read_text(write("some.bin", bytes)), bytes);
  EXPECT_EQ(read_file(place("some.bin")).size(), 6U);
  EXPECT_TRUE(read_file(write("empty", "")).empty());
}

TEST_F(Files, LargerThanAPieceAreReadWhole) {
  const std::string bytes(200'001, 'x');
  EXPECT_EQ(read_text(write("large", bytes)), bytes);
}

TEST_F(Files, ThatAreMissingAreToldWithTheNameThatWasMeant) {
  (void)write("board_a.textproto", "x");
  (void)write("board_b.textproto", "x");
  EXPECT_EQ(fault_of(place("baord_b.textproto")), "baord_b.textproto: does not exist; did you mean board_b.textproto?");
  EXPECT_EQ(fault_of(place("firmware.elf")), "firmware.elf: does not exist");
  const std::string folder = place("no").string();
  EXPECT_EQ(fault_of(place("no/such.elf")), "no/such.elf: does not exist: there is no folder no");
  EXPECT_EQ(fault_of(""), "no file name was given");
}

TEST_F(Files, ThatAreNoFilesAreRefused) {
  std::filesystem::create_directory(place("folder"));
  EXPECT_EQ(fault_of(place("folder")), "folder: is a folder, must be a file");
  EXPECT_EQ(fault_of("/dev/null"), "/dev/null: is not a regular file");
}

TEST_F(Files, BeyondALimitAreRefusedAndAtItRead) {
  const auto file = write("ten", "0123456789");
  EXPECT_EQ(fault_of(file, 10), "read without a fault");
  EXPECT_EQ(fault_of(file, 9), "ten: is larger than 9 bytes; is it the right file?");
}

TEST_F(Files, ThatMayNotBeReadAreToldSo) {
  const auto file = write("secret", "x");
  std::filesystem::permissions(file, std::filesystem::perms::none);
  // The superuser may read everything; for everybody else the reason is given.
  const std::string wanted = geteuid() == 0 ? "read without a fault" : "secret: cannot be read: Permission denied";
  EXPECT_EQ(fault_of(file), wanted);
}

}  // namespace
}  // namespace dawnrig::base
