// Does nothing, as fast as it can.
#include <avr/io.h>
int main(void) {
  volatile uint8_t count = 0;
  for (;;) {
    ++count;
  }
}
