#include "harness/device/turn_replay_internal.h"

#include <algorithm>
#include <cstring>
#include <limits>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

using Bytes = TurnReplay::Bytes;
using Op = Operation;

Bytes all(unsigned value) {
  return TurnReplay::all(value);
}

std::uint8_t lane(const Bytes& bytes, int which) {
  std::uint8_t out[TurnReplay::kLanes];
  std::memcpy(out, &bytes, sizeof out);
  return out[which];
}

/// How many lanes from the first on hold all ones.
int leading(const Bytes& bytes) {
  std::uint8_t out[TurnReplay::kLanes];
  std::memcpy(out, &bytes, sizeof out);
  return static_cast<int>(std::find_if(out, out + TurnReplay::kLanes, [](std::uint8_t b) { return b != 0xFF; }) - out);
}

bool uniform(const Bytes& bytes, std::uint32_t& value) {
  value = lane(bytes, 0);
  return leading(reinterpret_cast<Bytes>(bytes == all(value))) == TurnReplay::kLanes;
}

}  // namespace

void TurnRecord::begin(unsigned stack_pointer_there) {
  steps.clear();
  cycles = 0;
  stack_pointer = stack_pointer_there;
}

void TurnRecord::add(const Instruction& one, std::uint32_t pc, Cycle after, std::uint32_t next) {
  steps.push_back({one, pc, next, after, 0});
}

void TurnRecord::finish(Cycle turn_cycles) {
  cycles = turn_cycles;
  // Backwards, from the head, where any flag may be one that the next turn begins with.
  unsigned wanted = kAllFlags;
  for (auto step = steps.rbegin(); step != steps.rend(); ++step) {
    step->flags_needed = flags_set_by(step->one) & wanted;
    wanted = (wanted & ~flags_set_by(step->one)) | flags_read_by(step->one);
  }
}

Cycle TurnReplay::turns_alike(const TurnRecord& turn, Cycle most) {
  if (stack_pointer_of(avr_) != turn.stack_pointer) {
    return 0;
  }
  turn_ = &turn;
  Cycle alike = 0;
  const Cycle now = now_of(avr_);
  while (alike < most) {
    if (!replay(now + alike * turn.cycles)) {
      break;
    }
    most = std::min(most, (same_until_ - 1 - now) / turn.cycles);
    const Cycle wanted = std::clamp<Cycle>(most - alike, 0, kLanes);
    const Cycle good = std::min<Cycle>(wanted, std::min(leading(alike_), lanes_as_before()));
    if (good > 0) {
      expected_of_ = registers_written_;
      for (unsigned i = 0; i < registers_.size(); ++i) {
        expected_[i] = lane(registers_[i], static_cast<int>(good) - 1);
      }
    }
    alike += good;
    if (good == kLanes && !counted_) {
      return most;  // nothing tells the later turns from these
    }
    if (good < kLanes) {
      break;
    }
  }
  return alike;
}

bool TurnReplay::replay(Cycle first_turn_at) {
  first_turn_at_ = first_turn_at;
  alike_ = all(0xFF);
  same_until_ = std::numeric_limits<Cycle>::max();
  counted_ = false;
  for (unsigned i = 0; i < registers_.size(); ++i) {
    registers_[i] = all(avr_->data[i]);
  }
  for (unsigned i = 0; i < flags_.size(); ++i) {
    flags_[i] = all(avr_->sreg[i]);
  }
  registers_read_first_ = registers_written_ = flags_read_first_ = flags_written_ = 0;
  cell_count_ = 0;
  stack_pointer_ = stack_pointer_of(avr_);
  const unsigned stack_pointer = stack_pointer_;
  return std::all_of(turn_->steps.begin(), turn_->steps.end(), [this](const Step& step) { return perform(step); }) &&
         stack_pointer_ == stack_pointer;
}

int TurnReplay::lanes_as_before() const {
  Bytes same = all(0xFF);
  for (unsigned i = 0; i < registers_.size(); ++i) {
    if (((registers_read_first_ >> i) & 1U) != 0) {
      same &= reinterpret_cast<Bytes>(registers_[i] == all(avr_->data[i]));
    }
  }
  for (unsigned i = 0; i < flags_.size(); ++i) {
    if (((flags_read_first_ >> i) & 1U) != 0) {
      same &= reinterpret_cast<Bytes>(flags_[i] == all(avr_->sreg[i]));
    }
  }
  for (std::size_t i = 0; i < cell_count_; ++i) {
    if (cells_[i].read_first) {
      same &= reinterpret_cast<Bytes>(cells_[i].now == all(cells_[i].before));
    }
  }
  return leading(same);
}

