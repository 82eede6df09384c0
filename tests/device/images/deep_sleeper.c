// PWM on PB1 at 1 in 4, then sleeps in the mode it finds in `mode_asked` (as in SMCR), woken by the watchdog interrupt.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

volatile uint8_t wakes;
ISR(WDT_vect) {
  ++wakes;
  WDTCSR |= _BV(WDIE);
}
int main(void) {
  EEAR = 0;
  EECR |= _BV(EERE);
  const uint8_t mode_asked = EEDR;
  DDRB = _BV(1);
  TCCR1A = _BV(COM1A1) | _BV(WGM11);
  ICR1 = 999;
  OCR1A = 249;
  TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS10);
  ADMUX = _BV(REFS0);
  ADCSRA = _BV(ADEN) | _BV(ADPS2);
  WDTCSR = _BV(WDCE) | _BV(WDE);
  WDTCSR = _BV(WDIE);  // 16 ms, interrupt only
  sei();
  for (uint16_t i = 0; i < 4000; ++i) {
    __asm__ volatile("nop");
  }
  SMCR = mode_asked | _BV(SE);
  for (;;) {
    __asm__ volatile("sleep");
  }
}
