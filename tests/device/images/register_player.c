// Plays a script of register accesses from its EEPROM, so that one image puts every peripheral into every mode.
// A step is four bytes: what, address low, address high, value. See tests/device/device_bench.h for the steps.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>

volatile uint8_t results[256];
volatile uint8_t result_count;
volatile uint8_t finished;
volatile uint16_t entries[4];  // how often each interrupt routine ran

ISR(TIMER1_OVF_vect) {
  ++entries[0];
}
ISR(TIMER1_COMPA_vect) {
  ++entries[1];
}
ISR(TIMER1_CAPT_vect) {
  ++entries[2];
}
ISR(ADC_vect) {
  ++entries[3];
}

static uint8_t cell(uint16_t at) {
  EEAR = at;
  EECR |= _BV(EERE);
  return EEDR;
}

static void wait_about(uint16_t rounds) {
  while (rounds--) {
    __asm__ volatile("nop");
  }
}

int main(void) {
  for (uint16_t at = 0;; at += 4) {
    const uint8_t what = cell(at);
    volatile uint8_t* reg = (volatile uint8_t*)(cell(at + 1) | (cell(at + 2) << 8));
    const uint8_t value = cell(at + 3);
    switch (what) {
      case 'w':  // write
        *reg = value;
        break;
      case 'r':  // read into the results
        results[result_count++] = *reg;
        break;
      case 'd':  // wait value * 256 rounds
        wait_about((uint16_t)value << 8);
        break;
      case 'u':  // wait until a bit of the mask stands
        while (!(*reg & value)) {
        }
        break;
      case 'c':  // wait until every bit of the mask is clear
        while (*reg & value) {
        }
        break;
      case 'i':
        sei();
        break;
      case 'z':  // sleep for good, waking for interrupts
        finished = 1;
        for (;;) {
          sleep_mode();
        }
      case 'b':  // back to step number `value`
        at = (uint16_t)value * 4 - 4;
        break;
      default:
        finished = 1;
        for (;;) {
        }
    }
  }
}
