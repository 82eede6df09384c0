// Programs made at random, of what runs of plain instructions treat apart.
#pragma once

#include <cstdint>
#include <ostream>
#include <random>
#include <string>
#include <vector>

#include "harness/device/virtual_device.h"

namespace dawnrig::device {

using Words = std::vector<std::uint16_t>;

struct Part {
  std::string name;
  unsigned ram_start;
  unsigned ram_end;
  unsigned match_vector;     // of timer 0, channel A, in words
  unsigned overflow_vector;  // of timer 0
  Pin match_pin;             // OC0A
};

inline std::ostream& operator<<(std::ostream& out, const Part& part) {
  return out << part.name;
}

constexpr unsigned kMemory = 0x300;  // where its pointers point: 0x300 bytes from here
constexpr unsigned kCount = 0x800;   // how often it was interrupted, low byte; behind it: by which one last
constexpr unsigned kStack = 0x8F0;

/// A loop of straight work, made to hit what runs of instructions treat apart: chains that share a carry, comparisons
/// with their branches, rows of pushes, pointers that turn out to point to a register, stacks that come too low, and
/// interrupts that are disabled, enabled, and left.
class LoopMaker {
 public:
  LoopMaker(unsigned seed, const Part& part) : draw_(seed), part_(part) {}
  Words make();

 private:
  void routine_at(unsigned at, unsigned vector, unsigned which);
  static std::uint16_t two(unsigned operation, unsigned d, unsigned r);
  unsigned pick(unsigned least, unsigned most) { return least + static_cast<unsigned>(draw_() % (most - least + 1)); }
  bool one_in(unsigned many) { return pick(1, many) == 1; }
  unsigned byte() { return draw_() & 0xFFU; }
  void add(const Words& more) { words_.insert(words_.end(), more.begin(), more.end()); }
  void constant(unsigned operation, unsigned d, unsigned k);
  void stack_at(unsigned address);
  void arithmetic();
  void chain();
  void number();
  void widened();
  void bytes_in_a_row();
  void branch();
  void skip();
  void count_down();
  void call();
  void rows_on_the_stack();
  void by_pointer();
  void interrupt_mask();
  void bits_and_program(unsigned d);
  void registers();
  void converter();
  void piece();

  std::mt19937 draw_;
  Part part_;
  Words words_;
};

}  // namespace dawnrig::device
