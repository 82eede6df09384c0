#include "harness/device/plain_runner_internal.h"

namespace dawnrig::device {
namespace {

int not_plain(PlainRunner::Processor& /*cpu*/, const Instruction& /*one*/) {
  return PlainRunner::kNotPlain;
}

}  // namespace

PlainRunner::PlainRunner(avr_t* avr)
    : cpu_{avr->data, avr->sreg, avr, avr->ioend + 1U, avr->flashend + 1U, nullptr, 0} {
  start_over();
}

void PlainRunner::start_over() {
  code_.resize(cpu_.flash_bytes / 2);
  words_.resize(cpu_.flash_bytes / 2);
  cpu_.words = words_.data();
  for (std::uint32_t at = 0; at < cpu_.flash_bytes; at += 2) {
    const std::uint8_t* const bytes = cpu_.avr->flash + at;  // there is room behind the end of flash
    const auto opcode = static_cast<std::uint16_t>(bytes[0] | (bytes[1] << 8));
    const auto second = static_cast<std::uint16_t>(bytes[2] | (bytes[3] << 8));
    Plain& plain = code_[at / 2];
    plain.one = taken_apart(at, opcode, second, cpu_.flash_bytes);
    words_[at / 2] = static_cast<std::uint8_t>(plain.one.bytes / 2);
    // What runs off the end of program memory is left to the simulator, which says what it thinks of that.
    const bool last = at + 4U >= cpu_.flash_bytes;
    plain.execute = last                                             ? not_plain
                    : plain.one.operation >= Operation::kBranchIfSet ? plain_flow(plain.one)
                                                                     : plain_arithmetic(plain.one, opcode);
  }
}

bool PlainRunner::run(Cycle until) {
  avr_t* const avr = cpu_.avr;
  Cycle now = now_of(avr);
  std::uint32_t pc = avr->pc;
  const Plain* const code = code_.data();  // in a local: a byte store may alias any member
  const std::uint32_t flash_bytes = cpu_.flash_bytes;
  while (now < until && pc < flash_bytes) {
    const Plain& plain = code[pc / 2];
    cpu_.next = pc + plain.one.bytes;
    const int cycles = plain.execute(cpu_, plain.one);
    if (cycles == kNotPlain) {
      break;
    }
    pc = cpu_.next;
    now += cycles;
  }
  avr->pc = pc;
  avr->cycle = static_cast<avr_cycle_count_t>(now);
  return now >= until;
}

}  // namespace dawnrig::device
