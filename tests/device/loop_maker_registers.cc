// What the programs do with registers of peripherals.
#include "tests/device/loop_maker.h"

namespace dawnrig::device {

// sbi and cbi of DDRB, TIFR0, EECR's enable for interrupts and a plain cell; a write to PINB; lpm in its three forms,
// sometimes of its own pointer, or behind the end of what there is.
void LoopMaker::bits_and_program(unsigned d) {
  static constexpr unsigned kCells[] = {0x04, 0x15, 0x1F, 0x1E, 0x03};
  const unsigned cell = kCells[pick(0, 4)];
  const unsigned bit = cell == 0x1F ? 3 : pick(0, 7);
  add({static_cast<std::uint16_t>((one_in(3) ? 0x9800U : 0x9A00U) | cell << 3U | bit)});
  if (one_in(2)) {
    constant(0xE000, 30, byte());
    constant(0xE000, 31, one_in(8) ? 0xFF : byte() & 1U);
  }
  const unsigned which = one_in(6) ? pick(30, 31) << 4U : d;
  add({static_cast<std::uint16_t>(one_in(6) ? 0x95C8U : (one_in(2) ? 0x9004U : 0x9005U) | which)});
}

void LoopMaker::registers() {
  const unsigned d = pick(0, 25) << 4U;
  static constexpr unsigned kEeprom[] = {0, 1, 2, 4};
  switch (pick(0, 8)) {
    case 0:
      add({static_cast<std::uint16_t>(0xB406U | d | 1U << 9U)});  // in d, TCNT0
      break;
    case 1:
      add({static_cast<std::uint16_t>(0x9000U | d), 0x0046});  // lds d, TCNT0
      break;
    case 2:
      add({static_cast<std::uint16_t>(0xBC07U | d)});  // out OCR0A, d
      break;
    case 3:
      add({static_cast<std::uint16_t>(0x9200U | d), 0x0048});  // sts OCR0B, d
      break;
    case 4:
      add({static_cast<std::uint16_t>(0xB60FU | d)});  // in d, SREG
      break;
    case 5:
      add({static_cast<std::uint16_t>(0xBE0FU | d)});  // out SREG, d
      break;
    case 6:
      add({static_cast<std::uint16_t>(one_in(2) ? 0x94F8 : 0x9478)});  // cli, sei
      break;
    case 7:  // out EECR, r16: reading and programming halt the processor for some cycles
      constant(0xE000, 16, kEeprom[pick(0, 3)]);
      add({0xBB0F});
      break;
    default:
      bits_and_program(d);
      break;
  }
}

// Conversions, alone or one after another; results read in either order, or tried to be written; channels changed while
// one is under way, and results shown the other way round.
void LoopMaker::converter() {
  const unsigned d = pick(0, 25) << 4U;
  static constexpr std::uint16_t kRegisters[] = {0x78, 0x79, 0x7C};  // ADCL, ADCH, ADMUX
  static constexpr unsigned kStatus[] = {0xC1, 0xC4, 0xC5, 0xC8, 0xE1, 0xD6, 0x80, 0x46, 0x00};
  const auto choose_channel = [this] {
    constant(0xE000, 16, 0x40U | (byte() & 0x27U));
    add({0x9300, 0x007C});  // sts ADMUX, r16
  };
  switch (pick(0, 5)) {
    case 0:
      constant(0xE000, 16, kStatus[pick(0, 8)]);
      add({0x9300, 0x007A});  // sts ADCSRA, r16
      break;
    case 1:
      add({0x9100, 0x007A, 0x6400, 0x9300, 0x007A});  // lds r16, ADCSRA; ori r16, 0x40; sts ADCSRA, r16
      break;
    case 2:
      choose_channel();
      break;
    case 3:
      add({static_cast<std::uint16_t>(0x9200U | d), kRegisters[pick(0, 2)]});
      break;
    default:
      add({static_cast<std::uint16_t>(0x9000U | d), kRegisters[pick(0, 2)]});
      break;
  }
  if (one_in(3)) {
    choose_channel();
  }
  if (one_in(3)) {
    branch();
  }
}

}  // namespace dawnrig::device
