// Machine instructions of a run: memory and the stack.
#if defined(__x86_64__)

#include "harness/device/native_writer_internal.h"
#include "harness/device/plain_block_work_internal.h"
#include "harness/device/quiet_register_internal.h"

namespace dawnrig::device {

using namespace native;
using Op = Operation;
using AddressStep = Instruction::Step;

namespace {

constexpr unsigned kEight = 8;

x86::Mem from_top(int away, unsigned bytes) {
  return x86::ptr(kData, x86::rax, 0, away, bytes);
}

}  // namespace

void NativeWriter::load_stack_pointer() {
  a_.movzx(x86::eax, cell(R_SPL, 2));
  spoil();
}

// So many bytes to push, or to pop, with the pointer before that in rax.
void NativeWriter::check_stack(unsigned bytes, bool pushes, const Label& leave) {
  const std::uint32_t floor = from_.cpu.stack_floor + (pushes ? bytes : 0U);
  a_.lea(x86::ecx, x86::ptr(x86::rax, -static_cast<std::int32_t>(floor)));
  a_.cmp(x86::ecx, from_.cpu.stack_span - bytes);
  a_.ja(leave);
}

void NativeWriter::write_memory(const NativeStep& step) {
  const Instruction& one = step.one;
  switch (one.operation) {
    case Op::kPush:
      write_push(step);
      break;
    case Op::kPop:
      write_pop(step);
      break;
    case Op::kLoad:
      if (step.takes_all) {
        write_load_of_flags(one);
      } else {
        move(lowest(step, one.k), lowest(step, one.d), step.count);
        write_note(one.k);
      }
      break;
    case Op::kStore:
      check_kept(step);
      move_out(lowest(step, one.d), lowest(step, one.k), step.count);
      break;
    case Op::kLoadProgram:
      write_load_of_program(step);
      break;
    default:
      write_by_pointer(step);
      break;
  }
}

// Program memory does not move.
void NativeWriter::write_load_of_program(const NativeStep& step) {
  a_.cmp(cell(kProgramControl, 1), 0);
  a_.jnz(not_plain(step.at));
  take(R_ZL, 2);
  a_.mov(x86::r9, reinterpret_cast<std::uint64_t>(from_.cpu.avr->flash));
  a_.movzx(x86::ecx, x86::byte_ptr(x86::r9, x86::rax));
  a_.mov(cell(step.one.d, 1), x86::cl);
  forget(step.one.d, 1);
  if (step.one.step != AddressStep::kNone) {
    a_.add(x86::eax, 1);
    a_.mov(cell(R_ZL, 2), x86::ax);
    spoil();  // it may have gone beyond the highest address
  }
}

// Of a register that is only to know that it was read. Leaves this machine's flags alone.
void NativeWriter::write_note(std::uint32_t address) {
  if (const NotedRead* const note = noted_read(from_.cpu.avr, address); note != nullptr) {
    a_.mov(x86::r9, reinterpret_cast<std::uint64_t>(note->where));
    a_.mov(x86::byte_ptr(x86::r9), note->what);
  }
}

// Leaves the run for the handler where more than a write to the register comes of it.
void NativeWriter::check_kept(const NativeStep& step) {
  const KeptWrite* const kept = kept_write(from_.cpu.avr, step.one.k);
  if (kept == nullptr) {
    return;
  }
  const Label tells = not_plain(step.at);
  a_.mov(x86::r9, reinterpret_cast<std::uint64_t>(kept->busy));
  a_.cmp(x86::byte_ptr(x86::r9), 0);
  a_.jnz(tells);
  if (kept->heard != 0) {
    take(step.one.d, 1);
    a_.mov(x86::ecx, x86::eax);
    a_.xor_(x86::cl, cell(step.one.k, 1));
    a_.test(x86::cl, kept->heard);
    a_.jnz(tells);
  }
}

// Registers still hold it.
void NativeWriter::move_out(std::uint32_t from, std::uint32_t to, unsigned bytes) {
  take(from, bytes);
  a_.mov(cell(to, bytes), wide(x86::rax, bytes));
}

std::uint32_t NativeWriter::lowest(const NativeStep& step, std::uint32_t first) const {
  const bool down = step.count > 1 && code(step.at + step.one.bytes / 2U).d < step.one.d;
  return down ? first - (step.count - 1) : first;
}

void NativeWriter::write_load_of_flags(const Instruction& one) {
  put(open_.all(), kAllFlags);
  spoil();
  static_assert(offsetof(BlockCpu, flag) == 0);
  a_.mov(x86::rax, x86::qword_ptr(kCpu));
  a_.mov(x86::rcx, work::kPacks);
  a_.imul(x86::rax, x86::rcx);
  a_.shr(x86::rax, 56);
  a_.mov(cell(R_SREG, 1), x86::al);
  put_rax(one.d, 1);
}

void NativeWriter::write_by_pointer(const NativeStep& step) {
  const Instruction& one = step.one;
  const bool loads = one.operation == Op::kLoadByPointer;
  const auto away = static_cast<std::int32_t>(one.step == AddressStep::kNone     ? lowest(step, one.k)
                                              : one.step == AddressStep::kBefore ? 0xFFFFFFFFU
                                                                                 : 0U);
  const std::uint32_t span = from_.cpu.ram_span - (step.count - 1);
  take(one.pointer, 2);
  a_.lea(x86::ecx, x86::ptr(x86::rax, away - static_cast<std::int32_t>(from_.cpu.ram_start)));
  a_.cmp(x86::ecx, span);
  a_.ja(not_plain(step.at));
  const x86::Mem memory = x86::ptr(kData, x86::rax, 0, away, step.count);
  const x86::Mem registers = cell(lowest(step, one.d), step.count);
  const x86::Mem& from = loads ? memory : registers;
  step.count == 4 ? a_.mov(x86::ecx, from) : a_.movzx(x86::ecx, from);
  a_.mov(loads ? registers : memory, wide(x86::rcx, step.count));
  if (loads) {
    forget(lowest(step, one.d), step.count);
  }
  if (one.step != AddressStep::kNone) {
    a_.add(x86::eax, one.step == AddressStep::kBefore ? -1 : 1);
    a_.mov(cell(one.pointer, 2), x86::ax);
    spoil();  // it may have gone beyond the highest address
  }
}

// From `i` on, eight registers that follow each other, `step` up or down.
bool NativeWriter::eight_from(const NativeStep& step, unsigned i, int by) const {
  if (i + kEight > step.count) {
    return false;
  }
  for (unsigned k = i + 1; k < i + kEight; ++k) {
    if (code(step.at + k).d != code(step.at + k - 1).d + by) {
      return false;
    }
  }
  return true;
}

void NativeWriter::turn_eight(const x86::Mem& from, const x86::Mem& to) {
  a_.mov(x86::rcx, from);
  a_.bswap(x86::rcx);
  a_.mov(to, x86::rcx);
}

void NativeWriter::write_push(const NativeStep& step) {
  load_stack_pointer();
  check_stack(step.count, true, not_plain(step.at));
  for (unsigned i = 0; i < step.count;) {
    const int down = -static_cast<int>(i);
    if (eight_from(step, i, 1)) {
      turn_eight(cell(code(step.at + i).d, 8), from_top(down - 7, 8));
      i += kEight;
    } else {
      a_.movzx(x86::ecx, cell(code(step.at + i).d, 1));
      a_.mov(from_top(down, 1), x86::cl);
      ++i;
    }
  }
  a_.sub(x86::eax, step.count);
  a_.mov(cell(R_SPL, 2), x86::ax);
}

void NativeWriter::write_pop(const NativeStep& step) {
  load_stack_pointer();
  check_stack(step.count, false, not_plain(step.at));
  for (unsigned i = 0; i < step.count;) {
    const int up = static_cast<int>(i) + 1;
    if (eight_from(step, i, -1)) {
      turn_eight(from_top(up, 8), cell(code(step.at + i + kEight - 1).d, 8));
      i += kEight;
    } else {
      a_.movzx(x86::ecx, from_top(up, 1));
      a_.mov(cell(code(step.at + i).d, 1), x86::cl);
      ++i;
    }
  }
  a_.add(x86::eax, step.count);
  a_.mov(cell(R_SPL, 2), x86::ax);
}

}  // namespace dawnrig::device

#endif
