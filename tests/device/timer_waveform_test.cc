// Every timer of both parts, in every waveform mode: edges against the closed form of the data sheet, to the cycle.
#include <gtest/gtest.h>

#include <limits>

#include "tests/device/device_bench.h"
#include "tests/device/timer_map.h"

namespace dawnrig::device {
namespace {

enum class Shape { kCounts, kClears, kFast, kDual };
struct Mode {
  const char* name;
  unsigned wgm;
  Shape shape;
  char top_from;  ///< 'f' fixed, 'a' compare register A, 'i' capture register
  int top;
};

std::vector<Mode> modes_of(const TimerMap& timer) {
  if (!timer.wide) {
    return {{"normal", 0, Shape::kCounts, 'f', 0xFF},
            {"phase correct", 1, Shape::kDual, 'f', 0xFF},
            {"clear on match", 2, Shape::kClears, 'a', 99},
            {"fast", 3, Shape::kFast, 'f', 0xFF},
            {"phase correct to OCRA", 5, Shape::kDual, 'a', 99},
            {"fast to OCRA", 7, Shape::kFast, 'a', 99}};
  }
  return {{"phase correct 8 bit", 1, Shape::kDual, 'f', 0xFF},
          {"phase correct 9 bit", 2, Shape::kDual, 'f', 0x1FF},
          {"phase correct 10 bit", 3, Shape::kDual, 'f', 0x3FF},
          {"clear on match", 4, Shape::kClears, 'a', 999},
          {"fast 8 bit", 5, Shape::kFast, 'f', 0xFF},
          {"fast 9 bit", 6, Shape::kFast, 'f', 0x1FF},
          {"fast 10 bit", 7, Shape::kFast, 'f', 0x3FF},
          {"phase and frequency correct to ICR", 8, Shape::kDual, 'i', 800},
          {"phase and frequency correct to OCRA", 9, Shape::kDual, 'a', 800},
          {"phase correct to ICR", 10, Shape::kDual, 'i', 800},
          {"phase correct to OCRA", 11, Shape::kDual, 'a', 800},
          {"clear on match with ICR", 12, Shape::kClears, 'i', 999},
          {"fast to ICR", 14, Shape::kFast, 'i', 800},
          {"fast to OCRA", 15, Shape::kFast, 'a', 800}};
}

constexpr int kCompare[3] = {23, 70, 7};  // below every top used here

int top_bits(const TimerMap& timer, const Mode& mode) {
  return timer.wide && mode.shape == Shape::kCounts ? 0xFFFF : mode.top;
}

/// Outputs driven by COM bits `com` on every channel; the counter starts last.
Script setup(const TimerMap& timer, const Mode& mode, unsigned com, unsigned clock_select) {
  Script script;
  for (const Pin& pin : timer.outputs) {
    script.write(ddr_of(pin), 0xFF);
  }
  unsigned com_bits = com << 6U | com << 4U;
  if (timer.compare.size() > 2) {
    com_bits |= com << 2U;
  }
  script.write(timer.control_a, com_bits | (mode.wgm & 3U));
  script.write(timer.control_a + 1, (mode.wgm >> 2U) << 3U);
  for (std::size_t i = 0; i < timer.compare.size(); ++i) {
    const auto value = static_cast<unsigned>(i == 0 && mode.top_from == 'a' ? mode.top : kCompare[i]);
    timer.wide ? script.write_word(timer.compare[i], value) : script.write(timer.compare[i], value);
  }
  if (mode.top_from == 'i') {
    script.write_word(timer.top, static_cast<unsigned>(mode.top));
  }
  return script.write(timer.control_a + 1, ((mode.wgm >> 2U) << 3U) | clock_select);
}

struct Expected {
  Cycle high{0};
  Cycle low{0};
};

/// Cycles high and low of a channel whose COM bits are `com`; both zero: no edge at all.
Expected expected(const Mode& mode, int compare, bool is_top_channel, unsigned com, int top, Cycle prescale) {
  Expected result;
  if (mode.shape == Shape::kCounts || mode.shape == Shape::kClears) {
    if (com == 1) {
      result.high = result.low = (top + 1) * prescale;
    }
    return result;  // set or clear on match without PWM: once, then static
  }
  if (is_top_channel) {
    return result;  // compare value equals TOP: static
  }
  if (mode.shape == Shape::kFast) {
    result.high = (compare + 1) * prescale;
    result.low = (top - compare) * prescale;
  } else {
    result.high = Cycle{2} * compare * prescale;
    result.low = Cycle{2} * (top - compare) * prescale;
  }
  if (com == 3) {
    std::swap(result.high, result.low);
  }
  return result;
}

class EveryTimer : public testing::TestWithParam<TimerMap> {};

void check_mode(const TimerMap& timer, const Mode& mode, unsigned com, unsigned clock_select, Cycle prescale) {
  SCOPED_TRACE(testing::Message() << name_of(timer) << ", " << mode.name << ", COM " << com << ", prescale "
                                  << prescale);
  const int top = top_bits(timer, mode);
  Player player(setup(timer, mode, com, clock_select), timer.outputs, timer.part);
  const Cycle settled = 4'000 + Cycle{5} * (top + 1) * prescale;
  ASSERT_EQ(player.device.run_until(settled + Cycle{9} * (top + 1) * prescale), RunStatus::kRunning);
  for (std::size_t i = 0; i < timer.outputs.size(); ++i) {
    const Expected wave = expected(mode, kCompare[i], i == 0 && mode.top_from == 'a', com, top, prescale);
    const auto edges = player.witness.of(timer.outputs[i]);
    int seen = 0;
    for (std::size_t k = 0; k + 1 < edges.size(); ++k) {
      if (edges[k].at < settled) {
        continue;
      }
      ++seen;
      const Cycle width = edges[k + 1].at - edges[k].at;
      ASSERT_EQ(width, edges[k].drive == Drive::kHigh ? wave.high : wave.low)
          << "channel " << i << " went " << (edges[k].drive == Drive::kHigh ? "high" : "low") << " at " << edges[k].at;
    }
    EXPECT_EQ(seen >= 5, wave.high > 0) << "channel " << i << " showed " << seen << " pulses and gaps";
    EXPECT_TRUE(wave.high > 0 || seen == 0) << "channel " << i << " should be static";
  }
}

TEST_P(EveryTimer, HasTheEdgesOfTheClosedFormInEveryMode) {
  for (const Mode& mode : modes_of(GetParam())) {
    const bool pwm = mode.shape == Shape::kFast || mode.shape == Shape::kDual;
    for (const unsigned com : pwm ? std::vector<unsigned>{2, 3} : std::vector<unsigned>{1, 2, 3}) {
      check_mode(GetParam(), mode, com, 1, 1);
      check_mode(GetParam(), mode, com, 2, 8);
    }
  }
}

TEST_P(EveryTimer, ForetellsWhenItWillMoveAPinNext) {
  const TimerMap& timer = GetParam();
  for (const Mode& mode : modes_of(timer)) {
    SCOPED_TRACE(testing::Message() << name_of(timer) << ", " << mode.name);
    const bool pwm = mode.shape == Shape::kFast || mode.shape == Shape::kDual;
    Player player(setup(timer, mode, pwm ? 2 : 1, 2), timer.outputs, timer.part);
    ASSERT_EQ(player.device.run_until(4'000 + Cycle{40} * (top_bits(timer, mode) + 1)), RunStatus::kRunning);
    for (int edge = 0; edge < 20; ++edge) {
      const std::size_t before = player.witness.pins.size();
      const Cycle foretold = player.device.next_timed_edge();
      ASSERT_GE(foretold, player.device.now());
      ASSERT_LT(foretold, player.device.now() + Cycle{16} * (top_bits(timer, mode) + 1));
      ASSERT_EQ(player.device.run_until(foretold + 1), RunStatus::kRunning);
      ASSERT_GT(player.witness.pins.size(), before);
      ASSERT_EQ(player.witness.pins[before].at, foretold) << "edge " << edge;
    }
  }
}

TEST(TimedEdges, AreForetoldByNoTimerThatStandsOrHasNoPin) {
  const TimerMap timer = all_timers().front();
  Script script;
  Player standing(script, timer.outputs, timer.part);
  ASSERT_EQ(standing.device.run_until(10'000), RunStatus::kRunning);
  EXPECT_EQ(standing.device.next_timed_edge(), std::numeric_limits<Cycle>::max());
}

TEST_P(EveryTimer, TogglesChannelAAtHalfTheFrequencyWhenItsRegisterIsTop) {
  for (const Mode& mode : modes_of(GetParam())) {
    if (mode.top_from != 'a' || mode.shape == Shape::kClears) {
      continue;
    }
    SCOPED_TRACE(mode.name);
    Player player(setup(GetParam(), mode, 1, 1), GetParam().outputs, GetParam().part);
    player.device.run_until(40'000);
    const auto edges = player.witness.of(GetParam().outputs[0]);
    ASSERT_GT(edges.size(), 10U);
    const Cycle half = mode.shape == Shape::kFast ? mode.top + 1 : 2 * mode.top;
    for (std::size_t k = 4; k + 1 < edges.size(); ++k) {
      ASSERT_EQ(edges[k + 1].at - edges[k].at, half) << "at " << edges[k].at;
    }
    EXPECT_EQ(player.witness.of(GetParam().outputs[1]).size(), 1U) << "only channel A toggles; B stays with the port";
  }
}

/// Both channels of a phase-correct timer are centred on the same instant; both of a fast one rise together.
TEST_P(EveryTimer, LinesItsChannelsUp) {
  const TimerMap& timer = GetParam();
  for (const Mode& mode : modes_of(timer)) {
    if (mode.top_from == 'a' || (mode.shape != Shape::kFast && mode.shape != Shape::kDual)) {
      continue;
    }
    SCOPED_TRACE(mode.name);
    Player player(setup(timer, mode, 2, 2), timer.outputs, timer.part);
    player.device.run_until(100'000);
    const auto last_pulse = [&player](Pin pin) {
      const auto edges = player.witness.of(pin);
      std::size_t k = edges.size() - 1;
      while (edges[k].drive != Drive::kLow || edges[k].at > 90'000) {
        --k;
      }
      return std::pair{edges[k - 1].at, edges[k].at};
    };
    const auto a = last_pulse(timer.outputs[0]);
    const auto b = last_pulse(timer.outputs[1]);
    const Cycle period = mode.shape == Shape::kFast ? 8 * (mode.top + 1) : 16 * mode.top;
    const Cycle apart = mode.shape == Shape::kFast ? b.first - a.first : (b.first + b.second - a.first - a.second) / 2;
    EXPECT_EQ(apart % period, 0) << "A " << a.first << ".." << a.second << ", B " << b.first << ".." << b.second;
  }
}

struct Level {
  unsigned compare;
  Cycle high;  ///< of each period; -1: static low, -2: static high
};

void check_levels(const Mode& mode, const std::vector<Level>& levels) {
  const TimerMap timer = narrow_timer("atmega328p", 2, {{'B', 3}, {'D', 3}});
  for (const Level& level : levels) {
    SCOPED_TRACE(testing::Message() << mode.name << ", compare value " << level.compare);
    Script script = setup(timer, mode, 2, 2);
    script.write(timer.compare[1], level.compare);
    Player player(script, timer.outputs);
    player.device.run_until(60'000);
    const std::size_t before = player.witness.of({'D', 3}).size();
    player.device.run_until(120'000);
    const auto edges = player.witness.of({'D', 3});
    if (level.high < 0) {
      EXPECT_EQ(edges.size(), before) << "no edge when static";
      EXPECT_EQ(player.device.drive_of({'D', 3}), level.high == -1 ? Drive::kLow : Drive::kHigh);
      continue;
    }
    ASSERT_GT(edges.size(), before + 8);
    for (std::size_t k = before; k + 1 < edges.size(); ++k) {
      if (edges[k].drive == Drive::kHigh) {
        ASSERT_EQ(edges[k + 1].at - edges[k].at, level.high);
      }
    }
  }
}

TEST(PwmLimits, PhaseCorrectIsStaticLowAtZeroAndStaticHighAtTop) {
  check_levels({"phase correct", 1, Shape::kDual, 'f', 0xFF}, {{0, -1}, {1, 16}, {254, 254 * 16}, {255, -2}});
}

TEST(PwmLimits, FastStillShowsASpikeOfOneTickAtZeroAndIsStaticHighAtTop) {
  check_levels({"fast", 3, Shape::kFast, 'f', 0xFF}, {{0, 8}, {1, 16}, {254, 255 * 8}, {255, -2}});
}

/// A compare value is taken over at TOP or BOTTOM only, so no pulse is ever anything but wholly old or wholly new.
TEST_P(EveryTimer, TakesANewCompareValueOverBetweenPulsesOnly) {
  const TimerMap& timer = GetParam();
  for (const Mode& mode : modes_of(timer)) {
    if (mode.top_from == 'a' || (mode.shape != Shape::kFast && mode.shape != Shape::kDual)) {
      continue;
    }
    SCOPED_TRACE(mode.name);
    Script script = setup(timer, mode, 2, 2);
    const auto first = static_cast<unsigned>(script.bytes().size() / 4);
    const auto put = [&](unsigned value) {
      timer.wide ? script.write_word(timer.compare[1], value) : script.write(timer.compare[1], value);
      script.wait(5);
    };
    put(30);
    put(200);
    script.back_to(first);
    Player player(script, timer.outputs, timer.part);
    player.device.run_until(1'000'000);
    const auto edges = player.witness.of(timer.outputs[1]);
    std::map<Cycle, int> widths;
    for (std::size_t k = 8; k + 1 < edges.size(); ++k) {
      if (edges[k].drive == Drive::kHigh) {
        ++widths[edges[k + 1].at - edges[k].at];
      }
    }
    const bool fast = mode.shape == Shape::kFast;
    const Cycle small = fast ? 31 * 8 : 2 * 30 * 8;
    const Cycle large = fast ? 201 * 8 : 2 * 200 * 8;
    // Phase and frequency correct takes over at BOTTOM, the middle of the pulse: it rises by the old value and falls by
    // the new one, so that the period from BOTTOM to BOTTOM stays symmetrical.
    const Cycle turning = mode.wgm == 8 && GetParam().wide ? (30 + 200) * 8 : small;
    for (const auto& [width, count] : widths) {
      EXPECT_TRUE(width == small || width == large || width == turning) << count << " pulses of " << width << " cycles";
    }
    EXPECT_GT(widths[small], 5);
    EXPECT_GT(widths[large], 5);
  }
}

INSTANTIATE_TEST_SUITE_P(Parts, EveryTimer, testing::ValuesIn(all_timers()),
                         [](const auto& timer) { return name_of(timer.param); });

}  // namespace
}  // namespace dawnrig::device
