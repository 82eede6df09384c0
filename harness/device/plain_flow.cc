// Program flow, memory, registers of peripherals and the interrupt flag, one instruction at a time.
#include "harness/device/interrupts_internal.h"
#include "harness/device/plain_runner_internal.h"

namespace dawnrig::device {
namespace {

using Op = Operation;
using Cpu = PlainRunner::Processor;

constexpr int kNotPlain = PlainRunner::kNotPlain;
constexpr unsigned kRegisters = 32;

int not_plain(Cpu& /*cpu*/, const Instruction& /*one*/) {
  return kNotPlain;
}

bool in_memory(const Cpu& cpu, unsigned address) {
  return address >= cpu.ram_start && address <= cpu.avr->ramend;
}
// A register of a peripheral that nobody but whoever owns it listens to.
bool is_register(const Cpu& cpu, unsigned address) {
  return address >= kRegisters && address < cpu.ram_start && address - kRegisters < MAX_IOs && address != R_SREG &&
         cpu.avr->io[address - kRegisters].irq == nullptr;
}
// Whoever owns it is asked, as the simulator would ask: at the instant at which the instruction begins, with the
// program counter still before it.
bool read(Cpu& cpu, unsigned address, std::uint8_t& value) {
  if (!in_memory(cpu, address)) {
    if (!is_register(cpu, address)) {
      return false;
    }
    const auto& owner = cpu.avr->io[address - kRegisters].r;
    if (owner.c != nullptr) {
      cpu.data[address] = owner.c(cpu.avr, static_cast<avr_io_addr_t>(address), owner.param);
    }
  }
  value = cpu.data[address];
  return true;
}
bool write(Cpu& cpu, unsigned address, std::uint8_t value) {
  if (!in_memory(cpu, address)) {
    if (!is_register(cpu, address)) {
      return false;
    }
    const auto& owner = cpu.avr->io[address - kRegisters].w;
    if (owner.c != nullptr) {
      owner.c(cpu.avr, static_cast<avr_io_addr_t>(address), value, owner.param);
      return true;
    }
  }
  cpu.data[address] = value;
  return true;
}

unsigned stack_pointer(const Cpu& cpu) {
  return cpu.data[R_SPL] | (cpu.data[R_SPH] << 8U);
}
void set_stack_pointer(Cpu& cpu, unsigned pointer) {
  cpu.data[R_SPL] = static_cast<std::uint8_t>(pointer);
  cpu.data[R_SPH] = static_cast<std::uint8_t>(pointer >> 8U);
}
// A stack that comes near the start of memory is watched by somebody else.
bool near_an_end(const Cpu& cpu, unsigned pointer, unsigned bytes) {
  return pointer + bytes > cpu.avr->ramend || pointer < cpu.ram_start + 0x100U + bytes;
}

int call(Cpu& cpu, const Instruction& one) {
  const unsigned bytes = cpu.avr->address_size;
  unsigned pointer = stack_pointer(cpu);
  if (pointer > cpu.avr->ramend || near_an_end(cpu, pointer - bytes, bytes)) {
    return kNotPlain;
  }
  std::uint32_t back = cpu.next / 2;
  for (unsigned i = 0; i < bytes; ++i) {
    cpu.data[pointer--] = static_cast<std::uint8_t>(back);
    back >>= 8U;
  }
  set_stack_pointer(cpu, pointer);
  cpu.next = one.k;
  return static_cast<int>(bytes) + (one.bytes == 4 ? 2 : 1);
}

int come_back(Cpu& cpu, const Instruction& /*one*/) {
  const unsigned bytes = cpu.avr->address_size;
  unsigned pointer = stack_pointer(cpu);
  if (near_an_end(cpu, pointer, bytes)) {
    return kNotPlain;
  }
  std::uint32_t back = 0;
  for (unsigned i = 0; i < bytes; ++i) {
    back = (back << 8U) | cpu.data[++pointer];
  }
  if (back * 2 >= cpu.flash_bytes) {
    return kNotPlain;
  }
  set_stack_pointer(cpu, pointer);
  cpu.next = back * 2;
  return 2 + static_cast<int>(bytes);
}

int skip_if(Cpu& cpu, bool taken) {
  if (!taken) {
    return 1;
  }
  const unsigned words = cpu.words[cpu.next / 2];
  cpu.next += 2U * words;
  return 1 + static_cast<int>(words);
}

template <bool kSet>
int branch(Cpu& cpu, const Instruction& one) {
  if ((cpu.flag[one.b] != 0) != kSet) {
    return 1;
  }
  cpu.next = one.k;
  return 2;
}

int read_flags(Cpu& cpu, const Instruction& one) {
  unsigned value = 0;
  for (unsigned bit = 0; bit < 8; ++bit) {
    value |= static_cast<unsigned>(cpu.flag[bit]) << bit;
  }
  cpu.data[R_SREG] = static_cast<std::uint8_t>(value);  // the simulator keeps a copy there when asked
  cpu.data[one.d] = static_cast<std::uint8_t>(value);
  return 1;
}

// Interrupts that were disabled are served when one more instruction has been executed.
void set_interrupt_flag(Cpu& cpu, bool on) {
  if (!on) {
    cpu.avr->interrupt_state = 0;
  } else if (cpu.flag[S_I] == 0) {
    cpu.avr->interrupt_state = -2;
  }
  cpu.flag[S_I] = on ? 1 : 0;
}

int write_flags(Cpu& cpu, const Instruction& one) {
  const unsigned value = cpu.data[one.d];
  cpu.data[R_SREG] = static_cast<std::uint8_t>(value);
  for (unsigned bit = 0; bit < 7; ++bit) {
    cpu.flag[bit] = static_cast<std::uint8_t>((value >> bit) & 1U);
  }
  set_interrupt_flag(cpu, value >> 7U != 0);
  return 1;
}

int come_back_from_interrupt(Cpu& cpu, const Instruction& one) {
  const int cycles = come_back(cpu, one);
  if (cycles != kNotPlain) {
    set_interrupt_flag(cpu, true);
    end_interrupt(cpu.avr);
  }
  return cycles;
}

int sleep(Cpu& cpu, const Instruction& /*one*/) {
  if (!interrupt_pending(cpu.avr) || cpu.flag[S_I] == 0) {
    cpu.avr->state = cpu_Sleeping;
  }
  return 1;
}

int load(Cpu& cpu, const Instruction& one) {
  return !read(cpu, one.k, cpu.data[one.d]) ? kNotPlain : one.bytes == 4 ? 2 : 1;
}
int store(Cpu& cpu, const Instruction& one) {
  return !write(cpu, one.k, cpu.data[one.d]) ? kNotPlain : one.bytes == 4 ? 2 : 1;
}

template <bool kLoads>
int by_pointer(Cpu& cpu, const Instruction& one) {
  unsigned pointer = cpu.data[one.pointer] | (cpu.data[one.pointer + 1U] << 8U);
  if (one.step == Instruction::Step::kBefore) {
    pointer = (pointer - 1U) & 0xFFFFU;
  }
  const unsigned address = (pointer + one.k) & 0xFFFFU;
  // A pointer that loads or stores its own half is left to the simulator, which has its own order of doing that; so is
  // one that goes from register to register.
  const bool steps = one.step != Instruction::Step::kNone;
  if (steps && (!in_memory(cpu, address) || (one.d & 0x1EU) == one.pointer)) {
    return kNotPlain;
  }
  if (!(kLoads ? read(cpu, address, cpu.data[one.d]) : write(cpu, address, cpu.data[one.d]))) {
    return kNotPlain;
  }
  if (one.step == Instruction::Step::kAfterwards) {
    pointer = (pointer + 1U) & 0xFFFFU;
  }
  if (steps) {
    cpu.data[one.pointer] = static_cast<std::uint8_t>(pointer);
    cpu.data[one.pointer + 1U] = static_cast<std::uint8_t>(pointer >> 8U);
  }
  return 2;
}

template <bool kSets>
int bit_of_cell(Cpu& cpu, const Instruction& one) {
  const unsigned bit = 1U << one.b;
  std::uint8_t value = 0;
  if (!read(cpu, one.k, value)) {
    return kNotPlain;
  }
  (void)write(cpu, one.k, static_cast<std::uint8_t>(kSets ? value | bit : value & ~bit));
  return 2;
}

// Unless something was begun that makes it read fuses; one that loads its own pointer is left to the simulator, too.
int load_program(Cpu& cpu, const Instruction& one) {
  const bool steps = one.step != Instruction::Step::kNone;
  if (cpu.data[kProgramControl] != 0 || (steps && (one.d & 0x1EU) == R_ZL)) {
    return kNotPlain;
  }
  const unsigned address = cpu.data[R_ZL] | (cpu.data[R_ZH] << 8U);
  cpu.data[one.d] = cpu.avr->flash[address];
  if (steps) {
    cpu.data[R_ZL] = static_cast<std::uint8_t>(address + 1U);
    cpu.data[R_ZH] = static_cast<std::uint8_t>((address + 1U) >> 8U);
  }
  return 3;
}

int push(Cpu& cpu, const Instruction& one) {
  const unsigned pointer = stack_pointer(cpu);
  if (near_an_end(cpu, pointer, 0)) {
    return kNotPlain;
  }
  cpu.data[pointer] = cpu.data[one.d];
  set_stack_pointer(cpu, pointer - 1U);
  return 2;
}
int pop(Cpu& cpu, const Instruction& one) {
  const unsigned pointer = stack_pointer(cpu) + 1U;
  if (near_an_end(cpu, pointer, 0)) {
    return kNotPlain;
  }
  cpu.data[one.d] = cpu.data[pointer];
  set_stack_pointer(cpu, pointer);
  return 2;
}

PlainRunner::Execute memory(const Instruction& which) {
  switch (which.operation) {
    case Op::kLoad:
      return which.k == R_SREG && which.bytes == 2 ? read_flags : load;
    case Op::kStore:
      return which.k == R_SREG && which.bytes == 2 ? write_flags : store;
    case Op::kLoadByPointer:
      return by_pointer<true>;
    case Op::kStoreByPointer:
      return by_pointer<false>;
    case Op::kPush:
      return push;
    case Op::kPop:
      return pop;
    case Op::kSetCellBit:
      return bit_of_cell<true>;
    case Op::kClearCellBit:
      return bit_of_cell<false>;
    case Op::kLoadProgram:
      return load_program;
    case Op::kNop:
      return [](Cpu& /*cpu*/, const Instruction& /*one*/) { return 1; };
    default:
      return not_plain;
  }
}

}  // namespace

PlainRunner::Execute plain_flow(const Instruction& which) {
  switch (which.operation) {
    case Op::kBranchIfSet:
      return branch<true>;
    case Op::kBranchIfClear:
      return branch<false>;
    case Op::kJump:
      return [](Cpu& cpu, const Instruction& one) {
        cpu.next = one.k;
        return one.bytes == 4 ? 3 : 2;
      };
    case Op::kCall:
      return call;
    case Op::kReturn:
      return come_back;
    case Op::kReturnFromInterrupt:
      return come_back_from_interrupt;
    case Op::kSleep:
      return sleep;
    case Op::kSetFlag:
    case Op::kClearFlag:  // that of interrupts
      return [](Cpu& cpu, const Instruction& one) {
        set_interrupt_flag(cpu, one.operation == Op::kSetFlag);
        return 1;
      };
    case Op::kSkipIfEqual:
      return [](Cpu& cpu, const Instruction& one) { return skip_if(cpu, cpu.data[one.d] == cpu.data[one.r]); };
    case Op::kSkipIfBitClear:
      return [](Cpu& cpu, const Instruction& one) { return skip_if(cpu, ((cpu.data[one.d] >> one.b) & 1U) == 0); };
    case Op::kSkipIfBitSet:
      return [](Cpu& cpu, const Instruction& one) { return skip_if(cpu, ((cpu.data[one.d] >> one.b) & 1U) != 0); };
    default:
      return memory(which);
  }
}

}  // namespace dawnrig::device
