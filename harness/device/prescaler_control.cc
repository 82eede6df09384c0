#include "harness/device/prescaler_control_internal.h"

#include <utility>

namespace dawnrig::device {
namespace {

constexpr avr_io_addr_t kGtccr = 0x43;
constexpr unsigned kHold = 0x80;
constexpr unsigned kResetSecond = 0x02;
constexpr unsigned kResetIo = 0x01;

}  // namespace

PrescalerControl::PrescalerControl(SimulatorCore& core, TimerClocks& clocks, std::vector<TimerUnit*> timers)
    : core_(core), clocks_(clocks), timers_(std::move(timers)) {
  own_write<&PrescalerControl::write>(core.avr(), kGtccr, this);
}

void PrescalerControl::reset() {
  held_io_ = false;
  held_second_ = false;
}

void PrescalerControl::write(avr_io_addr_t address, std::uint8_t value) {
  const Cycle now = core_.now();
  for (TimerUnit* timer : timers_) {
    timer->settle();
  }
  const bool hold = (value & kHold) != 0;
  const auto set = [now, hold](Prescaler& prescaler, bool restart, bool& held) {
    if (restart) {
      prescaler.restart(now);
    }
    if (restart && hold) {
      prescaler.hold(now);
    } else if (held) {
      prescaler.go_on(now);
    }
    held = restart && hold;
  };
  set(clocks_.io, (value & kResetIo) != 0, held_io_);
  set(clocks_.second, (value & kResetSecond) != 0, held_second_);
  core_.avr()->data[address] = hold ? value : 0;  // without the hold bit the reset bits clear themselves
  for (TimerUnit* timer : timers_) {
    timer->clock_changed();
  }
}

}  // namespace dawnrig::device
