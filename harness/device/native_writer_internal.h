// Writes one run in instructions of this machine, of the x86-64 kind: the only one that is known here.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <asmjit/x86.h>

#include <cstddef>
#include <cstdint>
#include <functional>
#include <span>
#include <utility>
#include <vector>

#include "harness/device/native_run_internal.h"

namespace dawnrig::device {
namespace native {

namespace x86 = asmjit::x86;

// The handler's arguments; all other registers that a function may change are free, and no others are used.
inline constexpr x86::Gp kData = x86::rdi;
inline constexpr x86::Gp kOp = x86::rsi;  ///< the run's first instruction, until it is left
inline constexpr x86::Gp kCpu = x86::rdx;

inline x86::Mem cell(std::size_t address, unsigned bytes) {
  return x86::ptr(kData, static_cast<std::int32_t>(address), bytes);
}
inline x86::Mem flag_cell(unsigned flag) {
  return x86::byte_ptr(kCpu, static_cast<std::int32_t>(offsetof(BlockCpu, flag) + flag));
}
inline x86::Mem of_op(std::size_t offset, unsigned bytes) {
  return x86::ptr(kOp, static_cast<std::int32_t>(offset), bytes);
}
/// What a step's flags follow from: `which` of three numbers; or so many bytes of it, from one of them on.
inline x86::Mem kept(std::size_t step, unsigned which, unsigned from = 0, unsigned bytes = 4) {
  return x86::ptr(kCpu, static_cast<std::int32_t>(offsetof(BlockCpu, kept) + 4 * (3 * step + which) + from), bytes);
}
/// rax, rcx and the like, as wide as the number.
inline x86::Gp wide(const x86::Gp& reg, unsigned bytes) {
  return bytes == 1 ? x86::Gp(reg.r8()) : bytes == 2 ? x86::Gp(reg.r16()) : x86::Gp(reg.r32());
}

/// Of an instruction with a constant, that of all its bytes.
[[nodiscard]] std::uint32_t constant_of(const NativeStep& step, const std::vector<Instruction>& code);

/// Puts this machine's own flags where the same ones belong. Leaves them as they are.
void put_machine_flags(x86::Assembler& a, unsigned flags);
/// Puts these flags of a step where they belong, from what was kept of it. Spoils this machine's flags, rax, rcx, r8
/// and r9.
void put_flags(x86::Assembler& a, const NativeTrace& trace, std::size_t step, unsigned flags,
               const std::vector<Instruction>& code);

}  // namespace native

/// Whatever is not as usual leaves the run for its handlers: the instruction at hand turns out not to be plain, or the
/// time is not there for the run at a branch's target. Until then everything is where the handlers have it, but for
/// flags that nobody has asked for.
class NativeWriter {
 public:
  NativeWriter(asmjit::CodeHolder& code, const RunSource& from, const NativeTrace& trace,
               std::span<const BlockHandler> plain)
      : a_(&code), from_(from), trace_(trace), plain_(plain) {}
  void write();

 private:
  using Label = asmjit::Label;
  using Open = std::vector<OpenFlags::Of>;

  [[nodiscard]] const Instruction& code(std::size_t at) const { return from_.code[at]; }
  [[nodiscard]] const BlockOp& op(std::size_t at) const { return from_.ops[at]; }

  // --- native_code.cc: where the run goes, and how it is left.
  void write_step(const NativeStep& step);
  void write_end();
  void write_return(std::size_t at);
  void write_call(const NativeStep& step);
  void write_branch(const NativeStep& step);
  void branch_on_shown(unsigned flag, bool if_set, const Label& taken);
  void taken_rarely(const Label& taken, std::size_t target, int cycles);
  void write_skip(const NativeStep& step);
  void point_to(std::size_t at);
  void put(const Open& open, unsigned flags);
  void write_flag(const NativeStep& step);
  [[nodiscard]] Label not_plain(std::size_t at);
  void begin(std::size_t target, int cycles, const Open& open, unsigned open_flags);
  void begin_there(const Open& open, unsigned others, const std::function<void()>& pay,
                   const std::function<void()>& give_back);
  /// Behind the usual way, and out of it.
  void rarely(std::function<void()> what) { rare_.push_back(std::move(what)); }

  // --- native_arithmetic.cc
  void write_arithmetic(const NativeStep& step);
  void write_move(const NativeStep& step);
  void write_sum(const NativeStep& step);
  void write_logic(const NativeStep& step);
  void write_shift(const NativeStep& step);
  void write_at_once(const NativeStep& step);
  void write_constant(const NativeStep& step);
  void load(const native::x86::Gp& to, const NativeStep& step, bool in_parts, std::uint8_t Instruction::*which);
  void load_first(const NativeStep& step);
  void store(const NativeStep& step);
  void keep(const NativeStep& step, unsigned which, const native::x86::Gp& reg);
  void take_carry(bool there);

  // What rax holds: a number in registers, with zeros above it. A way through memory takes several times as long as the
  // arithmetic itself.
  void load_to(const native::x86::Gp& to, std::uint32_t at, unsigned bytes);
  void take(std::uint32_t at, unsigned bytes);
  void hold(std::uint32_t at, unsigned bytes);
  void forget(std::uint32_t at, unsigned bytes);
  void put_rax(std::uint32_t at, unsigned bytes);
  void move(std::uint32_t from, std::uint32_t to, unsigned bytes);
  void spoil() { held_ = kNothing; }

  // --- native_memory.cc
  void write_memory(const NativeStep& step);
  void write_by_pointer(const NativeStep& step);
  void write_load_of_program(const NativeStep& step);
  void write_note(std::uint32_t address);
  void check_kept(const NativeStep& step);
  void write_load_of_flags(const Instruction& one);
  void write_push(const NativeStep& step);
  void write_pop(const NativeStep& step);
  void move_out(std::uint32_t from, std::uint32_t to, unsigned bytes);
  void turn_eight(const native::x86::Mem& from, const native::x86::Mem& to);
  void load_stack_pointer();
  void check_stack(unsigned bytes, bool pushes, const Label& leave);
  [[nodiscard]] bool eight_from(const NativeStep& step, unsigned i, int by) const;
  [[nodiscard]] std::uint32_t lowest(const NativeStep& step, std::uint32_t first) const;

  static constexpr std::uint32_t kNothing = 0x10000;  // beyond all memory

  native::x86::Assembler a_;
  const RunSource& from_;
  const NativeTrace& trace_;
  std::span<const BlockHandler> plain_;
  std::size_t index_{0};  // of the step at hand
  unsigned shown_{0};     // flags, by this machine's own
  OpenFlags open_;
  std::uint32_t held_{kNothing};
  unsigned held_bytes_{0};
  std::vector<std::function<void()>> rare_;
};

}  // namespace dawnrig::device
