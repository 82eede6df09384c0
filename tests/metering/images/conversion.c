// As little firmware as tells a battery voltage: one code of ADC0 after another, converted and sent as "mv=28800".
// CONVERSION chooses how, for revision A's divider of 100 k over 15 k: rightly, or with one of the mistakes that people
// make. The build makes one image of each.
#include <avr/io.h>
#include <stdint.h>

#define RIGHT 0
#define OVERFLOWS 1
#define ROUNDS_FIRST 2
#define WRONG_CONSTANT 3
#define WRONG_REFERENCE 4

volatile uint16_t battery_mv;
volatile int16_t below_full_ddv;  // tenths of a volt below full scale, as a signed number

static uint16_t convert(uint16_t code) {
#if CONVERSION == OVERFLOWS
  return (uint16_t)(code * 75U) >> 1;  // 37.5 mV a code; code 874 makes 65 550
#elif CONVERSION == ROUNDS_FIRST
  return (uint16_t)(((uint32_t)code * 5000 / 1024) / 15 * 115);  // the pin in whole steps of 15 mV, and down
#elif CONVERSION == WRONG_CONSTANT
  return (uint16_t)(((2UL * code + 1) * 34500UL) / 2048);  // as if AVCC were 4.5 V
#else
  return (uint16_t)(((2UL * code + 1) * 38333UL) / 2048);
#endif
}

static void send(char c) {
  while (!(UCSR0A & _BV(UDRE0))) {
  }
  UDR0 = (uint8_t)c;
}

static void send_number(uint16_t value) {
  char digits[5];
  uint8_t count = 0;
  do {
    digits[count++] = (char)('0' + value % 10);
    value /= 10;
  } while (value > 0);
  while (count > 0) {
    send(digits[--count]);
  }
}

int main(void) {
  UBRR0 = 7;  // 250 000 baud
  UCSR0A = _BV(U2X0);
  UCSR0B = _BV(TXEN0);
#if CONVERSION == WRONG_REFERENCE
  ADMUX = _BV(REFS1) | _BV(REFS0);
#else
  ADMUX = _BV(REFS0);
#endif
  ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
  for (;;) {
    ADCSRA |= _BV(ADSC);
    while (ADCSRA & _BV(ADSC)) {
    }
    battery_mv = convert(ADC);
    below_full_ddv = (int16_t)(battery_mv / 100) - 383;
    send('m');
    send('v');
    send('=');
    send_number(battery_mv);
    send('\r');
    send('\n');
  }
}
