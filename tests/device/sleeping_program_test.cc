// Programs made at random that sleep, and whose interrupts come from whatever can raise one: sleep that is passed
// within a run of instructions must end where sleep gone through cycle by cycle does, and in the same routine.
#include <gtest/gtest.h>

#include <map>
#include <random>

#include "tests/device/device_bench.h"
#include "tests/device/loop_maker.h"
#include "tests/device/opcodes.h"

namespace dawnrig::device {
namespace {

// Addresses of registers, and where `in` and `out` have them.
constexpr unsigned kAdcl = 0x78, kAdch = 0x79, kAdcsra = 0x7A, kAdcsrb = 0x7B, kTimsk0 = 0x6E, kEicra = 0x69,
                   kWdtcsr = 0x60, kUcsrb = 0xC1, kUbrrl = 0xC4, kUdr = 0xC6, kTwbr = 0xB8, kTwcr = 0xBC;
constexpr unsigned kEecr = 0x1F, kEimsk = 0x1D, kPortB = 0x05, kDdrB = 0x04, kSmcr = 0x33, kClock0 = 0x25,
                   kMatch0 = 0x27, kFlags = 0x3F;
constexpr unsigned kTicks = 0x310;  // of each interrupt

struct Vectors {  // in words
  unsigned pin, watchdog, match, overflow, received, empty, sent, converted, ready, wire;
};
Vectors vectors_of(const Part& part) {
  return part.name == "atmega2560" ? Vectors{2, 24, 42, 46, 50, 52, 54, 58, 60, 78}
                                   : Vectors{2, 12, 28, 32, 36, 38, 40, 42, 44, 48};
}

/// Registers 16 to 19 belong to the main program, 20 and 21 to the routines.
class SleepMaker {
 public:
  SleepMaker(unsigned seed, const Part& part) : draw_(seed), vectors_(vectors_of(part)) {}
  Words make();

 private:
  unsigned pick(unsigned least, unsigned most) { return least + static_cast<unsigned>(draw_() % (most - least + 1)); }
  bool one_in(unsigned many) { return pick(1, many) == 1; }
  void add(const std::vector<unsigned>& more) {
    for (const unsigned word : more) words_.push_back(static_cast<std::uint16_t>(word));
  }
  void put(unsigned address, unsigned value) { add({constant(0xE000, 16, value), one(0x9200, 16), address}); }
  void out(unsigned io, unsigned value) { add({constant(0xE000, 16, value), cell(0xB800, 16, io)}); }
  void nops(unsigned most) { words_.insert(words_.end(), pick(0, most), 0x0000); }
  void set_up();
  void piece();
  void routine(unsigned vector, const std::vector<unsigned>& action);

