#include "harness/device/virtual_device.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <memory>

#include "harness/base/bad_input.h"
#include "harness/device/adc_unit_internal.h"
#include "harness/device/eeprom_unit_internal.h"
#include "harness/device/noise_source.h"
#include "harness/device/pin_bank_internal.h"
#include "harness/device/prescaler_control_internal.h"
#include "harness/device/simulator_core_internal.h"
#include "harness/device/spi_unit_internal.h"
#include "harness/device/timer_unit_internal.h"
#include "harness/device/twi_unit_internal.h"
#include "harness/device/uart_line_internal.h"

namespace dawnrig::device {
namespace {

constexpr avr_io_addr_t kMcusr = 0x54;
constexpr std::uint64_t kMemoryStream = 0x7372616D'20676172;  // keeps memory garbage apart from converter noise

std::vector<std::unique_ptr<TimerUnit>> timers_of(SimulatorCore& core, PinBank& pins, TimerClocks& clocks) {
  std::vector<std::unique_ptr<TimerUnit>> timers;
  for (auto* io = next_module<avr_timer_t>(core.avr(), "timer"); io != nullptr;
       io = next_module<avr_timer_t>(core.avr(), "timer", &io->io)) {
    timers.push_back(std::make_unique<TimerUnit>(core, pins, clocks, *io));
  }
  return timers;
}

std::vector<TimerUnit*> pointers(const std::vector<std::unique_ptr<TimerUnit>>& owned) {
  std::vector<TimerUnit*> plain;
  std::transform(owned.begin(), owned.end(), std::back_inserter(plain), [](const auto& one) { return one.get(); });
  return plain;
}

std::uint8_t reset_bit(ResetCause cause) {
  switch (cause) {
    case ResetCause::kPowerOn:
      return 0x01;
    case ResetCause::kExternal:
      return 0x02;
    case ResetCause::kBrownOut:
      return 0x04;
    case ResetCause::kWatchdog:
      break;
  }
  return 0x08;
}

}  // namespace

void Surroundings::on_other_serial_byte(Cycle /*at*/, int /*uart*/, std::uint8_t /*byte*/) {}

std::uint8_t Surroundings::on_spi_byte(Cycle /*at*/, std::uint8_t /*out*/) {
  return 0xFF;
}

struct VirtualDevice::Impl {
  Impl(const DeviceParams& given, const Image& firmware, Surroundings& world)
      : params(given),
        image(firmware),
        surroundings(world),
        core(given.part, given.clock_hz, firmware, {given.skip_idle, given.translate_after}),
        pins(core, world, given.watched),
        timers(timers_of(core, pins, clocks)),
        prescalers(core, clocks, pointers(timers)),
        adc(core, world, given, pointers(timers)),
        eeprom(core),
        spi(core, world),
        twi(core),
        memory_garbage(given.seed ^ kMemoryStream) {
    for (auto* io = next_module<avr_uart_t>(core.avr(), "uart"); io != nullptr;
         io = next_module<avr_uart_t>(core.avr(), "uart", &io->io)) {
      uarts.push_back(std::make_unique<UartLine>(core, world, *io));
    }
    core.attach(pins);
    core.attach(prescalers);
    for (auto& timer : timers) {
      core.attach(*timer);
    }
    core.attach(adc);
    core.attach(eeprom);
    core.attach(spi);
    core.attach(twi);
    for (auto& uart : uarts) {
      core.attach(*uart);
    }
    if (image.eeprom) {
      eeprom.load(*image.eeprom);
    }
  }

  void power_on();
  void begin_reset(ResetCause cause);
  void crashed();
  RunStatus run_until(Cycle until);
  [[nodiscard]] bool lifeless() const { return !powered || reset_held; }
  [[nodiscard]] UartLine* line(int uart) const;  ///< nullptr: the part has none of that number

