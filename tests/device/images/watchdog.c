// Boots, notes why, then feeds the watchdog until told to stop. PB0 is high while it runs.
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

volatile uint8_t cause __attribute__((section(".noinit")));
volatile uint8_t survivor __attribute__((section(".noinit")));
volatile uint8_t watchdog_on_at_boot __attribute__((section(".noinit")));
volatile uint8_t ddr_at_boot __attribute__((section(".noinit")));
volatile uint8_t hang;

int main(void) {
  cause = MCUSR;
  watchdog_on_at_boot = WDTCSR;
  ddr_at_boot = DDRB | PORTB | TCCR1A | TCCR1B | OCR1AL | ADCSRA | UCSR0B;
  if (!(cause & _BV(EXTRF))) {
    MCUSR = 0;  // an external reset leaves its mark standing, to show that marks add up
  }
  wdt_enable(WDTO_60MS);
  DDRB = 0xFF;
  PORTB = 0x01;
  TCCR1A = _BV(COM1A1) | _BV(WGM10);
  OCR1A = 77;
  TCCR1B = _BV(CS10);
  ADCSRA = _BV(ADEN);
  UCSR0B = _BV(RXEN0);
  for (;;) {
    if (!hang) {
      wdt_reset();
    }
  }
}
