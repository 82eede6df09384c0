// Serial echo by interrupt at 115200 baud; while `deaf` it reads nothing.
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

volatile uint8_t deaf;
volatile uint8_t overrun_seen;
volatile uint8_t empty_entries;  // entries of the transmit-buffer routine

static volatile uint8_t ring[64], head, tail;

#ifdef USART0_RX_vect
#define RX_VECT USART0_RX_vect
#define UDRE_VECT USART0_UDRE_vect
#else
#define RX_VECT USART_RX_vect
#define UDRE_VECT USART_UDRE_vect
#endif

ISR(RX_VECT) {
  if (UCSR0A & _BV(DOR0)) {
    overrun_seen = 1;
  }
  ring[head++ & 63] = UDR0;
  UCSR0B |= _BV(UDRIE0);
}
ISR(UDRE_VECT) {
  ++empty_entries;
  if (tail == head) {
    UCSR0B &= ~_BV(UDRIE0);
  } else {
    UDR0 = ring[tail++ & 63];
  }
}
int main(void) {
  UBRR0 = 16;
  UCSR0A = _BV(U2X0);
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
  sei();
  for (;;) {
    cli();  // the routines change the same register
    if (deaf) {
      UCSR0B &= ~_BV(RXCIE0);
    } else {
      UCSR0B |= _BV(RXCIE0);
    }
    sei();
    __asm__ volatile("nop");  // one instruction passes before a waiting interrupt is taken; cli must not be it
  }
}