bool TurnReplay::came_true() const {
  for (unsigned i = 0; i < registers_.size(); ++i) {
    if (((expected_of_ >> i) & 1U) != 0 && expected_[i] != avr_->data[i]) {
      return false;
    }
  }
  return true;
}

const Bytes& TurnReplay::read(unsigned number) {
  if (((registers_written_ >> number) & 1U) == 0) {
    registers_read_first_ |= 1U << number;
  }
  return registers_[number];
}
void TurnReplay::write(unsigned number, const Bytes& value) {
  registers_written_ |= 1U << number;
  registers_[number] = value;
}
const Bytes& TurnReplay::read_flag(unsigned bit) {
  if (((flags_written_ >> bit) & 1U) == 0) {
    flags_read_first_ |= 1U << bit;
  }
  return flags_[bit];
}
void TurnReplay::set_flag(const Step& step, unsigned bit, const Bytes& value) {
  if (((step.flags_needed >> bit) & 1U) != 0) {
    flags_[bit] = value;
  }
  flags_written_ |= 1U << bit;
}

TurnReplay::Cell* TurnReplay::cell_at(std::uint32_t address) {
  const auto end = cells_.begin() + static_cast<std::ptrdiff_t>(cell_count_);
  const auto found = std::find_if(cells_.begin(), end, [address](const Cell& cell) { return cell.address == address; });
  return found == end ? nullptr : &*found;
}

bool TurnReplay::counts(std::uint32_t address, const Step& step, Bytes& value) {
  const avr_io_addr_t at = static_cast<avr_io_addr_t>(address);
  Peripheral* reader = readers_[AVR_DATA_TO_IO(address)];
  if (reader == nullptr) {
    return false;
  }
  std::uint8_t read[kLanes];
  for (int i = 0; i < kLanes; ++i) {
    const auto count = reader->count_at(at, first_turn_at_ + i * turn_->cycles + step.after);
    if (!count) {
      same_until_ = std::min(same_until_, reader->reads_same_until(at));
      const auto& cell = avr_->io[AVR_DATA_TO_IO(address)];
      value = all(cell.r.c(avr_, at, cell.r.param));
      return true;
    }
    read[i] = *count;
  }
  counted_ = true;
  std::memcpy(&value, read, sizeof value);
  return true;
}

bool TurnReplay::load(std::uint32_t address, const Step& step, Bytes& value) {
  if (address == R_SREG) {
    value = all(0);
    for (unsigned bit = 0; bit < 8; ++bit) {
      value |= read_flag(bit) << static_cast<std::uint8_t>(bit);
    }
    return true;
  }
  if (address < 32 || address == R_SPL || address == R_SPH || address > avr_->ramend) {
    return false;
  }
  if (address - 32U < MAX_IOs && avr_->io[AVR_DATA_TO_IO(address)].r.c != nullptr) {
    return counts(address, step, value);
  }
  if (const Cell* cell = cell_at(address); cell != nullptr) {
    value = cell->now;
    return true;
  }
  if (cell_count_ == cells_.size()) {
    return false;
  }
  value = all(avr_->data[address]);
  cells_[cell_count_++] = {address, true, avr_->data[address], value};
  return true;
}

bool TurnReplay::store(std::uint32_t address, const Bytes& value) {
  if (address == R_SREG) {
    for (unsigned bit = 0; bit < 8; ++bit) {
      flags_[bit] = (value >> static_cast<std::uint8_t>(bit)) & all(1);
    }
    flags_written_ = kAllFlags;
    return true;
  }
  const bool taken = address - 32U < MAX_IOs && avr_->io[AVR_DATA_TO_IO(address)].w.c != nullptr;
  if (address < 32 || address == R_SPL || taken || address > avr_->ramend) {
    return false;
  }
  if (Cell* cell = cell_at(address); cell != nullptr) {
    cell->now = value;
    return true;
  }
  if (cell_count_ == cells_.size()) {
    return false;
  }
  cells_[cell_count_++] = {address, false, avr_->data[address], value};
  return true;
}

