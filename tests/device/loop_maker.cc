#include "tests/device/loop_maker.h"

#include <algorithm>

namespace dawnrig::device {

Words LoopMaker::make() {
  words_.assign(128, 0);
  words_[0] = 0xC000U | 127U;  // rjmp to 128
  routine_at(64, part_.match_vector, 1);
  routine_at(96, part_.overflow_vector, 2);
  stack_at(kStack);
  for (unsigned d = 16; d < 32; ++d) {
    constant(0xE000, d, byte());
    add({two(0x2C00, d - 16, d)});
  }
  constant(0xE000, 16, pick(1, 2));
  add({0xBD05});  // out TCCR0B, r16
  constant(0xE000, 16, 0x83);
  add({0xBD04, 0x9A56, 0x9A27});  // out TCCR0A, r16: fast PWM on OC0A; sbi DDRD, 6; sbi DDRB, 7
  constant(0xE000, 16, 3);
  add({0x9300, 0x006E, 0x9478});  // sts TIMSK0, r16; sei
  const std::size_t head = words_.size();
  for (unsigned pieces = pick(20, 60); pieces > 0; --pieces) {
    piece();
  }
  add({0x940C, static_cast<std::uint16_t>(head)});
  return words_;
}

// lds inc sts the count, sts another: of two that wait, the lower vector's comes first. Around that what compilers put
// there (push r1, push r0, in r0 SREG, push r0, eor r1 r1, push r16; and back), or something shorter; now and then
// with interrupts enabled within.
void LoopMaker::routine_at(unsigned at, unsigned vector, unsigned which) {
  const bool compiled = which == 2 || one_in(2);
  Words routine = compiled ? Words{0x921F, 0x920F, 0xB60F, 0x920F, 0x2411, 0x930F} : Words{0x930F, 0xB70F, 0x930F};
  const auto add_words = [&routine](const Words& more) { routine.insert(routine.end(), more.begin(), more.end()); };
  add_words({0x9100, kCount});
  if (compiled && one_in(2)) {  // an inc depends on a flag that the zero in r1 has set
    add_words({static_cast<std::uint16_t>((one_in(2) ? 0xF008U : 0xF408U) | pick(1, 4)), 0x9503});
  }
  add_words({0x9503, 0x9300, kCount, static_cast<std::uint16_t>(0xE000U | which), 0x9300, kCount + 1});
  if (one_in(6)) {
    add_words({0x9478});  // sei
  }
  add_words(compiled ? Words{0x910F, 0x900F, 0xBE0F, 0x900F, 0x901F, 0x9518} : Words{0x910F, 0xBF0F, 0x910F, 0x9518});
  std::copy(routine.begin(), routine.end(), words_.begin() + at);
  words_[vector] = static_cast<std::uint16_t>(0xC000U | (at - vector - 1));
}

std::uint16_t LoopMaker::two(unsigned operation, unsigned d, unsigned r) {
  return static_cast<std::uint16_t>(operation | (r & 0x10U) << 5U | d << 4U | (r & 15U));
}

void LoopMaker::constant(unsigned operation, unsigned d, unsigned k) {
  words_.push_back(static_cast<std::uint16_t>(operation | (k & 0xF0U) << 4U | (d - 16U) << 4U | (k & 15U)));
}

void LoopMaker::stack_at(unsigned address) {
  constant(0xE000, 28, address & 0xFFU);
  constant(0xE000, 29, address >> 8U);
  // cli, out SPH, out SPL: an interrupt in between would find half a stack pointer. Then sei, or it stays disabled.
  add({0x94F8, 0xBFDE, 0xBFCD});
  if (!one_in(3)) {
    add({0x9478});
  }
}

void LoopMaker::arithmetic() {
  static constexpr unsigned kTwo[] = {0x0400, 0x0C00, 0x0800, 0x1400, 0x1800, 0x1C00,
                                      0x2000, 0x2400, 0x2800, 0x2C00, 0x9C00};
  static constexpr unsigned kConstant[] = {0x3000, 0x4000, 0x5000, 0x6000, 0x7000, 0xE000};
  static constexpr unsigned kOne[] = {0x9400, 0x9401, 0x9402, 0x9403, 0x9405, 0x9406, 0x9407, 0x940A};
  switch (pick(0, 9)) {
    case 0:
      constant(kConstant[pick(0, 5)], pick(16, 31), byte());
      break;
    case 1:
      add({static_cast<std::uint16_t>(kOne[pick(0, 7)] | pick(0, 31) << 4U)});
      break;
    case 2:
      add({static_cast<std::uint16_t>((one_in(2) ? 0x9600U : 0x9700U) | byte())});
      break;
    case 3:  // bst, bld
      add({static_cast<std::uint16_t>((one_in(2) ? 0xFA00U : 0xF800U) | pick(0, 31) << 4U | pick(0, 7))});
      break;
    case 4:  // movw, a flag other than that of interrupts, or a product with signs
      add({static_cast<std::uint16_t>(one_in(3)   ? 0x0100U | byte()
                                      : one_in(4) ? 0x0200U | byte()
                                                  : 0x9408U | pick(0, 1) << 7U | pick(0, 6) << 4U)});
      break;
    default:
      add({two(kTwo[pick(0, 10)], pick(0, 31), pick(0, 31))});
      break;
  }
}

void LoopMaker::chain() {
  static constexpr unsigned kChained[] = {0x1C00, 0x0800, 0x0400};  // adc, sbc, cpc
  const unsigned operation = kChained[pick(0, 2)];
  for (unsigned left = pick(1, 9); left > 0; --left) {
    // Often of something with itself, so that the zero that is kept is kept.
    const unsigned d = pick(0, 31);
    add({two(operation, d, one_in(3) ? d : pick(0, 31))});
  }
  if (one_in(2)) {
    branch();
  }
}

// Of two or four bytes in pairs of neighbouring registers, one instruction a byte; sometimes of more, and sometimes
// pairs that meet, or are none.
void LoopMaker::number() {
  static constexpr unsigned kFirst[] = {0x0C00, 0x1C00, 0x1800, 0x0800, 0x1400, 0x0400};
  static constexpr unsigned kBehind[] = {0x1C00, 0x1C00, 0x0800, 0x0800, 0x0400, 0x0400};
  const unsigned which = pick(0, 5);
  unsigned d[] = {pick(0, 30), pick(0, 30), pick(0, 30)};
  unsigned r[] = {one_in(4) ? d[0] : pick(0, 30), one_in(4) ? d[1] : pick(0, 30), pick(0, 30)};
  if (one_in(2)) {  // four in a row
    d[1] = std::min(d[0] + 2, 30U);
    r[1] = std::min(r[0] + 2, 30U);
  }
  const unsigned apart = one_in(4) ? 0 : 1;
  const unsigned bytes = one_in(5) ? pick(3, 6) : 2 * pick(1, 2);
  if (one_in(2)) {  // a zero that is kept makes the difference more often
    add({two(0x1800, d[0], d[0])});
  }
  if (one_in(5)) {
    const unsigned low = pick(16, 30);
    constant(0x5000, low, byte());
    constant(0x4000, low + 1, byte());
  } else {
    for (unsigned i = 0; i < bytes; ++i) {
      add({two(i == 0 ? kFirst[which] : kBehind[which], d[i / 2] + i % 2, r[i / 2] + apart * (i % 2))});
    }
  }
  if (one_in(2)) {
    branch();
  }
}

// A byte made a word, and read as one at once; sometimes by other halves than were put together.
void LoopMaker::widened() {
  const unsigned d = 2 * pick(8, 14);
  add({two(0x2C00, d, pick(0, 31))});  // mov
  constant(0xE000, d + (one_in(8) ? 0 : 1), one_in(2) ? 0 : byte());
  if (one_in(3)) {
    constant(0xE000, d, byte());
  }
  const unsigned from = one_in(6) ? d + 1 : d;
  add({static_cast<std::uint16_t>(0x0100U | pick(0, 7) << 4U | from / 2)});  // movw
  add({two(0x0C00, pick(0, 15), from), two(0x1C00, pick(0, 15), from + 1)});
}

// Bytes of a number from or to memory, up or down, by their addresses or by a pointer with a displacement; some of them
// where memory begins or ends.
void LoopMaker::bytes_in_a_row() {
  const bool stores = one_in(2);
  const bool down = one_in(2);
  const unsigned many = pick(2, 6);
  const auto place = [down, many](unsigned base, unsigned i) { return down ? base + many - 1 - i : base + i; };
  const unsigned registers = pick(0, 20);
  unsigned address = kMemory + byte();
  if (one_in(4)) {
    address = one_in(2) ? part_.ram_start - pick(0, 3) : 0x900 - many;
  }
  if (one_in(2)) {
    for (unsigned i = 0; i < many; ++i) {
      add({static_cast<std::uint16_t>(0x9000U | (stores ? 0x0200U : 0U) | place(registers, i) << 4U),
           static_cast<std::uint16_t>(place(address, i))});
    }
    return;
  }
  const bool by_y = one_in(2);
  const unsigned pointer = by_y ? 28 : 30;
  const unsigned displacement = pick(0, 58);
  constant(0xE000, pointer, (address - displacement) & 0xFFU);
  constant(0xE000, pointer + 1, (address - displacement) >> 8U);
  const bool loses_pointer = address >= kMemory && address < 0x500 && one_in(3);
  for (unsigned i = 0; i < (loses_pointer ? 2 : many); ++i) {
    const unsigned q = displacement + (loses_pointer ? i : place(0, i));
    const unsigned d = loses_pointer ? pointer + i : place(registers, i);
    add({static_cast<std::uint16_t>(0x8000U | (q & 0x20U) << 8U | (q & 0x18U) << 7U | (q & 7U) |
                                    (stores ? 0x0200U : 0U) | (by_y ? 8U : 0U) | d << 4U)});
  }
}

// Over up to three instructions of one word: into the middle of whatever stands there.
void LoopMaker::branch() {
  const unsigned over = pick(0, 3);
  add({static_cast<std::uint16_t>((one_in(2) ? 0xF000U : 0xF400U) | over << 3U | pick(0, 7))});
  for (unsigned i = 0; i < over; ++i) {
    arithmetic();
  }
}

void LoopMaker::skip() {
  add({one_in(2) ? two(0x1000, pick(0, 31), pick(0, 31))
                 : static_cast<std::uint16_t>((one_in(2) ? 0xFC00U : 0xFE00U) | pick(0, 31) << 4U | pick(0, 7))});
  if (one_in(2)) {
    add({static_cast<std::uint16_t>(0x9000U | pick(0, 25) << 4U), static_cast<std::uint16_t>(kMemory + byte())});
  } else {
    arithmetic();
  }
}

void LoopMaker::count_down() {
  const unsigned counter = pick(16, 25);
  constant(0xE000, counter, pick(1, 6));
  const std::size_t head = words_.size();
  for (unsigned left = pick(0, 3); left > 0; --left) {
    const unsigned d = pick(0, 15);
    add({two(one_in(2) ? 0x1C00 : 0x2400, d, pick(0, 31))});
  }
  add({static_cast<std::uint16_t>(0x940AU | counter << 4U)});  // dec
  const auto back = static_cast<unsigned>(head) - static_cast<unsigned>(words_.size() + 1);
  add({static_cast<std::uint16_t>(0xF401U | (back & 0x7FU) << 3U)});  // brne
}

// Near or far, to a routine of one instruction; behind it a jump over the routine.
void LoopMaker::call() {
  if (one_in(2)) {
    add({0xD001, 0xC002});
  } else {
    add({0x940E, static_cast<std::uint16_t>(words_.size() + 4), 0x940C, static_cast<std::uint16_t>(words_.size() + 6)});
  }
  arithmetic();
  add({static_cast<std::uint16_t>(one_in(4) ? 0x9518 : 0x9508)});  // reti, which enables interrupts; ret
}

void LoopMaker::rows_on_the_stack() {
  // Near its lowest, rows of pushes begin as plain and end as something else.
  const bool low = one_in(3);
  if (low) {
    stack_at(part_.ram_start + 0x100 + pick(0, 40));
  }
  const unsigned many = pick(1, 20);
  const unsigned lead = one_in(2) ? many : pick(0, 6);  // from there on, one register after another
  const unsigned first = pick(0, 20);
  const unsigned last = pick(10, 25);
  for (unsigned i = 0; i < many; ++i) {
    const unsigned d = i < lead || i - lead > 31 - first ? pick(0, 31) : first + (i - lead);
    add({static_cast<std::uint16_t>(0x920FU | d << 4U)});
  }
  arithmetic();
  for (unsigned i = 0; i < many; ++i) {
    const unsigned d = i < lead || i - lead > last ? pick(0, 25) : last - (i - lead);
    add({static_cast<std::uint16_t>(0x900FU | d << 4U)});
  }
  if (low) {
    stack_at(kStack);
  }
}

void LoopMaker::by_pointer() {
  static constexpr unsigned kPointed[] = {0x900C, 0x900D, 0x900E, 0x9009, 0x900A, 0x9001, 0x9002, 0x8000, 0x8008};
  // In memory mostly; or at the processor's registers, a plain cell, TCNT0, TIFR0, OCR0A, PIND, those of the converter
  // from ADCL to ADMUX, the flags.
  static constexpr unsigned kCells[] = {3, 24, 0x3E, 0x46, 0x35, 0x47, 0x29, 0x78, 0x79, 0x7C, 0x5F};
  const unsigned target = one_in(4) ? kCells[pick(0, 10)] : kMemory + byte();
  for (unsigned pointer = 26; pointer < 32; pointer += 2) {
    constant(0xE000, pointer, target & 0xFFU);
    constant(0xE000, pointer + 1, target >> 8U);
  }
  if (one_in(3)) {
    arithmetic();  // which may change a pointer's lower half; with none above, it may lead to any register
    constant(0xE000, 27, target >> 8U);
    constant(0xE000, 29, target >> 8U);
    constant(0xE000, 31, target >> 8U);
  }
  unsigned how = kPointed[pick(0, 8)];
  if (target == 0x5F) {
    how = (how & 3U) == 2 ? how - 1 : how;  // not the cell before, half the stack pointer
  }
  add({static_cast<std::uint16_t>(how | pick(0, 1) << 9U | pick(0, one_in(8) ? 31 : 25) << 4U)});
}

// A store through a pointer stops a run; here an interrupt that has waited for it comes at once, and keeps flags that
// the run itself would have overwritten with the next instruction.
void LoopMaker::interrupt_mask() {
  constant(0xE000, 30, 0x6E);
  constant(0xE000, 31, 0);
  constant(0xE000, 16, pick(0, 3));
  add({two(0x0C00, pick(0, 15), pick(0, 31)), 0x8300 /* st Z, r16 */, two(0x1800, pick(0, 15), pick(0, 31))});
}

void LoopMaker::piece() {
  switch (pick(0, 23)) {
    case 0:
    case 1:
      chain();
      break;
    case 2:
    case 3:
      branch();
      break;
    case 4:
      skip();
      break;
    case 5:
      count_down();
      break;
    case 6:
      call();
      break;
    case 7:
      rows_on_the_stack();
      break;
    case 8:
      by_pointer();
      break;
    case 9:
    case 10:
      registers();
      break;
    case 11:
      interrupt_mask();
      break;
    case 12:
    case 13:
      number();
      break;
    case 20:
      widened();
      break;
    case 21:
    case 22:
    case 23:
      converter();
      break;
    case 14:
    case 15:
      bytes_in_a_row();
      break;
    default:
      arithmetic();
      break;
  }
}
}  // namespace dawnrig::device
