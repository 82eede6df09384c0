#include "harness/device/adc_unit_internal.h"

#include <algorithm>
#include <utility>

namespace dawnrig::device {
namespace {

constexpr std::uint64_t kNoiseStream =
    0x61646320'6E6F6973;                       // keeps the converter's draws apart from the memory garbage
constexpr double kTemperatureSensorV = 0.314;  // typical at 25 degC by the data sheet
constexpr unsigned kFinished = 0x10;
constexpr unsigned kRunning = 0x40;
constexpr unsigned kEnable = 0x80;
constexpr unsigned kAutoTrigger = 0x20;

}  // namespace

AdcUnit::AdcUnit(SimulatorCore& core, Surroundings& surroundings, const DeviceParams& params,
                 std::vector<TimerUnit*> timers)
    : core_(core),
      surroundings_(surroundings),
      io_(*next_module<avr_adc_t>(core.avr(), "adc")),
      mux_field_(io_.mux, 6),
      reference_field_(io_.ref, 2),
      timers_(std::move(timers)),
      errors_(params.adc),
      noise_(params.seed ^ kNoiseStream),
      supply_v_(params.supply_v),
      aref_v_(params.aref_v),
      internal_v_(params.internal_reference_v),
      internal_2_v_(params.internal_reference_2_v),
      has_second_reference_(io_.ref_values[3] == ADC_VREF_V256) {
  avr_t* avr = core.avr();
  own_write<&AdcUnit::write_status>(avr, io_.r_adcsra, this);
  own_write<&AdcUnit::write_trigger>(avr, io_.r_adcsrb, this);
  mux_write_.busy = &converting_;
  mux_write_.heard = io_.adlar.reg == io_.r_admux ? static_cast<std::uint8_t>(io_.adlar.mask << io_.adlar.bit) : 0;
  own_write<&AdcUnit::write_mux>(avr, io_.r_admux, mux_write_, this);
  own_write<&AdcUnit::write_result>(avr, io_.r_adcl, this);
  own_write<&AdcUnit::write_result>(avr, io_.r_adch, this);
  own_read(avr, io_.r_adcl, low_read_);
  own_read(avr, io_.r_adch, high_read_);
  find_trigger_flags();
}

void AdcUnit::find_trigger_flags() {
  avr_t* avr = core_.avr();
  const auto set = [this](Trigger trigger, avr_int_vector_t& flag) {
    trigger_flags_[static_cast<std::size_t>(trigger)] = &flag;
  };
  for (auto* timer = next_module<avr_timer_t>(avr, "timer"); timer != nullptr;
       timer = next_module<avr_timer_t>(avr, "timer", &timer->io)) {
    if (timer->name == '0') {
      set(Trigger::kT0MatchA, timer->comp[AVR_TIMER_COMPA].interrupt);
      set(Trigger::kT0Overflow, timer->overflow);
    } else if (timer->name == '1') {
      set(Trigger::kT1MatchB, timer->comp[AVR_TIMER_COMPB].interrupt);
      set(Trigger::kT1Overflow, timer->overflow);
      set(Trigger::kT1Capture, timer->icr);
    }
  }
  if (auto* lines = next_module<avr_extint_t>(avr, "extint"); lines != nullptr) {
    set(Trigger::kInt0, lines->eint[0].vector);
  }
}

void AdcUnit::reset() {
  enabled_ = false;
  first_ = false;
  converting_ = 0;
  locked_ = 0;
  result_ = 0;
  held_code_ = 0;
  show_result();
  clock_origin_ = core_.now();
  choose_trigger();
}

void AdcUnit::set_pin_noise_v(int channel, double rms_v) {
  if (channel >= 0 && channel < static_cast<int>(pin_noise_v_.size())) {
    pin_noise_v_[static_cast<std::size_t>(channel)] = rms_v;
  }
}

/// The converter's clock has two to the power of this of the processor's cycles.
unsigned AdcUnit::clock_shift() const {
  return std::max(1U, core_.avr()->data[io_.r_adcsra] & 7U);
}

void AdcUnit::write_mux(avr_io_addr_t address, std::uint8_t value) {
  core_.avr()->data[address] = value;
  show_result();  // the other way round, perhaps
  // Channel and reference follow the register until the conversion really begins at the next edge of the ADC clock.
  if (converting_ != 0 && core_.now() <= started_at_) {
    mux_ = mux_field_.of(core_.avr());
    reference_ = reference_field_.of(core_.avr());
  }
}

void AdcUnit::write_status(avr_io_addr_t address, std::uint8_t value) {
  avr_t* avr = core_.avr();
  std::uint8_t& cell = avr->data[address];
  if (value == (cell | kRunning) && (value & (kEnable | kFinished)) == kEnable && enabled_ && converting_ == 0) {
    start_by_software();  // nothing else changes
    return;
  }
  const bool clears_flag = (value & kFinished) != 0;
  const unsigned flag = clears_flag ? 0U : cell & kFinished;
  const bool on = (value & kEnable) != 0;
  const bool asked = (value & kRunning) != 0;
  const bool other_trigger = ((cell ^ value) & kAutoTrigger) != 0;
  cell = static_cast<std::uint8_t>((value & ~(kFinished | kRunning)) | flag | (converting_ != 0 ? kRunning : 0U));
  if (clears_flag) {
    withdraw_interrupt(avr, io_.adc);
  }
  if (on && !enabled_) {
    enabled_ = true;
    first_ = true;
    clock_origin_ = core_.now();
  } else if (!on && enabled_) {
    stop();
  }
  if (other_trigger) {
    choose_trigger();
  }
  if (enabled_ && asked && converting_ == 0) {
    start_by_software();
  }
  if (flag != 0) {
    core_.ask_if_flagged(io_.adc);
  }
}

void AdcUnit::write_trigger(avr_io_addr_t address, std::uint8_t value) {
  core_.avr()->data[address] = value;
  choose_trigger();
}

void AdcUnit::choose_trigger() {
  const avr_t* avr = core_.avr();
  const bool automatic = (avr->data[io_.r_adcsra] & kAutoTrigger) != 0;
  avr_int_vector_t* const flag = automatic ? trigger_flags_[avr->data[io_.r_adcsrb] & 7U] : nullptr;
  if (flag == trigger_) {
    return;
  }
  // Nobody listens to a flag that starts nothing: it rises for its interrupts, thousands of times a second.
  if (trigger_ != nullptr) {
    avr_irq_unregister_notify(trigger_->irq + AVR_INT_IRQ_PENDING, &AdcUnit::on_trigger_line, this);
  }
  if (flag != nullptr) {
    avr_irq_register_notify(flag->irq + AVR_INT_IRQ_PENDING, &AdcUnit::on_trigger_line, this);
  }
  trigger_ = flag;
  for (TimerUnit* timer : timers_) {
    timer->set_flag_watched(flag != nullptr && timer->has_flag(*flag) ? flag : nullptr);
  }
}

void AdcUnit::on_trigger_line(avr_irq_t* /*irq*/, std::uint32_t value, void* param) {
  auto* adc = static_cast<AdcUnit*>(param);
  if (value == 0 || !adc->enabled_ || adc->converting_ != 0) {
    return;
  }
  // The trigger resets the ADC prescaler, so the delay from trigger to sample is fixed: two clocks, done after 13.5.
  adc->clock_origin_ = adc->core_.now();
  if (adc->first_) {
    adc->start(adc->core_.now(), 27, 50);
  } else {
    adc->start(adc->core_.now(), 4, 27);
  }
}

void AdcUnit::start_by_software() {
  const unsigned shift = clock_shift();
  const Cycle clock = Cycle{1} << shift;
  const Cycle since = core_.now() - clock_origin_;
  const Cycle edge = clock_origin_ + ((since + clock - 1) >> shift << shift);
  if (first_) {
    start(edge, 27, 50);
  } else {
    start(edge, 3, 26);
  }
}

void AdcUnit::start(Cycle at, Cycle to_sample_half_clocks, Cycle to_done_half_clocks) {
  avr_t* avr = core_.avr();
  const unsigned half = clock_shift() - 1U;
  first_ = false;
  converting_ = 1;
  avr->data[io_.r_adcsra] |= kRunning;
  mux_ = mux_field_.of(avr);
  reference_ = reference_field_.of(avr);
  started_at_ = at;
  sample_at_ = at + (to_sample_half_clocks << half);
  done_at_ = at + (to_done_half_clocks << half);
  appoint_anew<&AdcUnit::on_sample>(avr, sample_at_, this);
}

void AdcUnit::stop() {
  enabled_ = false;
  converting_ = 0;
  core_.avr()->data[io_.r_adcsra] &= static_cast<std::uint8_t>(~kRunning);
  call_off<&AdcUnit::on_sample>(core_.avr(), this);
  call_off<&AdcUnit::on_done>(core_.avr(), this);
}

void AdcUnit::io_clock_stopped(bool stopped) {
  // The converter has a clock of its own that runs on in noise reduction mode (1) and stands in every deeper one.
  constexpr avr_io_addr_t kSmcr = 0x53;
  if (stopped && ((core_.avr()->data[kSmcr] >> 1) & 7U) > 1 && converting_ != 0) {
    stop();
    enabled_ = true;
    first_ = true;
  }
}

void AdcUnit::quiet_sleep_entered() {
  if (enabled_ && converting_ == 0) {
    start_by_software();
  }
}

double AdcUnit::reference_v() const {
  double volts = aref_v_.value_or(supply_v_);
  if (reference_ == 1) {
    volts = supply_v_;
  } else if (reference_ == 2 && has_second_reference_) {
    volts = internal_v_;
  } else if (reference_ == 3) {
    volts = has_second_reference_ ? internal_2_v_ : internal_v_;
  }
  return volts * (1.0 + reference_error_frac_);
}

double AdcUnit::channel_v(Cycle at, unsigned channel) {
  const double rms_v = pin_noise_v_[channel & 15U];
  const double noise_v = rms_v > 0.0 ? rms_v * noise_.next() : 0.0;
  return surroundings_.adc_pin_v(at, static_cast<int>(channel)) + noise_v;
}

int AdcUnit::converted(Cycle at) {
  const avr_adc_mux_t& input = io_.muxmode[mux_ & 63U];
  const double unit_noise = errors_.noise_lsb > 0.0 ? noise_.next() : 0.0;
  double pin_v = 0;
  switch (input.kind) {
    case ADC_MUX_SINGLE:
      pin_v = channel_v(at, input.src);
      break;
    case ADC_MUX_REF:
      pin_v = input.src == 0 ? 0.0 : internal_v_;
      break;
    case ADC_MUX_TEMP:
      pin_v = kTemperatureSensorV;
      break;
    case ADC_MUX_DIFF: {
      // Two's complement about the middle of the range, half the resolution per volt.
      const double gain = input.gain == 0 ? 1.0 : static_cast<double>(input.gain);
      const double between_v = channel_v(at, input.src) - channel_v(at, input.diff);
      const double centred_v = reference_v() / 2.0 + between_v * gain / 2.0;
      return (adc_code(centred_v, reference_v(), errors_, unit_noise) - 512) & 0x3FF;
    }
    default:
      break;
  }
  return adc_code(pin_v, reference_v(), errors_, unit_noise);
}

void AdcUnit::on_sample(Cycle when) {
  held_code_ = converted(when);
  if (core_.sleeps_on_to(done_at_)) {
    on_done(done_at_);
  } else {
    appoint_anew<&AdcUnit::on_done>(core_.avr(), done_at_, this);
  }
}

void AdcUnit::on_done(Cycle when) {
  avr_t* avr = core_.avr();
  converting_ = 0;
  avr->data[io_.r_adcsra] &= static_cast<std::uint8_t>(~kRunning);
  if (locked_ == 0) {
    result_ = held_code_;
    show_result();
  }
  core_.raise(io_.adc);
  const bool automatic = (avr->data[io_.r_adcsra] & kAutoTrigger) != 0;
  if (automatic && (avr->data[io_.r_adcsrb] & 7U) == 0) {
    start(when, 3, 26);
  }
}

void AdcUnit::show_result() {
  std::uint8_t* const data = core_.avr()->data;
  const auto code = static_cast<unsigned>(result_);
  const unsigned word = (data[io_.r_admux] & mux_write_.heard) != 0 ? code << 6U : code;
  data[io_.r_adcl] = static_cast<std::uint8_t>(word);
  data[io_.r_adch] = static_cast<std::uint8_t>(word >> 8U);
}

}  // namespace dawnrig::device
