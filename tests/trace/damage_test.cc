// Traces whose writer died, whose disk was full, whose bytes were changed, or which are no traces.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <string>

#include "harness/trace/block_writer.h"
#include "harness/trace/recorder.h"
#include "tests/trace/trace_files.h"
#include "trace.pb.h"

namespace dawnrig::trace {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
constexpr auto kV = static_cast<std::size_t>(Signal::kTerminalV);

class DamagedTrace : public InAFolder {
 protected:
  std::string small_trace() {
    Recorder recorder{folder_ / "whole.trace", some_identity(), {.interval = ms(500), .event_window = ms(2)}};
    MadeUpRun run;
    run.play(recorder, ms(1200));
    recorder.on_event({run.now(), EventKind::kStimulus, "dusk"});
    run.play(recorder, ms(2600));
    recorder.finish(run.now(), "");
    return contents_of(folder_ / "whole.trace");
  }

  std::string complaint(const std::filesystem::path& file) {
    return complaint_of<base::BadInput>([&] { static_cast<void>(read_trace(file)); });
  }

  // Where the block that begins at `at` ends.
  static std::size_t block_end(const std::string& bytes, std::size_t at) {
    std::size_t size = 0;
    for (std::size_t i = 4; i-- > 0;) size = size * 256 + static_cast<unsigned char>(bytes[at + i]);
    return at + 8 + size;
  }