bool TurnReplay::push_address(std::uint32_t address) {
  std::uint32_t word = address >> 1U;
  for (int i = 0; i < avr_->address_size; ++i, word >>= 8U) {
    if (!store(stack_pointer_--, all(word & 0xFFU))) {
      return false;
    }
  }
  return true;
}

bool TurnReplay::pop_address(std::uint32_t& address) {
  std::uint32_t word = 0;
  for (int i = 0; i < avr_->address_size; ++i) {
    Bytes byte{};
    std::uint32_t value = 0;
    if (!load(++stack_pointer_, turn_->steps.front(), byte) || !uniform(byte, value)) {
      return false;
    }
    word = word << 8U | value;
  }
  address = word << 1U;
  return true;
}

bool TurnReplay::pointer_of(const Step& step, std::uint32_t& address) {
  std::uint32_t low = 0;
  std::uint32_t high = 0;
  if (step.one.step != Instruction::Step::kNone || !uniform(read(step.one.pointer), low) ||
      !uniform(read(step.one.pointer + 1U), high)) {
    return false;
  }
  address = (low | high << 8U) + step.one.k;
  return address <= avr_->ramend;
}

bool TurnReplay::memory(const Step& step) {
  const Instruction& one = step.one;
  std::uint32_t address = one.k;
  Bytes value{};
  switch (one.operation) {
    case Op::kLoadByPointer:
    case Op::kStoreByPointer:
      if (!pointer_of(step, address)) {
        return false;
      }
      break;
    case Op::kPush:
      return store(stack_pointer_--, read(one.d));
    case Op::kPop:
      address = ++stack_pointer_;
      break;
    default:
      break;
  }
  if (one.operation == Op::kStore || one.operation == Op::kStoreByPointer) {
    return store(address, read(one.d));
  }
  if (!load(address, step, value)) {
    return false;
  }
  write(one.d, value);
  return true;
}

bool TurnReplay::flow(const Step& step) {
  const Instruction& one = step.one;
  const bool goes_on = step.next == step.pc + one.bytes;
  Bytes taken{};
  Bytes cell{};
  std::uint32_t target = 0;
  switch (one.operation) {
    case Op::kJump:
      return true;
    case Op::kCall:
      return push_address(step.pc + one.bytes);
    case Op::kReturn:
      return pop_address(target) && target == step.next;
    case Op::kBranchIfSet:
      taken = reinterpret_cast<Bytes>(read_flag(one.b) != all(0));
      break;
    case Op::kBranchIfClear:
      taken = reinterpret_cast<Bytes>(read_flag(one.b) == all(0));
      break;
    case Op::kSkipIfEqual:
      taken = reinterpret_cast<Bytes>(read(one.d) == read(one.r));
      break;
    case Op::kSkipIfBitClear:
      taken = reinterpret_cast<Bytes>((read(one.d) & all(1U << one.b)) == all(0));
      break;
    case Op::kSkipIfBitSet:
      taken = reinterpret_cast<Bytes>((read(one.d) & all(1U << one.b)) != all(0));
      break;
    case Op::kSkipIfCellClear:
    case Op::kSkipIfCellSet:
      if (!load(one.k, step, cell)) {
        return false;
      }
      taken = reinterpret_cast<Bytes>((cell & all(1U << one.b)) != all(0));
      if (one.operation == Op::kSkipIfCellClear) {
        taken = ~taken;
      }
      break;
    default:
      return false;
  }
  // A branch onto the next instruction looks the same taken or not, but takes another cycle: not worth the trouble.
  if (one.k == step.pc + one.bytes) {
    return false;
  }
  return demand(goes_on ? ~taken : taken);
}

// Where not even the first turn goes on, nothing more may be read: that turn will not.
bool TurnReplay::demand(const Bytes& holds) {
  alike_ &= holds;
  return leading(alike_) > 0;
}

bool TurnReplay::perform(const Step& step) {
  switch (step.one.operation) {
    case Op::kNop:
      return true;
    case Op::kLoad:
    case Op::kStore:
    case Op::kLoadByPointer:
    case Op::kStoreByPointer:
    case Op::kPush:
    case Op::kPop:
      return memory(step);
    default:
      return arithmetic(step) || one_operand(step) || flow(step);
  }
}

}  // namespace dawnrig::device