  std::mt19937 draw_;
  Vectors vectors_;
  unsigned routines_{0};
  Words words_;
};

Words SleepMaker::make() {
  words_.assign(128, 0x9518);  // reti, for interrupts that nobody meant
  words_[0] = 0x940C;
  words_[1] = 128;
  set_up();
  const std::size_t begin = words_.size();
  for (unsigned left = pick(1, 12); left > 0; --left) {
    piece();
  }
  add({0x9588 /* sleep */, 0x940C, static_cast<unsigned>(begin)});
  const std::vector<unsigned> start{one(0x9000, 20), kAdcsra, constant(0x6000, 20, 0x40), one(0x9200, 20), kAdcsra};
  std::vector<unsigned> converted{one(0x9000, 20), kAdcl, one(0x9000, 21), kAdch, one(0x9200, 20), 0x340};
  if (!one_in(3)) converted.insert(converted.end(), start.begin(), start.end());
  routine(vectors_.converted, converted);
  routine(vectors_.match,
          one_in(2) ? start : std::vector<unsigned>{cell(0xB000, 20, kMatch0), cell(0xB800, 20, kPortB)});
  routine(vectors_.overflow, {});
  routine(vectors_.received, {one(0x9000, 20), kUdr});
  routine(vectors_.empty, {one(0x9200, 20), kUdr, constant(0xE000, 20, 0xD8), one(0x9200, 20), kUcsrb});
  routine(vectors_.sent, {});
  routine(vectors_.pin, {});
  routine(vectors_.watchdog, {});
  routine(vectors_.ready, {constant(0xE000, 20, 0), cell(0xB800, 20, kEecr)});
  // Mostly clears its flag; sometimes that comes again at once until the wires are switched off.
  routine(vectors_.wire, {constant(0xE000, 20, one_in(3) ? 0x01 : 0x84), one(0x9200, 20), kTwcr});
  return words_;
}

void SleepMaker::set_up() {
  out(0x3D, kStack & 0xFFU);
  out(0x3E, kStack >> 8U);
  add({two(0x2400, 1, 1)});
  out(kDdrB, 0xFF);
  out(kClock0, pick(2, 3));
  out(kMatch0, pick(3, 255));
  put(kTimsk0, 2U | pick(0, 1));
  if (!one_in(4)) {
    put(kAdcsrb, one_in(2) ? 0 : 3);
    put(kAdcsra, 0x88U | pick(2, 6) | (one_in(2) ? 0x40U : 0U) | (one_in(4) ? 0x20U : 0U));
  }
  if (!one_in(3)) {
    put(kUbrrl, pick(1, 20));
    put(kUcsrb, 0x18U | (one_in(2) ? 0x80U : 0U) | (one_in(2) ? 0x40U : 0U) | (one_in(2) ? 0x20U : 0U));
  }
  if (one_in(3)) {
    put(kEicra, one_in(2) ? 1 : 2);
    out(kEimsk, 1);
  }
  if (one_in(4)) {
    put(kWdtcsr, 0x18);
    put(kWdtcsr, (one_in(2) ? 0x40U : 0x48U) | pick(0, 1));
  }
  if (one_in(6)) {
    put(kTwbr, pick(10, 60));
    put(kTwcr, 0xA5);  // a start
  }
  out(kSmcr, 1U | (one_in(5) ? 2U : 0U));
  add({0x9478});
}

void SleepMaker::piece() {
  switch (pick(0, 13)) {
    case 0:
      add({0x94F8});  // cli; what comes until the next sei may leave an interrupt waiting
      nops(20);
      add({0x9478});
      break;
    case 1:  // as data sheets have it
      add({0x94F8, one(0x9000, 16), kTicks + pick(0, 9), two(0x2000, 16, 16), 0xF011U /* breq over two */, 0x9478,
           0x9588, 0x9478});
      break;
    case 2:
    case 3:
      add({0x9588});
      break;
    case 4:
      add({0x9588, 0x9588});
      break;
    case 5:
      out(kMatch0, pick(2, 255));
      break;
    case 6:
      add({one(0x9000, 16), kAdcsra, constant(0x6000, 16, 0x40), one(0x9200, 16), kAdcsra});
      break;
    case 7:
      put(kUdr, pick(0, 255));
      break;
    case 8:
      put(kUcsrb, one_in(2) ? 0xB8 : 0xF8);  // whose routine is told when there is room
      break;
    case 9:
      if (one_in(3)) out(kEecr, 0x08);
      break;
    case 10:
      out(kSmcr, one_in(4) ? pick(0, 1) * 4U + 1U : 1U | pick(0, 1) * 2U);  // deeply, at times
      break;
    case 11:
      if (one_in(40)) add({0x94F8, 0x9588});  // for ever
      break;
    case 12:
      if (one_in(3)) put(kTwcr, one_in(2) ? 0xA5 : 0x05);
      break;
    default:
      nops(60);
      break;
  }
}

/// Begins and ends as compilers have it, or not.
void SleepMaker::routine(unsigned vector, const std::vector<unsigned>& action) {
  words_[vector] = 0x940C;
  words_[vector + 1] = static_cast<std::uint16_t>(words_.size());
  const bool as_compilers = one_in(2);
  if (as_compilers) {
    add({one(0x920F, 1), one(0x920F, 0), cell(0xB000, 0, kFlags), one(0x920F, 0), two(0x2400, 1, 1)});
  } else {
    add({one(0x920F, 0), cell(0xB000, 0, kFlags), one(0x920F, 0)});
  }
  const unsigned ticks = kTicks + routines_++;
  add({one(0x920F, 20), one(0x920F, 21), one(0x9000, 20), ticks, 0x9543 /* inc r20 */, one(0x9200, 20), ticks});
  if (one_in(6)) add({0x9478});  // others may come between
  nops(one_in(3) ? 80 : 3);
  add(action);
  add({one(0x900F, 21), one(0x900F, 20), one(0x900F, 0), cell(0xB800, 0, kFlags), one(0x900F, 0)});
  if (as_compilers) add({one(0x900F, 1)});
  add({0x9518});
}

class SleepingPrograms : public ::testing::TestWithParam<Part> {};

template <class Event>
std::vector<Cycle> instants(const std::vector<Event>& events) {
  std::vector<Cycle> at;
  for (const Event& one : events) at.push_back(one.at);
  return at;
}

/// Whoever is asked for a voltage may have seen enough.
void stall_with_a_sample(Witness& asked, VirtualDevice& device, std::size_t samples) {
  asked.adc_v = [&asked, &device, samples](Cycle, int) {
    if (asked.samples.size() > samples) device.stall();
    return 0.0;
  };
}

TEST_P(SleepingPrograms, WakeAsThoughEachCycleHadPassed) {
  constexpr unsigned kPrograms = 250;
  constexpr Cycle kEnd = 120'000;
  double idle_cycles = 0;
  std::map<unsigned, unsigned> served;  // programs in which such an interrupt came
  unsigned crashed = 0;
  for (unsigned seed = 1; seed <= kPrograms; ++seed) {
    const Image image = words_image(SleepMaker(seed, GetParam()).make());
    std::mt19937 draw(seed);
    DeviceParams params;
    params.part = GetParam().name;
    params.startup_delay_s = 0;
    params.translate_after = translation_of(seed);
    if (seed % 5 == 0) params.clock_hz = 64'000;  // 16 ms, of the watchdog, are a thousand cycles
    BothWays both(params, image);
    auto& [witness, other, ours, simulators] = both;
    std::map<unsigned, std::uint8_t> begun_with;  // memory is not clear at power-up
    for (unsigned kind = 0; kind < 10; ++kind) begun_with[kind] = simulators.peek(kTicks + kind);
    const bool stalls = seed % 17 == 0;
    if (seed % 7 == 0) {
      stall_with_a_sample(witness, ours, seed % 50);
      stall_with_a_sample(other, simulators, seed % 50);
    }
    for (Cycle until = 0; until < kEnd;) {
      until += static_cast<Cycle>(draw() % (draw() % 3 == 0 ? 40 : 6'000));
      const auto where = [&] { return "program " + std::to_string(seed) + ", cycle " + std::to_string(until); };
      ASSERT_EQ(both.first_difference_at(until), "") << where();
      const bool level = draw() % 2 == 0;
      const auto what = draw() % 6;
      for (VirtualDevice* device : {&ours, &simulators}) {
        if (what < 2) device->set_pin_level({'D', GetParam().name == "atmega2560" ? 0 : 2}, level);
        if (what == 2) device->send_serial(std::vector<std::uint8_t>{'a', 'b', 'c'});
        if (stalls && until > kEnd / 2) device->stall();
      }
    }
    ASSERT_EQ(instants(witness.samples), instants(other.samples)) << "program " << seed;
    ASSERT_EQ(instants(witness.bytes), instants(other.bytes)) << "program " << seed;
    ASSERT_EQ(instants(witness.pins), instants(other.pins)) << "program " << seed;
    ASSERT_EQ(instants(witness.resets), instants(other.resets)) << "program " << seed;
    ASSERT_EQ(ours.crash_reason(), simulators.crash_reason()) << "program " << seed;
    crashed += simulators.crash_reason().empty() ? 0 : 1;
    idle_cycles += static_cast<double>(ours.idle_cycles());
    for (unsigned kind = 0; kind < 10; ++kind)
      served[kind] += simulators.peek(kTicks + kind) != begun_with[kind] && simulators.crash_reason().empty();
  }
  std::printf("%.1f %% asleep, %u programs crashed; came in so many other programs, by routine:",
              100.0 * idle_cycles / (static_cast<double>(kEnd) * kPrograms), crashed);
  for (const auto& [kind, programs] : served) std::printf(" %u", programs);
  std::printf("\n");
  EXPECT_GT(idle_cycles, 0.3 * static_cast<double>(kEnd) * kPrograms);
  EXPECT_LT(crashed, kPrograms / 4);
}

INSTANTIATE_TEST_SUITE_P(EveryPart, SleepingPrograms,
                         ::testing::Values(Part{"atmega328p", 0x100, 0x8FF, 28, 32, {'D', 6}},
                                           Part{"atmega2560", 0x200, 0x21FF, 42, 46, {'B', 7}}),
                         [](const auto& part) { return part.param.name; });

}  // namespace
}  // namespace dawnrig::device
