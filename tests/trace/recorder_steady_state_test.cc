// What a recorder costs while it runs: no allocations, bounded memory, few bytes.
#include <gtest/gtest.h>

#include <atomic>
#include <cstddef>
#include <cstdlib>
#include <new>

#include "harness/trace/recorder.h"
#include "tests/trace/stretch_of.h"
#include "tests/trace/trace_files.h"

namespace {

std::atomic<long> allocations{0};
std::atomic<long> live_bytes{0};

// Each piece of memory carries its size in front, so that what is given back can be counted too.
constexpr std::size_t kFront = alignof(std::max_align_t);

void* counted(std::size_t size) {
  void* memory = std::malloc(kFront + size);
  if (memory == nullptr) throw std::bad_alloc{};
  ++allocations;
  live_bytes += static_cast<long>(size);
  *static_cast<std::size_t*>(memory) = size;
  return static_cast<char*>(memory) + kFront;
}

void give_back(void* memory) noexcept {
  if (memory == nullptr) return;
  void* front = static_cast<char*>(memory) - kFront;
  live_bytes -= static_cast<long>(*static_cast<std::size_t*>(front));
  std::free(front);
}

}  // namespace

void* operator new(std::size_t size) {
  return counted(size);
}
void* operator new[](std::size_t size) {
  return counted(size);
}
void operator delete(void* memory) noexcept {
  give_back(memory);
}
void operator delete[](void* memory) noexcept {
  give_back(memory);
}
void operator delete(void* memory, std::size_t) noexcept {
  give_back(memory);
}
void operator delete[](void* memory, std::size_t) noexcept {
  give_back(memory);
}

namespace dawnrig::trace {
namespace {

class SteadyState : public InAFolder {};

TEST_F(SteadyState, OfARecorderAllocatesNothingPerSample) {
  Recorder recorder{folder_ / "run.trace", some_identity(), {}};
  MadeUpRun run;
  // Warm up: one block of each kind, and the largest window there will be.
  for (int i = 0; i < 400; ++i) {
    recorder.on_event({run.now(), EventKind::kStimulus, "a cloud"});
    run.play(recorder, run.now() + ms(10));
  }
  run.play(recorder, run.now() + ms(2000));
  const long before = allocations;
  run.play(recorder, run.now() + ms(20'000));
  EXPECT_EQ(allocations - before, 0) << "in twenty seconds without events";
  long by_samples = 0;
  for (int i = 0; i < 100; ++i) {
    recorder.on_event({run.now(), EventKind::kStimulus, "a cloud"});
    const long at_event = allocations;
    run.play(recorder, run.now() + ms(50));
    by_samples += allocations - at_event;
  }
  EXPECT_EQ(by_samples, 0) << "in five seconds inside windows";
}

TEST_F(SteadyState, OfARecorderAllocatesNothingPerStretch) {
  Recorder recorder{folder_ / "run.trace", some_identity(), {.interval = ms(10)}};
  RandomWalk walk{2};
  long by_stretches = 0;
  for (int i = 0; i < 12'000; ++i) {  // of 0.8 ms each
    const RandomWalk::Leg leg = walk.next(Nanos{150'000});
    const StretchOf stretch{leg.before, leg.steps};
    if (i % 50 == 0) recorder.on_event({walk.now() - stretch.duration(), EventKind::kStimulus, "a cloud"});
    const long before = allocations;
    for (const Sample& sample : leg.jump) recorder.on_sample(sample);
    recorder.on_stretch(stretch);
    if (i > 4000) by_stretches += allocations - before;  // after one block of each kind
  }
  EXPECT_EQ(by_stretches, 0) << "in six seconds, half of them inside windows";
}

TEST_F(SteadyState, OfARecorderUsesNoMoreMemoryAfterTwentyMinutesThanAfterOne) {
  Recorder recorder{folder_ / "run.trace", some_identity(), {}};
  MadeUpRun run;
  const auto play_seconds = [&](int seconds) {
    for (int i = 0; i < seconds; ++i) {
      run.play(recorder, run.now() + ms(200));
      recorder.on_event({run.now(), EventKind::kReset, "watchdog"});
      recorder.on_event({run.now(), EventKind::kSerialOut, std::string(200, 'x')});
      run.play(recorder, run.now() + ms(800));
    }
    return live_bytes.load();
  };
  const long early = play_seconds(60);
  const long late = play_seconds(1200);
  EXPECT_LE(late, early + 4096);
  EXPECT_GT(early, 100'000) << "the counting does not count";
}

}  // namespace
}  // namespace dawnrig::trace
