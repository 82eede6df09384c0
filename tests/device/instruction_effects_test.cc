// Which registers and flags an instruction reads and sets, as told beforehand, against what it does in the simulator.
#include "harness/device/instruction.h"

#include <gtest/gtest.h>

#include <array>
#include <random>

#include "tests/device/device_bench.h"
#include "tests/device/opcodes.h"

namespace dawnrig::device {
namespace {

constexpr std::uint32_t kFlash = 0x8000;
constexpr unsigned kCell = 0x310;
constexpr unsigned kPlain = 0x3E, kStatus = 0x5F;  // GPIOR0, SREG

/// What goes on behind it, in memory that we give it, without an interrupt.
bool is_straight(const Instruction& one) {
  using Op = Operation;
  const bool by_address = one.operation == Op::kLoad || one.operation == Op::kStore ||
                          one.operation == Op::kSetCellBit || one.operation == Op::kClearCellBit;
  if (by_address) return one.k == kPlain || one.k == kStatus || one.bytes == 4;
  if (one.operation == Op::kSetFlag || one.operation == Op::kClearFlag) return one.b != 7;
  return one.operation != Op::kUnknown && one.operation < Op::kSleep &&
         (one.operation < Op::kBranchIfSet || one.operation >= Op::kLoad);
}

struct State {
  std::array<std::uint8_t, 32> registers{};
  unsigned flags{0};
  std::array<std::uint8_t, 256> memory{};
};

class Effects : public ::testing::Test {
 protected:
  /// Each time behind `out SREG, r0`.
  void place(std::uint16_t word) {
    for (int time = 0; time < 2; ++time) {
      words_.push_back(cell(0xB800, 0, 0x3F));
      words_.push_back(word);
      if (taken_apart(0, word, kCell, kFlash).bytes == 4) words_.push_back(kCell);
    }
  }
  State run(VirtualDevice& device, const State& before) {
    device.poke(0, static_cast<std::uint8_t>(before.flags));
    device.run_until(device.now() + 1);
    for (std::uint32_t i = 0; i < 32; ++i) device.poke(i, before.registers[i]);
    for (std::uint32_t at = 0x300; at < 0x400; ++at) device.poke(at, static_cast<std::uint8_t>(at * 37U));
    device.poke(kPlain, 0x5A);
    device.poke(0x5D, 0xA0);  // the stack pointer
    device.poke(0x5E, 0x03);
    device.run_until(device.now() + 1);
    State after;
    for (std::uint32_t i = 0; i < 32; ++i) after.registers[i] = device.peek(i);
    after.flags = device.flags();
    for (std::uint32_t i = 0; i < after.memory.size(); ++i) after.memory[i] = device.peek(0x300 + i);
    return after;
  }
  std::vector<std::uint16_t> words_;
};

TEST_F(Effects, AreThoseThatAreTold) {
  std::mt19937 draw(5);
  std::vector<std::uint16_t> chosen;
  for (unsigned word = 1; word < 0x10000; ++word) {
    const auto opcode = static_cast<std::uint16_t>(word);
    // All of those that are few, one in some of the others.
    const bool few = word < 0x0400U || (word >= 0x9000U && word < 0xA000U) || word >= 0xF800U;
    if (is_straight(taken_apart(0, opcode, kCell, kFlash)) && draw() % (few ? 3 : 16) == 0) chosen.push_back(opcode);
  }
  std::array<bool, 256> met{};
  for (std::size_t begin = 0; begin < chosen.size(); begin += 2000) {
    words_.clear();
    const std::size_t end = std::min(begin + 2000, chosen.size());
    for (std::size_t i = begin; i < end; ++i) place(chosen[i]);
    DeviceParams params;
    params.startup_delay_s = 0;
    params.skip_idle = false;
    Witness witness;
    VirtualDevice device(params, words_image(words_), witness);
    device.run_until(0);
    for (std::size_t i = begin; i < end; ++i) {
      const Instruction one = taken_apart(0, chosen[i], kCell, kFlash);
      met[static_cast<std::size_t>(one.operation)] = true;
      const auto drawn = [&draw] {
        State state;
        for (std::uint8_t& byte : state.registers) byte = static_cast<std::uint8_t>(draw());
        state.registers[27] = state.registers[29] = state.registers[31] = 3;  // pointers into memory
        for (const std::size_t low : {26U, 28U, 30U})
          state.registers[low] = static_cast<std::uint8_t>(64 + draw() % 64);
        state.flags = draw() & 0x7FU;
        return state;
      };
      const State first = drawn();
      State second = drawn();
      for (unsigned k = 0; k < 32; ++k) {
        if (((registers_read_by(one) >> k) & 1U) != 0) second.registers[k] = first.registers[k];
      }
      second.flags = (first.flags & flags_read_by(one)) | (second.flags & ~flags_read_by(one));
      const State of_first = run(device, first);
      const State of_second = run(device, second);
      ASSERT_EQ(device.crash_reason(), "") << std::hex << chosen[i];
      for (unsigned k = 0; k < 32; ++k) {
        if (((registers_set_by(one) >> k) & 1U) != 0) {
          ASSERT_EQ(of_first.registers[k], of_second.registers[k]) << std::hex << chosen[i] << ", register " << k;
        } else {
          ASSERT_EQ(of_first.registers[k], first.registers[k]) << std::hex << chosen[i] << " changed register " << k;
        }
      }
      ASSERT_EQ(of_first.memory, of_second.memory) << std::hex << chosen[i];
      const unsigned set = flags_set_by(one);
      ASSERT_EQ(of_first.flags & set, of_second.flags & set) << std::hex << chosen[i];
      ASSERT_EQ(of_first.flags & ~set, first.flags & ~set) << std::hex << chosen[i] << " changed flags";
    }
  }
  EXPECT_GT(std::count(met.begin(), met.end(), true), 40) << "kinds of instructions";
}

}  // namespace
}  // namespace dawnrig::device
