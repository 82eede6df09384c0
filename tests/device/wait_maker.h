// Programs made at random whose loops wait for an interrupt, which changes under them what they look at.
// Room: tests/device.
#pragma once

#include <random>
#include <vector>

#include "tests/device/loop_maker.h"

namespace dawnrig::device {

constexpr unsigned kFlag = 0x310;  // what the loops wait for
constexpr unsigned kLeft = 0x311;  // how often they were left

/// Registers 2 to 9 belong to the main program and 10 to 13 to the interrupt; 16 to 19, 24 and 25 are a turn's own.
class WaitMaker {
 public:
  WaitMaker(unsigned seed, const Part& part) : draw_(seed), part_(part) {}
  Words make();
  /// By the watchdog, which the loops pet. Known once it is made.
  [[nodiscard]] bool guarded() const { return guarded_; }

 private:
  unsigned pick(unsigned least, unsigned most) { return least + static_cast<unsigned>(draw_() % (most - least + 1)); }
  bool one_in(unsigned many) { return pick(1, many) == 1; }
  unsigned byte() { return draw_() & 0xFFU; }
  unsigned scratch() { return pick(0, 5) < 4 ? pick(16, 19) : pick(24, 25); }
  unsigned any() { return one_in(2) ? scratch() : one_in(3) ? pick(10, 13) : pick(2, 9); }
  void add(const std::vector<unsigned>& more);
  void far_jump_at(unsigned at, unsigned to);
  void set_up();
  void wait();
  void piece();
  void pointed();
  void called();
  void work();
  void routine();
  void change();

  std::mt19937 draw_;
  Part part_;
  Words words_;
  bool guarded_{false};
  bool peeks_{false};
  unsigned pointed_at_{0};  // a register, as memory
};

}  // namespace dawnrig::device
