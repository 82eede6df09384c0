#include "harness/device/idle_turn_internal.h"

#include <algorithm>
#include <cstring>
#include <limits>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

/// A byte of ones for each of eight bits.
std::uint64_t bytes_of(std::uint32_t bits) {
  std::uint64_t bytes = 0;
  for (unsigned i = 0; i < 8; ++i) {
    bytes |= ((bits >> i) & 1U) != 0 ? std::uint64_t{0xFF} << (8U * i) : 0U;
  }
  return bytes;
}

std::uint64_t mixed(std::uint64_t is, std::uint64_t becomes, std::uint64_t where) {
  return (is & ~where) | (becomes & where);
}

}  // namespace

bool IdleTurn::Cells::add(const Cell& cell) {
  if (count_ == cells_.size()) {
    return false;
  }
  cells_[count_++] = cell;
  return true;
}

bool IdleTurn::Cells::has(std::uint32_t address) const {
  return std::any_of(begin(), end(), [address](const Cell& cell) { return cell.address == address; });
}

IdleTurn::Words IdleTurn::registers_of(const avr_t* avr) {
  Words words;
  std::memcpy(words.data(), avr->data, sizeof words);
  return words;
}

std::uint64_t IdleTurn::flags_of(const avr_t* avr) {
  std::uint64_t flags = 0;
  static_assert(sizeof flags == sizeof avr->sreg);
  std::memcpy(&flags, avr->sreg, sizeof flags);
  return flags;
}

void IdleTurn::begin(const avr_t* avr) {
  usable_ = true;
  finished_ = false;
  stack_pointer_ = stack_pointer_of(avr);
  registers_read_ = registers_set_ = flags_read_ = flags_set_ = 0;
  read_.clear();
  written_.clear();
}

void IdleTurn::meet(const Instruction& one) {
  registers_read_ |= registers_read_by(one) & ~registers_set_;
  registers_set_ |= registers_set_by(one);
  flags_read_ |= flags_read_by(one) & ~flags_set_;
  flags_set_ |= flags_set_by(one);
}

void IdleTurn::read(avr_t* avr, std::uint32_t address) {
  if (address == R_SREG) {
    write(address);  // when asked for the flags, the simulator leaves a copy of them there
  }
  if (address == R_SREG || address == R_SPL || address == R_SPH || written_.has(address)) {
    return;  // known with the flags and the stack pointer, or from the turn itself
  }
  const std::uint32_t io = address - 32U;
  const bool asks = io < MAX_IOs && avr->io[io].r.c != nullptr;
  const auto at = static_cast<avr_io_addr_t>(address);
  const std::uint8_t value = asks ? avr->io[io].r.c(avr, at, avr->io[io].r.param) : avr->data[address];
  usable_ = usable_ && read_.add({at, value, asks});
}

void IdleTurn::write(std::uint32_t address) {
  const bool known = address < 32 || address == R_SPL || address == R_SPH;  // with the registers and the stack pointer
  if (!known && !written_.has(address)) {
    usable_ = usable_ && written_.add({static_cast<std::uint16_t>(address), 0, false});
  }
}

void IdleTurn::finish(const avr_t* avr, Cycle cycles) {
  cycles_ = cycles;
  registers_ = registers_of(avr);
  flags_ = flags_of(avr);
  for (unsigned i = 0; i < registers_.size(); ++i) {
    where_read_[i] = bytes_of(registers_read_ >> (8U * i));
    where_set_[i] = bytes_of(registers_set_ >> (8U * i));
  }
  flags_where_read_ = bytes_of(flags_read_);
  flags_where_set_ = bytes_of(flags_set_);
  for (Cell& cell : written_) {
    cell.value = avr->data[cell.address];
  }
  finished_ = usable_;
}

Cycle IdleTurn::repeats_until(avr_t* avr, const Readers& readers) const {
  const Cycle now = now_of(avr);
  if (!finished_ || stack_pointer_of(avr) != stack_pointer_ || ((flags_of(avr) ^ flags_) & flags_where_read_) != 0) {
    return now;
  }
  const Words registers = registers_of(avr);
  std::uint64_t other = 0;
  for (unsigned i = 0; i < registers.size(); ++i) {
    other |= (registers[i] ^ registers_[i]) & where_read_[i];
  }
  if (other != 0) {
    return now;
  }
  // In the order of the turn, and no further than to the first that reads otherwise, or may before the turn is over: so
  // far the turn will come, and only what it will read itself may be read here.
  Cycle same_until = std::numeric_limits<Cycle>::max();
  for (const Cell& cell : read_) {
    const auto& io = avr->io[cell.asks ? cell.address - 32U : 0U];
    const std::uint8_t value = cell.asks ? io.r.c(avr, cell.address, io.r.param) : avr->data[cell.address];
    if (cell.asks) {
      same_until = std::min(same_until, readers[cell.address - 32U]->reads_same_until(cell.address));
    }
    if (value != cell.value || same_until <= now + cycles_) {
      return now;
    }
  }
  return same_until;
}

void IdleTurn::leave_behind(avr_t* avr) const {
  Words registers = registers_of(avr);
  for (unsigned i = 0; i < registers.size(); ++i) {
    registers[i] = mixed(registers[i], registers_[i], where_set_[i]);
  }
  std::memcpy(avr->data, registers.data(), sizeof registers);
  const std::uint64_t flags = mixed(flags_of(avr), flags_, flags_where_set_);
  std::memcpy(avr->sreg, &flags, sizeof flags);
  for (const Cell& cell : written_) {
    avr->data[cell.address] = cell.value;
  }
}

}  // namespace dawnrig::device
