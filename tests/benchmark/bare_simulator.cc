#include "tests/benchmark/bare_simulator.h"

#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>

#include <algorithm>

namespace dawnrig::benchmark {

std::int64_t run_bare(const char* part, const device::Image& image, std::int64_t clock_hz, std::int64_t cycles,
                      Sleep sleep) {
  avr_t* avr = avr_make_mcu_by_name(part);
  avr_init(avr);
  avr->frequency = static_cast<std::uint32_t>(clock_hz);
  avr->log = LOG_NONE;
  avr->vcc = 5000;
  avr->avcc = 5000;
  avr->aref = 5000;
  if (sleep == Sleep::kAtOnce) avr->sleep = [](avr_t*, avr_cycle_count_t) {};
  std::uint32_t flags = 0;  // neither echo nor slow polling loops down
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  std::copy(image.flash.begin(), image.flash.end(), avr->flash);
  avr->codeend = avr->flashend;
  const auto end = static_cast<avr_cycle_count_t>(cycles);
  while (avr->cycle < end && avr->state != cpu_Done && avr->state != cpu_Crashed) {
    avr_run(avr);
  }
  const auto reached = static_cast<std::int64_t>(avr->cycle);
  avr_terminate(avr);
  return reached;
}

}  // namespace dawnrig::benchmark
