#include "tests/device/wait_maker.h"

#include "tests/device/opcodes.h"

namespace dawnrig::device {
namespace {

constexpr unsigned kCells = 0x300;  // sixteen that loops read
constexpr unsigned kTicks = 0x312;
constexpr unsigned kScratch = 0x320;
constexpr unsigned kPinD = 0x09, kTimerFlags = 0x15, kPlain = 0x1E, kTimerCount = 0x26, kMatch = 0x27, kFlags = 0x3F;

}  // namespace

Words WaitMaker::make() {
  guarded_ = one_in(4);
  words_.assign(128, 0);
  far_jump_at(0, 128);
  set_up();
  const std::size_t begin = words_.size();
  const std::size_t leaves = pick(1, 3);
  for (std::size_t i = 0; i < leaves; ++i) {
    wait();
    work();
  }
  if (guarded_ && one_in(2)) {  // one day nobody pets the watchdog any more
    add({one(0x9000, 16), kLeft, constant(0x3000, 16, pick(3, 12)), 0xF008U /* brcs over */, 0xCFFF});
  }
  add({0x940C, static_cast<std::uint16_t>(begin)});
  far_jump_at(part_.match_vector, static_cast<unsigned>(words_.size()));
  routine();
  far_jump_at(part_.name == "atmega2560" ? 24 : 12, static_cast<unsigned>(words_.size()));
  add({0x9518});  // of the watchdog
  return words_;
}

void WaitMaker::add(const std::vector<unsigned>& more) {
  for (const unsigned word : more) words_.push_back(static_cast<std::uint16_t>(word));
}

void WaitMaker::far_jump_at(unsigned at, unsigned to) {
  words_[at] = 0x940C;
  words_[at + 1] = static_cast<std::uint16_t>(to);
}

void WaitMaker::set_up() {
  add({constant(0xE000, 16, kStack & 0xFFU), cell(0xB800, 16, 0x3D), constant(0xE000, 16, kStack >> 8U),
       cell(0xB800, 16, 0x3E)});
  for (unsigned d = 2; d < 14; ++d) {
    add({constant(0xE000, 20, byte()), two(0x2C00, d, 20)});
  }
  add({constant(0xE000, 20, byte()), one(0x9200, 20), kCells + pick(0, 15)});
  add({constant(0xE000, 30, (kScratch + 1U) & 0xFFU), constant(0xE000, 31, kScratch >> 8U)});
  if (guarded_) {  // the watchdog, 16 or 32 ms, which resets, or interrupts first, or only that
    const unsigned how = (one_in(2) ? 0x08U : one_in(2) ? 0x48U : 0x40U) | pick(0, 1);
    add({0x95A8, constant(0xE000, 16, 0x18), one(0x9200, 16), 0x60, constant(0xE000, 16, how), one(0x9200, 16), 0x60});
  }
  // A match of timer 0 every 2048 or 16384 cycles.
  add({constant(0xE000, 16, pick(2, 3)), cell(0xB800, 16, 0x25), constant(0xE000, 16, byte()), cell(0xB800, 16, kMatch),
       constant(0xE000, 16, 2), one(0x9200, 16), 0x6E, 0x9478});
}

/// Mostly one that leaves everything as it was: what a turn works with it sets first.
void WaitMaker::wait() {
  const std::size_t head = words_.size();
  if (!one_in(8)) {
    for (const unsigned d : {16U, 17U, 18U, 19U, 24U, 25U}) {
      if (!one_in(6)) add({two(0x2C00, d, any())});
    }
  }
  for (unsigned left = pick(0, 9); left > 0; --left) {
    piece();
  }
  if (guarded_) {
    if (one_in(3)) add({one(one_in(2) ? 0xFC00U : 0xFE00U, one_in(2) ? 16 : pick(2, 9)) | pick(0, 7)});  // not always
    add({0x95A8});
  }
  const unsigned back = static_cast<unsigned>(head) - static_cast<unsigned>(words_.size() + 4);
  switch (pick(0, 4)) {
    case 0:
      if (back + 64U < 128U) {
        add({one(0x9000, 20), kFlag, two(0x2000, 20, 20), 0xF001U | (back & 0x7FU) << 3U /* breq head */});
        return;
      }
      [[fallthrough]];
    case 1:
      add({one(0x9000, 20), kFlag, two(0x2000, 20, 20), 0xF409U /* brne over */});
      break;
    case 2:
      add({one(0x9000, 20), kFlag, one(0xFE00, 20) /* sbrs r20, 0 */});
      break;
    case 3:
      add({two(0x1400, 10, 11) /* cp */, 0xF409U});
      break;
    default:
      add({0x9BF0U /* sbis GPIOR0, 0 */});
      break;
  }
  add({jump_back(words_.size(), head)});
}

void WaitMaker::piece() {
  static constexpr unsigned kTwo[] = {0x0400, 0x0C00, 0x0800, 0x1400, 0x1800, 0x1C00, 0x2000, 0x2400, 0x2800, 0x2C00};
  static constexpr unsigned kConstant[] = {0x3000, 0x4000, 0x5000, 0x6000, 0x7000, 0xE000};
  static constexpr unsigned kOne[] = {0x9400, 0x9401, 0x9402, 0x9403, 0x9405, 0x9406, 0x9407, 0x940A};
  switch (pick(0, 23)) {
    case 0:
      add({constant(kConstant[pick(0, 5)], scratch(), byte())});
      break;
    case 1:
      add({one(kOne[pick(0, 7)], scratch())});
      break;
    case 2:
      add({(one_in(2) ? 0x9600U : 0x9700U) | pick(0, 15)});  // r25:r24
      break;
    case 3:
      add({one(one_in(2) ? 0xFA00 : 0xF800, scratch()) | pick(0, 7)});  // bst, bld
      break;
    case 4:
      add({one(0x920F, any()), one(0x900F, scratch())});  // push, pop
      break;
    case 5:
    case 6:
      add({one(0x9000, scratch()), kCells + pick(0, 15)});
      break;
    case 7:
      add({one(0x9200, any()), one_in(3) ? kCells + pick(0, 15) : kScratch + pick(0, 3)});
      break;
    case 8:
      add({cell(0xB000, scratch(), kFlags)});
      break;
    case 9:
      add({cell(0xB000, 21, kFlags), cell(0xB800, 21, kFlags)});
      break;
    case 10:
      add({cell(0xB000, scratch(), one_in(3) ? kTimerFlags : one_in(2) ? kPinD : kPlain)});
      break;
    case 11:
      add({cell(0xB000, scratch(), one_in(4) ? kTimerCount : kMatch)});
      break;
    case 12:                                                            // the ninth bit of a word
      add({two(0x9C00, any(), any()), two(0x1C00, scratch(), any())});  // mul, adc
      break;
    case 13:
      pointed();
      break;
    case 14:
      add({one(one_in(2) ? 0xFC00 : 0xFE00, any()) | pick(0, 7), two(kTwo[pick(0, 9)], scratch(), any())});
      break;
    case 15:  // over a branch
      add({(one_in(2) ? 0xF000U : 0xF400U) | 1U << 3U | pick(0, 6), two(kTwo[pick(0, 9)], scratch(), any())});
      break;
    case 16:
      called();
      break;
    case 17:
      add({0x94F8, one(0x9000, scratch()), kCells + pick(0, 15), 0x9478});  // cli, sei
      break;
    case 18:  // what lies on the stack
      peeks_ = true;
      add({one(0x900F, 24), one(0x920F, 24)});
      break;
    case 19:  // movw r24, some pair
      add({0x0100U | 12U << 4U | pick(1, 6)});
      break;
    case 20:  // there and back with whatever the pointer is
      add({one(one_in(2) ? 0x9001U : 0x9201U, scratch()), one(0x9002, scratch())});
      break;
    case 21:  // that is work, though no register tells
      if (one_in(3)) {
        add({one(0x9000, 16), kScratch + 4U, 0x9503, one(0x9200, 16), kScratch + 4U, constant(0xE000, 16, 7)});
      }
      break;
    default:
      add({two(kTwo[pick(0, 9)], scratch(), any())});
      break;
  }
}

/// In memory; or at a register, or at the flags.
void WaitMaker::pointed() {
  const unsigned at = one_in(2) ? (one_in(3) ? 0x5FU : pick(2, 9)) : kCells + pick(0, 15);
  pointed_at_ = at < 32 ? at : pointed_at_;
  add({constant(0xE000, 26, at & 0xFFU), constant(0xE000, 27, at >> 8U), one(0x900C, scratch())});
  if (one_in(4)) {
    add({constant(0xE000, 30, kScratch & 0xFFU), constant(0xE000, 31, kScratch >> 8U),
         one(0x9201, pick(2, 9)) /* st Z+ */, one(0x9002, scratch()) /* ld -Z */});
  }
}

/// Behind a jump over it.
void WaitMaker::called() {
  add({0xC000U | 5U /* over six words */});
  const std::size_t routine = words_.size();
  add({one(0x9000, scratch()), kCells + pick(0, 15), two(0x1C00, scratch(), any()), 0x0000, 0x9508});
  add({0x940E, static_cast<unsigned>(routine)});
}

void WaitMaker::work() {
  add({one(0x9000, 16), kLeft, 0x9503 /* inc r16 */, one(0x9200, 16), kLeft, two(0x2400, 20, 20), one(0x9200, 20),
       kFlag, 0x98F0U /* cbi GPIOR0, 0 */, 0x94A3U /* inc r10 */});
  for (unsigned left = pick(0, 4); left > 0; --left) {
    piece();
  }
  if (one_in(4)) add({0x94F8});  // cli
  if (one_in(2)) {
    add({one(0x9403, pick(2, 9))});  // inc: the next turns work with something else
  }
  if (one_in(3)) {
    add({one(0x9000, 16), kCells + 3U, 0x9503, one(0x9200, 16), kCells + 3U});
  }
}

/// Counts; sometimes changes what the loop looks at, beside what it waits for.
void WaitMaker::routine() {
  const bool keeps_flags = !one_in(3);
  add({one(0x920F, 20), cell(0xB000, 20, kFlags), one(0x920F, 20), one(0x920F, 21), one(0x9000, 20), kTicks,
       0x9543U /* inc r20 */, one(0x9200, 20), kTicks});
  if (guarded_) {  // one day it does not come back, and the watchdog was last petted in a loop
    add({constant(0x3000, 20, pick(4, 40)), 0xF409U /* brne over */, 0xCFFF});
  }
  if (peeks_) add({one(0xFC00, 20) | 1U, one(0x9200, 20), kStack + 1U});
  if (pointed_at_ != 0) add({one(0xFC00, 20) | 1U, one(0x9403, pointed_at_)});
  for (unsigned left = pick(1, 4); left > 0; --left) {
    change();
  }
  add({constant(0xE000, 21, 1), one(0xFC00, 20) | pick(0, 3), one(0x9200, 21), kFlag});
  if (one_in(2)) add({one(0xFC00, 20) | pick(0, 3), 0x9AF0U /* sbi GPIOR0, 0 */});
  if (one_in(2)) add({one(0xFC00, 20) | pick(1, 3), two(0x2C00, 10, 11)});
  add({one(0x900F, 21), one(0x900F, 20)});
  if (keeps_flags) add({cell(0xB800, 20, kFlags)});
  add({one(0x900F, 20), 0x9518});
}

void WaitMaker::change() {
  add({one(0xFE00, 20) | pick(0, 2), 0xC002U /* over two words */});
  switch (pick(0, 6)) {
    case 0:
      add({two(0x2C00, pick(16, 19), 20), 0x0000});
      break;
    case 1:
      add({one(0x9200, 20), kCells + pick(0, 15)});
      break;
    case 2:
      add({one(0x9403, pick(2, 9)), 0x0000});
      break;
    case 3:
      add({cell(0xB800, 20, kMatch), 0x0000});
      break;
    case 4:
      add({cell(0xB800, 20, kPlain), 0x0000});
      break;
    case 5:
      add({one(0x9200, 20), kStack - pick(0, 1)});
      break;
    default:
      add({one(0x9200, 20), kScratch + pick(0, 3)});
      break;
  }
}

}  // namespace dawnrig::device
