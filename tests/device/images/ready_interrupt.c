// Writes three EEPROM cells, each from the interrupt that says the last write is done; PB0 toggles at each.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

static uint8_t written;
ISR(EE_READY_vect) {
  if (written == 3) {
    EECR &= ~_BV(EERIE);
    return;
  }
  EEAR = 5 + written;
  EEDR = 0xA0 + written;
  EECR |= _BV(EEMPE);
  EECR |= _BV(EEPE);
  PINB = _BV(0);
  ++written;
}
int main(void) {
  DDRB = _BV(0);
  EECR |= _BV(EERIE);
  sei();
  for (;;) {
    sleep_mode();
  }
}
