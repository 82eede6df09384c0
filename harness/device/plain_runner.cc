#include "harness/device/plain_runner_internal.h"

#include <algorithm>
#include <iterator>

namespace dawnrig::device {
namespace {

int not_plain(PlainRunner::Processor& /*cpu*/, const Instruction& /*one*/) {
  return PlainRunner::kNotPlain;
}

}  // namespace

PlainRunner::PlainRunner(avr_t* avr, std::uint16_t translate_after, Sleeper* sleeper)
    : cpu_{avr->data, avr->sreg, avr, avr->ioend + 1U, avr->flashend + 1U, nullptr, 0},
      blocks_(avr, translate_after, sleeper),
      code_(cpu_.flash_bytes / 2, not_plain),
      taken_apart_(cpu_.flash_bytes / 2),
      words_(cpu_.flash_bytes / 2, 1) {
  cpu_.words = words_.data();
}

void PlainRunner::registers_taken() {
  std::vector<Taken> taken(MAX_IOs);
  std::transform(std::begin(cpu_.avr->io), std::end(cpu_.avr->io), taken.begin(), [](const auto& cell) {
    return Taken{cell.r.c != nullptr, cell.w.c != nullptr, cell.irq != nullptr};
  });
  if (taken != taken_) {
    taken_ = taken;
    start_over();
  }
}

void PlainRunner::start_over() {
  for (std::uint32_t at = 0; at < cpu_.flash_bytes; at += 2) {
    const std::uint8_t* const bytes = cpu_.avr->flash + at;  // there is room behind the end of flash
    const auto opcode = static_cast<std::uint16_t>(bytes[0] | (bytes[1] << 8));
    const auto second = static_cast<std::uint16_t>(bytes[2] | (bytes[3] << 8));
    const Instruction one = taken_apart(at, opcode, second, cpu_.flash_bytes);
    taken_apart_[at / 2] = one;
    words_[at / 2] = static_cast<std::uint8_t>(one.bytes / 2);
    // What runs off the end of program memory is left to the simulator, which says what it thinks of that.
    const bool last = at + 4U >= cpu_.flash_bytes;
    code_[at / 2] = last                                       ? not_plain
                    : one.operation >= Operation::kBranchIfSet ? plain_flow(one)
                                                               : plain_arithmetic(one);
  }
  blocks_.take(taken_apart_);
}

bool PlainRunner::step() {
  avr_t* const avr = cpu_.avr;
  const std::uint32_t pc = avr->pc;
  if (pc >= cpu_.flash_bytes) {
    return false;
  }
  const Instruction& one = taken_apart_[pc / 2];
  cpu_.next = pc + one.bytes;
  const int cycles = code_[pc / 2](cpu_, one);
  if (cycles == kNotPlain) {
    return false;
  }
  avr->cycle += static_cast<avr_cycle_count_t>(cycles);
  if (avr->state != cpu_Crashed) {  // a crash is told with the instruction that it happened at
    avr->pc = cpu_.next;
  }
  return true;
}

PlainRunner::Outcome PlainRunner::run(Cycle limit, bool past_stop) {
  const avr_t* const avr = cpu_.avr;
  if (past_stop || disturbed(avr)) {
    const bool was_disturbed = disturbed(avr);
    if (!step()) {
      return Outcome::kNotPlain;
    }
    if (was_disturbed || disturbed(avr) || now_of(avr) >= first_event(avr, limit)) {
      return Outcome::kToSettle;
    }
  }
  while (!blocks_.run(limit)) {
    limit = blocks_.limit();
    if (blocks_.stops_at(avr->pc)) {
      return Outcome::kStopped;
    }
    Cycle event = 0;
    do {
      if (!step()) {
        return Outcome::kNotPlain;
      }
      event = first_event(avr, limit);
      if (disturbed(avr) || now_of(avr) >= event) {
        return Outcome::kToSettle;
      }
    } while (!blocks_.have_time(event));
  }
  return Outcome::kToSettle;
}

}  // namespace dawnrig::device
