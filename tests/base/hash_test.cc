#include "harness/base/hash.h"

#include <gtest/gtest.h>

#include "harness/base/bad_input.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::base {
namespace {

using HashOfAFile = testing::ScratchFolder;

// The examples of FIPS 180-4.
constexpr std::string_view kOfNothing = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
constexpr std::string_view kOfAbc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
constexpr std::string_view kOfAMillionA = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0";

TEST(Hash, IsThatOfThePublishedExamples) {
  EXPECT_EQ(sha256_hex(std::string_view{}), kOfNothing);
  EXPECT_EQ(sha256_hex("abc"), kOfAbc);
  EXPECT_EQ(sha256_hex(std::string(1'000'000, 'a')), kOfAMillionA);
}

TEST(Hash, IsTheSameInPiecesAndCanBeAskedInBetween) {
  Sha256 hash;
  EXPECT_EQ(hash.hex(), kOfNothing);
  hash.update("ab");
  const std::string halfway = hash.hex();
  hash.update("c");
  EXPECT_EQ(hash.hex(), kOfAbc);
  EXPECT_NE(halfway, kOfAbc);
}

TEST_F(HashOfAFile, IsThatOfItsBytesHoweverMany) {
  EXPECT_EQ(sha256_of_file(write("empty", "")), kOfNothing);
  EXPECT_EQ(sha256_of_file(write("million", std::string(1'000'000, 'a'))), kOfAMillionA);
}

TEST_F(HashOfAFile, IsRefusedForAFileThatIsNotThere) {
  EXPECT_THROW((void)sha256_of_file(place("nothing")), BadInput);
  EXPECT_THROW((void)sha256_of_file(place("")), BadInput);
}

}  // namespace
}  // namespace dawnrig::base
