// Waits in every way that firmware waits, one after the other, and toggles PB0 (PB7 on the larger part) behind each.
// Never pets the watchdog in the last one, so that everything starts over.
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdint.h>
#include <util/atomic.h>

#ifdef __AVR_ATmega2560__
#define MARK PB7
#define WAVE PB5
#else
#define MARK PB0
#define WAVE PB1
#endif

static volatile uint8_t tick;
static volatile uint32_t count;  // of ticks
volatile uint8_t waits_done;
volatile uint16_t turns;

static void __attribute__((noinline)) mark(void) {
  PINB = _BV(MARK);
  ++waits_done;
}

ISR(TIMER0_COMPA_vect) {
  tick = 1;
  ++count;
}

static uint32_t __attribute__((noinline)) ticks(void) {
  uint32_t now;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    now = count;
  }
  return now;
}

static void __attribute__((noinline)) wait_for_tick(void) {
  tick = 0;
  while (!tick) {
  }
}

// What the packaged core calls micros(): counts of the timer, put together from ticks and the running counter.
static uint32_t __attribute__((noinline)) fine_ticks(void) {
  const uint8_t flags = SREG;
  cli();
  uint32_t coarse = count;
  const uint8_t fine = TCNT0;
  if ((TIFR0 & _BV(OCF0A)) && fine < 100) {
    ++coarse;
  }
  SREG = flags;
  return coarse * 250 + fine;
}

static void wait_for_flags_of_peripherals(void) {
  TIFR1 = _BV(TOV1);
  while (!(TIFR1 & _BV(TOV1))) {
  }
  mark();
  ADMUX = _BV(REFS0);
  ADCSRA = _BV(ADEN) | _BV(ADSC) | 7;
  while (ADCSRA & _BV(ADSC)) {
  }
  mark();
  for (uint8_t i = 0; i < 3; ++i) {
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = 'a' + i;
  }
  while (!(UCSR0A & _BV(TXC0))) {
  }
  UCSR0A = _BV(TXC0);
  mark();
  eeprom_write_byte((uint8_t*)5, waits_done);
  eeprom_busy_wait();
  mark();
  SPCR = _BV(SPE) | _BV(MSTR) | 3;
  SPDR = 0x5A;
  while (!(SPSR & _BV(SPIF))) {
  }
  (void)SPDR;
  mark();
  TWBR = 72;
  TWCR = _BV(TWINT) | _BV(TWSTA) | _BV(TWEN);
  while (!(TWCR & _BV(TWINT))) {
  }
  TWCR = _BV(TWINT) | _BV(TWSTO) | _BV(TWEN);
  while (TWCR & _BV(TWSTO)) {
  }
  mark();
}

static void wait_for_pins_and_counters(void) {
  while (PINB & _BV(WAVE)) {
  }
  while (!(PINB & _BV(WAVE))) {
  }
  mark();
  TCCR2B = 7;  // a tick every 1024 cycles
  TCNT2 = 0;
  while (TCNT2 < 9) {
  }
  mark();
  const uint32_t start = fine_ticks();
  while (fine_ticks() - start < 2000) {
  }
  mark();
}

static void wait_for_interrupts(void) {
  wait_for_tick();
  mark();
  const uint32_t start = ticks();
  while (ticks() - start < 5) {
  }
  mark();
  for (uint8_t i = 0; i < 3; ++i) {
    wait_for_tick();
  }
  mark();
  tick = 0;
  for (;;) {  // as a sleeper's loop, without the sleep
    cli();
    if (tick) {
      break;
    }
    sei();
  }
  sei();
  mark();
  tick = 0;
  while (!tick) {
    wdt_reset();
  }
  mark();
  tick = 0;
  while (!tick) {
    ++turns;  // counts its turns: no two of them are alike
  }
  mark();
}

int main(void) {
  MCUSR = 0;
  wdt_enable(WDTO_30MS);
  DDRB = _BV(MARK) | _BV(WAVE);
  TCCR0A = _BV(WGM01);
  OCR0A = 249;
  TCCR0B = 3;
  TIMSK0 = _BV(OCIE0A);
  ICR1 = 3000;
  OCR1A = 1000;
  TCCR1A = _BV(COM1A1) | _BV(WGM11);
  TCCR1B = _BV(WGM13) | _BV(WGM12) | 2;
  UBRR0 = 25;
  UCSR0B = _BV(TXEN0);
  sei();
  for (uint8_t i = 0; i < 4; ++i) {
    wait_for_interrupts();
    wdt_reset();
    wait_for_flags_of_peripherals();
    wdt_reset();
    wait_for_pins_and_counters();
    wdt_reset();
  }
  for (;;) {
  }
}
