// Sleeps between the ticks of a timer, one millisecond apart, and toggles PB5 at each.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

volatile uint32_t ticks;
ISR(TIMER1_COMPA_vect) {
  ++ticks;
  PINB = _BV(5);
}
int main(void) {
  DDRB = _BV(5);
  OCR1A = 1999;
  TCCR1B = _BV(WGM12) | _BV(CS11);
  TIMSK1 = _BV(OCIE1A);
  sei();
  for (;;) {
    sleep_mode();
  }
}