  // Whatever was read is a beginning of the whole run.
  static void expect_beginning(const Trace& part, const Trace& whole) {
    ASSERT_LE(part.intervals.start.size(), whole.intervals.start.size());
    for (std::size_t i = 0; i < part.intervals.start.size(); ++i) {
      ASSERT_EQ(part.intervals.start[i], whole.intervals.start[i]);
      ASSERT_EQ(part.intervals.mean[kV][i], whole.intervals.mean[kV][i]);
    }
    ASSERT_LE(part.events.size(), whole.events.size());
    ASSERT_LE(part.windows.size(), whole.windows.size());
    ASSERT_LE(part.end, whole.intervals.start.back() + whole.intervals.interval);
  }
};

TEST_F(DamagedTrace, CutOffAtAnyByteIsReadableUpToThere) {
  const std::string bytes = small_trace();
  const Trace whole = read_trace(folder_ / "whole.trace");
  std::size_t readable_from = 0;
  std::size_t most_intervals = 0;
  const auto file = write("cut.trace", "");
  for (std::size_t length = 1; length < bytes.size(); ++length) {
    std::ofstream{file, std::ios::binary | std::ios::app} << bytes[length - 1];
    Trace part;
    const std::string message = complaint_of<base::BadInput>([&] { part = read_trace(file); });
    if (message != kNothing) {
      ASSERT_EQ(readable_from, 0U) << "readable at a shorter length, not at " << length;
      ASSERT_THAT(message, AllOf(HasSubstr("cut.trace"), HasSubstr("no readable header")));
      continue;
    }
    if (readable_from == 0) readable_from = length;
    ASSERT_FALSE(part.complete) << length << " of " << bytes.size() << " bytes";
    ASSERT_GE(part.intervals.start.size(), most_intervals);
    most_intervals = part.intervals.start.size();
    expect_beginning(part, whole);
  }
  EXPECT_GT(readable_from, 8U);
  EXPECT_EQ(most_intervals, whole.intervals.start.size()) << "all but the end block";
}

TEST_F(DamagedTrace, WithAChangedByteIsReadableUpToTheChange) {
  const std::string bytes = small_trace();
  const Trace whole = read_trace(folder_ / "whole.trace");
  const auto file = write("changed.trace", bytes);
  const auto put = [&](std::size_t at, char byte) {
    std::fstream stream{file, std::ios::binary | std::ios::in | std::ios::out};
    stream.seekp(static_cast<std::streamoff>(at)) << byte;
  };
  for (std::size_t at = 0; at < bytes.size(); ++at) {
    if (at > 0) put(at - 1, bytes[at - 1]);
    put(at, static_cast<char>(bytes[at] ^ 0x10));
    Trace part;
    if (complaint_of<base::BadInput>([&] { part = read_trace(file); }) != kNothing) continue;
    ASSERT_FALSE(part.complete) << "byte " << at;
    expect_beginning(part, whole);
  }
}

TEST_F(DamagedTrace, WithRubbishBehindItsEndIsComplete) {
  EXPECT_TRUE(read_trace(write("more.trace", small_trace() + "rubbish, and more of it")).complete);
}

TEST_F(DamagedTrace, FromWhichAWholeBlockWasTakenIsNotVouchedFor) {
  const std::string bytes = small_trace();
  const std::size_t first = block_end(bytes, 8);
  const std::string altered = bytes.substr(0, first) + bytes.substr(block_end(bytes, first));
  const Trace trace = read_trace(write("altered.trace", altered));
  EXPECT_TRUE(trace.complete);
  EXPECT_THAT(trace.invalid_because, HasSubstr("was altered after the run"));
  EXPECT_EQ(read_trace(folder_ / "whole.trace").invalid_because, "");
}

TEST_F(DamagedTrace, WhoseBlocksContradictEachOtherIsReadUpToThere) {
  const auto intervals_after = [&](const proto::TraceBlock& odd) {
    BlockWriter writer{folder_ / "odd.trace"};
    proto::TraceBlock block;
    block.mutable_header()->add_signal("terminal_v");
    block.mutable_header()->set_interval_ns(100);
    writer.write(block, BlockWriter::Counts::kNo);
    auto& rows = *block.mutable_intervals();
    rows.set_count(1);
    for (auto* column : {rows.mutable_min(), rows.mutable_mean(), rows.mutable_max()}) column->Add(12.5F);
    writer.write(block, BlockWriter::Counts::kYes);
    writer.write(odd, BlockWriter::Counts::kYes);
    rows.set_first_start_ns(100);
    writer.write(block, BlockWriter::Counts::kYes);
    return read_trace(folder_ / "odd.trace").intervals.start.size();
  };
  proto::TraceBlock odd;
  odd.mutable_events();
  EXPECT_EQ(intervals_after(odd), 2U) << "nothing wrong here";
  auto& rows = *odd.mutable_intervals();
  rows.set_first_start_ns(50);
  EXPECT_EQ(intervals_after(odd), 1U) << "no intervals";
  rows.set_count(1);
  EXPECT_EQ(intervals_after(odd), 1U) << "intervals without values";
  for (auto* column : {rows.mutable_min(), rows.mutable_mean(), rows.mutable_max()}) column->Add(12.5F);
  rows.set_first_start_ns(0);
  EXPECT_EQ(intervals_after(odd), 1U) << "an interval twice";
  auto& window = *odd.mutable_window();
  EXPECT_EQ(intervals_after(odd), 1U) << "a window without samples";
  for (const int t : {7, 6}) window.add_time_ns(t);
  window.add_value(1);
  EXPECT_EQ(intervals_after(odd), 1U) << "fewer values than samples";
  window.add_value(2);
  EXPECT_EQ(intervals_after(odd), 1U) << "time that goes back";
  window.set_time_ns(1, 8);
  EXPECT_EQ(intervals_after(odd), 2U) << "a window in order";
}

TEST_F(DamagedTrace, OfAKilledWriterHasAllButTheLastSecond) {
  const auto file = folder_ / "killed.trace";
  const pid_t child = ::fork();
  ASSERT_GE(child, 0);
  if (child == 0) {
    Recorder recorder{file, some_identity(), {}};
    MadeUpRun run;
    run.play(recorder, ms(6'500));
    recorder.on_event({run.now(), EventKind::kReset, "watchdog"});
    run.play(recorder, ms(7'950));
    ::kill(::getpid(), SIGKILL);
  }
  int status = 0;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  ASSERT_TRUE(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
  const Trace trace = read_trace(file);
  EXPECT_FALSE(trace.complete);
  EXPECT_EQ(trace.intervals.start.size(), 70U);
  EXPECT_EQ(trace.end, ms(7000));
  EXPECT_EQ(trace.events.size(), 1U);
  EXPECT_EQ(trace.windows.size(), 1U);
}

TEST_F(DamagedTrace, OfAFullDiskSaysSoAndStaysReadable) {
  const auto file = folder_ / "full.trace";
  const pid_t child = ::fork();
  ASSERT_GE(child, 0);
  if (child == 0) {
    // A limit on the size of files acts as a disk that is full; without the signal, as a full disk has none.
    ::signal(SIGXFSZ, SIG_IGN);
    const rlimit limit{20'000, RLIM_INFINITY};
    ::setrlimit(RLIMIT_FSIZE, &limit);
    Recorder recorder{file, some_identity(), {}};
    const std::string message = complaint_of<base::RunFault>([&] { MadeUpRun{}.play(recorder, ms(600'000)); });
    // Room again: what was lost in between must not be papered over.
    const rlimit no_limit{RLIM_INFINITY, RLIM_INFINITY};
    ::setrlimit(RLIMIT_FSIZE, &no_limit);
    const std::string again = complaint_of<base::RunFault>([&] { recorder.finish(ms(600'000), ""); });
    const bool clear = again == message &&
                       message.find("full.trace: the trace cannot be written") != std::string::npos &&
                       message.find("what was recorded before is kept") != std::string::npos;
    ::_exit(clear ? 0 : 1);
  }
  int status = 0;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  ASSERT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 0) << "no clear message";
  const Trace trace = read_trace(file);
  EXPECT_FALSE(trace.complete);
  EXPECT_GT(trace.intervals.start.size(), 100U);
  EXPECT_EQ(trace.intervals.start.size() % 10, 0U) << "whole blocks of a second each";
  EXPECT_LE(std::filesystem::file_size(file), 20'000U);
  EXPECT_GT(std::filesystem::file_size(file), 18'000U);
  const std::string bytes = contents_of(file);
  std::size_t at = 8;
  while (at < bytes.size()) at = block_end(bytes, at);
  EXPECT_EQ(at, bytes.size()) << "no half block at the end";
}

TEST_F(DamagedTrace, OfADeviceThatIsAlwaysFullSaysWhy) {
  EXPECT_THAT(complaint_of<base::RunFault>([] { Recorder("/dev/full", {}, {}); }),
              AllOf(HasSubstr("/dev/full"), HasSubstr("No space left on device")));
}

TEST_F(DamagedTrace, IsToldFromAFileThatIsNone) {
  EXPECT_THAT(complaint(folder_ / "none.trace"), HasSubstr("none.trace"));
  EXPECT_THAT(complaint(folder_), AllOf(HasSubstr(folder_.string()), HasSubstr("folder")));
  EXPECT_THAT(complaint(write("empty.trace", "")), AllOf(HasSubstr("empty.trace"), HasSubstr("is empty")));
  EXPECT_THAT(complaint(write("letter.txt", "Dear hut warden,")),
              AllOf(HasSubstr("letter.txt"), HasSubstr("is not a trace")));
  EXPECT_THAT(complaint(write("bare.trace", "DAWNTRC1")), HasSubstr("no readable header"));
  EXPECT_THAT(complaint(write("huge.trace", "DAWNTRC1\xFF\xFF\xFF\xFF????rubbish")), HasSubstr("no readable header"));
}

}  // namespace
}  // namespace dawnrig::trace