  DeviceParams params;
  Image image;
  Surroundings& surroundings;
  SimulatorCore core;
  TimerClocks clocks;
  PinBank pins;
  std::vector<std::unique_ptr<TimerUnit>> timers;
  PrescalerControl prescalers;
  AdcUnit adc;
  EepromUnit eeprom;
  SpiUnit spi;
  TwiUnit twi;
  std::vector<std::unique_ptr<UartLine>> uarts;
  WordSource memory_garbage;
  std::string crash_reason;
  Cycle crashed_at{0};
  bool powered{false};
  bool reset_held{false};
  bool starting{false};
  Cycle starts_at{0};
};

void VirtualDevice::Impl::begin_reset(ResetCause cause) {
  avr_t* avr = core.avr();
  const Cycle now = core.now();
  const auto earlier = cause == ResetCause::kPowerOn ? std::uint8_t{0} : avr->data[kMcusr];
  crash_reason.clear();
  pins.let_go(now);
  core.reset();
  avr->data[kMcusr] = static_cast<std::uint8_t>(earlier | reset_bit(cause));
  surroundings.on_reset(now, cause);
  starting = true;
  starts_at = now;
}

UartLine* VirtualDevice::Impl::line(int uart) const {
  const auto found =
      std::find_if(uarts.begin(), uarts.end(), [uart](const auto& one) { return one->number() == uart; });
  return found == uarts.end() ? nullptr : found->get();
}

void VirtualDevice::Impl::power_on() {
  avr_t* avr = core.avr();
  powered = true;
  for (std::uint32_t at = 0; at <= avr->ramend; ++at) {
    if (at < 0x20 || at > avr->ioend) {
      avr->data[at] = static_cast<std::uint8_t>(memory_garbage.next() >> 56U);
    }
  }
  begin_reset(ResetCause::kPowerOn);
  starts_at = core.now() + std::llround(params.startup_delay_s * static_cast<double>(params.clock_hz));
}

void VirtualDevice::Impl::crashed() {
  crash_reason = core.crash_reason();
  crashed_at = core.now();
  pins.let_go(core.now());
}

RunStatus VirtualDevice::Impl::run_until(Cycle until) {
  while (core.now() < until) {
    if (lifeless() || !crash_reason.empty()) {
      core.pass_time(until);
    } else if (starting && core.now() < starts_at) {
      core.pass_time(std::min(until, starts_at));
    } else {
      if (starting) {
        starting = false;
        pins.release();
      }
      core.run(until);
      if (core.crashed()) {
        crashed();
      } else if (core.bitten()) {
        begin_reset(ResetCause::kWatchdog);
      }
    }
  }
  return crash_reason.empty() ? RunStatus::kRunning : RunStatus::kCrashed;
}

VirtualDevice::VirtualDevice(const DeviceParams& params, const Image& image, Surroundings& surroundings)
    : impl_(std::make_unique<Impl>(params, image, surroundings)) {
  impl_->power_on();
}

VirtualDevice::~VirtualDevice() = default;

Cycle VirtualDevice::now() const {
  return impl_->core.now();
}
RunStatus VirtualDevice::run_until(Cycle until) {
  return impl_->run_until(until);
}
const std::string& VirtualDevice::crash_reason() const {
  return impl_->crash_reason;
}

Cycle VirtualDevice::crashed_at() const {
  return impl_->crashed_at;
}

void VirtualDevice::hold_reset(bool low) {
  if (low && !impl_->reset_held && impl_->powered) {
    impl_->begin_reset(ResetCause::kExternal);
  }
  impl_->reset_held = low;
  if (!low) {
    impl_->starts_at = std::max(impl_->starts_at, now());
  }
}

void VirtualDevice::power_off() {
  impl_->powered = false;
  impl_->crash_reason.clear();
  impl_->pins.let_go(now());
}

void VirtualDevice::power_on() {
  if (!impl_->powered) {
    impl_->power_on();
  }
}

void VirtualDevice::stall() {
  impl_->core.set_stalled(true);
}
void VirtualDevice::set_supply_v(double supply_v) {
  impl_->adc.set_supply_v(supply_v);
}
void VirtualDevice::set_reference_error_frac(double error) {
  impl_->adc.set_reference_error_frac(error);
}
void VirtualDevice::set_pin_noise_v(int adc_channel, double rms_v) {
  impl_->adc.set_pin_noise_v(adc_channel, rms_v);
}
void VirtualDevice::set_pin_level(Pin pin, std::optional<bool> level) {
  impl_->pins.set_outside(pin, level);
}

void VirtualDevice::send_serial(std::span<const std::uint8_t> bytes, int uart) {
  if (UartLine* line = impl_->line(uart); line != nullptr && !impl_->lifeless()) {
    line->send(bytes);
  }
}
std::int64_t VirtualDevice::serial_overruns(int uart) const {
  const UartLine* line = impl_->line(uart);
  return line == nullptr ? 0 : line->overruns();
}

std::vector<std::uint8_t> VirtualDevice::eeprom() const {
  return impl_->eeprom.cells();
}
void VirtualDevice::set_eeprom(std::span<const std::uint8_t> bytes) {
  impl_->eeprom.load(bytes);
}
std::int64_t VirtualDevice::eeprom_writes() const {
  return impl_->eeprom.writes();
}

const std::vector<std::int64_t>& VirtualDevice::eeprom_cell_writes() const {
  return impl_->eeprom.cell_writes();
}
Translations VirtualDevice::translations() const {
  return impl_->core.translations();
}

Cycle VirtualDevice::idle_cycles() const {
  return impl_->core.idle_cycles();
}

std::optional<std::uint32_t> VirtualDevice::address_of(std::string_view symbol) const {
  const auto& symbols = impl_->image.data_symbols;
  const auto found =
      std::find_if(symbols.begin(), symbols.end(), [symbol](const auto& one) { return one.name == symbol; });
  return found == symbols.end() ? std::nullopt : std::optional(found->address);
}

std::uint8_t VirtualDevice::peek(std::uint32_t data_address) const {
  const avr_t* avr = impl_->core.avr();
  return data_address <= avr->ramend ? avr->data[data_address] : std::uint8_t{0};
}

std::uint8_t VirtualDevice::flags() const {
  const avr_t* avr = impl_->core.avr();
  unsigned value = 0;
  for (unsigned bit = 0; bit < 8; ++bit) {
    value |= static_cast<unsigned>(avr->sreg[bit]) << bit;
  }
  return static_cast<std::uint8_t>(value);
}

std::uint32_t VirtualDevice::next_address() const {
  return impl_->core.avr()->pc;
}

void VirtualDevice::poke(std::uint32_t data_address, std::uint8_t value) {
  avr_t* avr = impl_->core.avr();
  if (data_address <= avr->ramend) {
    avr->data[data_address] = value;
  }
}

Cycle VirtualDevice::next_timed_edge() const {
  Cycle next = std::numeric_limits<Cycle>::max();
  for (const auto& timer : impl_->timers) next = std::min(next, timer->next_edge());
  return next;
}

Drive VirtualDevice::drive_of(Pin pin) const {
  return impl_->pins.drive_of(pin);
}

}  // namespace dawnrig::device
