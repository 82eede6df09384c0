#include "harness/base/atomic_file.h"

#include <gtest/gtest.h>
#include <sys/resource.h>

#include <csignal>
#include <ostream>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::base {
namespace {

// No file of this process grows beyond so much, as on a disk that fills up.
class SmallDisk {
 public:
  explicit SmallDisk(rlim_t bytes) {
    getrlimit(RLIMIT_FSIZE, &before_);
    const rlimit small{bytes, before_.rlim_max};
    setrlimit(RLIMIT_FSIZE, &small);
    std::signal(SIGXFSZ, SIG_IGN);
  }
  ~SmallDisk() {
    setrlimit(RLIMIT_FSIZE, &before_);
    std::signal(SIGXFSZ, SIG_DFL);
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;

 private:
  rlimit before_{};
};

class AtomicFiles : public testing::ScratchFolder {
 protected:
  [[nodiscard]] std::string fault_of(const std::filesystem::path& target) const {
    try {
      const AtomicFile file(target);
    } catch (const BadInput& fault) {
      return local(fault.what());
    }
    return "opened without a fault";
  }
  [[nodiscard]] std::ptrdiff_t files_here() const {
    return std::distance(std::filesystem::directory_iterator(place("")), {});
  }
};

TEST_F(AtomicFiles, AppearWholeAtTheCommitAndNotBefore) {
  AtomicFile file(place("trace"));
  file.stream() << "first" << std::string(100'000, '.') << "last";
  EXPECT_FALSE(std::filesystem::exists(place("trace")));
  file.commit();
  const std::string text = read_text(place("trace"));
  EXPECT_EQ(text.size(), 100'009U);
  EXPECT_TRUE(text.ends_with("last"));
  EXPECT_EQ(files_here(), 1);
}

TEST_F(AtomicFiles, LeaveTheOldOneAloneWhenAbandoned) {
  (void)write("trace", "old");
  {
    AtomicFile file(place("trace"));
    file.stream() << "half of a new";
  }
  EXPECT_EQ(read_text(place("trace")), "old");
  EXPECT_EQ(files_here(), 1);
}

TEST_F(AtomicFiles, ReplaceTheOldOneAtTheCommit) {
  (void)write("trace", "old and longer");
  AtomicFile file(place("trace"));
  file.stream() << "new";
  file.commit();
  EXPECT_EQ(read_text(place("trace")), "new");
}

TEST_F(AtomicFiles, OfTheSameNameDoNotDisturbEachOther) {
  AtomicFile one(place("trace"));
  AtomicFile two(place("trace"));
  one.stream() << "one";
  two.stream() << "two";
  two.commit();
  one.commit();
  EXPECT_EQ(read_text(place("trace")), "one");
  EXPECT_EQ(files_here(), 1);
}

TEST_F(AtomicFiles, FollowASymbolicLink) {
  (void)write("real", "old");
  std::filesystem::create_symlink(place("real"), place("link"));
  AtomicFile file(place("link"));
  file.stream() << "new";
  file.commit();
  EXPECT_TRUE(std::filesystem::is_symlink(place("link")));
  EXPECT_EQ(read_text(place("real")), "new");
}

TEST_F(AtomicFiles, AreRefusedWhereNoFileCanBe) {
  std::filesystem::create_directory(place("folder"));
  EXPECT_EQ(fault_of(place("folder")), "folder: is a folder, must be a file name");
  EXPECT_EQ(fault_of(place("no/trace")), "no/trace: cannot be written: there is no folder no");
  EXPECT_EQ(fault_of("/dev/null"), "/dev/null: is not a regular file");
  EXPECT_EQ(fault_of(""), "no file name was given");
  EXPECT_TRUE(fault_of("/proc/trace").starts_with("/proc/trace: cannot be written: ")) << fault_of("/proc/trace");
}

TEST_F(AtomicFiles, OnAFullDiskKeepTheOldOneAndSaySo) {
  (void)write("trace", "old");
  const SmallDisk disk(1000);
  {
    AtomicFile file(place("trace"));
    file.stream() << std::string(200'000, 'x');
    EXPECT_FALSE(file.stream().good());
    try {
      file.commit();
      FAIL() << "a file was committed that has lost bytes";
    } catch (const RunFault& fault) {
      EXPECT_EQ(local(fault.what()), "trace: cannot be written: File too large");
    }
  }
  EXPECT_EQ(read_text(place("trace")), "old");
  EXPECT_EQ(files_here(), 1);
}

TEST_F(AtomicFiles, NoticeAFullDiskEvenIfOnlyTheLastBytesDoNotFit) {
  const SmallDisk disk(1000);
  AtomicFile file(place("trace"));
  file.stream() << std::string(1001, 'x');
  EXPECT_THROW(file.commit(), RunFault);
  EXPECT_FALSE(std::filesystem::exists(place("trace")));
}

}  // namespace
}  // namespace dawnrig::base
