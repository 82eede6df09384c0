#include "harness/rig/virtual_rig.h"

#include <algorithm>
#include <cmath>
#include <deque>
#include <exception>
#include <utility>

#include "harness/base/bad_input.h"
#include "harness/device/virtual_device.h"
#include "harness/rig/cycles.h"
#include "harness/rig/pin_level.h"
#include "harness/rig/plant_failure.h"
#include "harness/rig/plant_sample.h"
#include "harness/rig/plant_stretch.h"
#include "harness/rig/wired_channels.h"
#include "harness/rig/world.h"
#include "plant/transition_memory.h"

namespace dawnrig::rig {

namespace {

constexpr std::size_t kLongestSerialLine = 256;
/// Longest stretch of plant time between two samples: a monitor's clock must not stand still on a quiet night.
constexpr Nanos kLongestQuiet{1'000'000'000};

}  // namespace

class VirtualRig::Loop final : public device::Surroundings, public plant::StepObserver {
 public:
  explicit Loop(const VirtualRigSetup& setup)
      : board_{setup.board},
        site_{setup.site},
        circuit_{profile::circuit_of(board_, site_)},
        world_{board_, site_, setup.initial, setup.seed},
        budget_{setup.most_steps_per_s} {
    device::DeviceParams params = board_.device;
    params.seed = setup.seed;
    device_ = std::make_unique<device::VirtualDevice>(params, setup.image, *this);
    if (board_.eeprom) {
      device_->set_eeprom(*board_.eeprom);
    }
    conditions_.gate_on = commanded_on(device_->drive_of(board_.gate.pin), board_.gate);
    conditions_.load_switch_on = load_output_on();
    fault_shown_ =
        board_.fault_output && commanded_on(device_->drive_of(board_.fault_output->pin), *board_.fault_output);
    state_ = circuit_.at_rest(world_.at_rest(), conditions_);
    start_ = state_;
    publish();
  }

  // --- device::Surroundings: the device asks and tells ---------------------------------------------------------------

  void on_pin(device::Cycle at, device::Pin pin, device::Drive drive) override {
    if (pin == board_.gate.pin) {
      const bool on = commanded_on(drive, board_.gate);
      if (on != conditions_.gate_on) {
        advance_to(time_at(at));
        conditions_.gate_on = on;
        publish();
      }
    }
    if (board_.load_output && pin == board_.load_output->pin) {
      const bool on = commanded_on(drive, *board_.load_output);
      if (on != conditions_.load_switch_on) {
        advance_to(time_at(at));
        conditions_.load_switch_on = on;
        publish();
        announce(trace::EventKind::kLoadSwitch, on ? "load output on" : "load output off");
      }
    }
    if (board_.fault_output && pin == board_.fault_output->pin) follow_fault_output(at, drive);
  }

  void follow_fault_output(device::Cycle at, device::Drive drive) {
    const bool on = commanded_on(drive, *board_.fault_output);
    if (on == fault_shown_) return;
    advance_to(time_at(at));
    fault_shown_ = on;
    publish();
  }

  double adc_pin_v(device::Cycle at, int channel) override {
    const Nanos now = time_at(at);
    approach(now);
    if (!invalid_.empty()) return held_v_;  // the plant got no further
    const std::size_t sense = wired_.sense_at(channel);
    // Where nothing is wired, a floating input is drawn to ground by its own leakage.
    held_v_ = sense == WiredChannels::kNone
                  ? 0.0
                  : plant::sampled_v(circuit_, state_, conditions_, sense, board_.adc_input, held_v_, now, memory_);
    return held_v_;
  }

  void on_serial_byte(device::Cycle at, std::uint8_t byte) override {
    if (byte == '\n' || serial_line_.size() >= kLongestSerialLine) {
      advance_to(time_at(at));
      announce(trace::EventKind::kSerialOut, serial_line_);
      serial_line_.clear();
    }
    if (byte != '\n' && byte != '\r') {
      serial_line_.push_back(static_cast<char>(byte));
    }
  }

  void on_reset(device::Cycle at, device::ResetCause cause) override {
    advance_to(time_at(at));
    ++resets_;
    static constexpr const char* kCauses[] = {"power-on reset", "reset pin", "brown-out reset", "watchdog reset"};
    announce(trace::EventKind::kReset, kCauses[static_cast<std::size_t>(cause)]);
  }

  // --- plant::StepObserver -------------------------------------------------------------------------------------------

  void on_step(const plant::CircuitState& state, const plant::Conditions& /*conditions*/,
               const plant::Probes& probes) override {
    budget_.count(state.now);
    publish(probes);
  }
  [[nodiscard]] bool takes_stretches() const override { return true; }
  void on_stretch(const plant::CircuitState& /*state*/, const plant::Conditions& /*conditions*/,
                  const plant::Probes& probes, const plant::Stretch& stretch) override {
    budget_.count(stretch);
    show(probes);
    told_.take(stretch, conditions_, sample_, board_.charges_while_on());
    to_sinks([this](trace::Sink& sink) { sink.on_stretch(told_); });
  }
  void on_jump(const plant::CircuitState& /*state*/, const plant::Conditions& /*conditions*/) override { publish(); }

  // --- time ----------------------------------------------------------------------------------------------------------

  [[nodiscard]] Nanos time_at(device::Cycle cycle) const { return rig::time_at(cycle, board_.device.clock_hz); }
  [[nodiscard]] device::Cycle cycle_at(Nanos time) const { return rig::cycle_at(time, board_.device.clock_hz); }

  void run_until(Nanos until) {
    while (invalid_.empty()) {
      if (run_to_next(until)) {
        break;
      }
    }
    if (fault_) {
      std::rethrow_exception(fault_);
    }
    if (invalid_.empty()) invalid_ = open_books(circuit_.books_residual_j(start_, state_), state_.books);
  }

  /// True: `until` is reached and nothing more is due by then.
  bool run_to_next(Nanos until) {
    const Nanos next = timeline_.empty() ? until : std::min(until, timeline_.front().time);
    run_device_until(std::max(next, state_.now));
    if (timeline_.empty() || timeline_.front().time > until) {
      return true;
    }
    const scenario::Stimulus due = std::move(timeline_.front());
    timeline_.pop_front();
    apply(due.change);
    return false;
  }

  void schedule(const scenario::Stimulus& stimulus) {
    const auto later = std::upper_bound(timeline_.begin(), timeline_.end(), stimulus.time,
                                        [](Nanos time, const scenario::Stimulus& s) { return time < s.time; });
    timeline_.insert(later, stimulus);
  }

  // --- stimuli -------------------------------------------------------------------------------------------------------

  void apply(const scenario::Change& change) {
    world_.check(change);
    announce(trace::EventKind::kStimulus, scenario::text_of(change));
    world_.apply(change, state_.now);
    change_device(change);
    publish();
  }

  /// The part of a stimulus that acts on the device itself.
  void change_device(const scenario::Change& change) {
    if (const auto* supply = std::get_if<scenario::Supply>(&change)) {
      device_->set_supply_v(supply->supply_v);
    } else if (const auto* reference = std::get_if<scenario::ReferenceError>(&change)) {
      device_->set_reference_error_frac(reference->error_frac);
    } else if (const auto* noise = std::get_if<scenario::Noise>(&change)) {
      device_->set_pin_noise_v(board_.sense[world_.channel_index(noise->channel)].adc_channel, noise->rms_v);
    } else if (const auto* serial = std::get_if<scenario::SerialInput>(&change)) {
      const auto* bytes = reinterpret_cast<const std::uint8_t*>(serial->data.data());
      device_->send_serial({bytes, serial->data.size()});
      announce(trace::EventKind::kSerialIn, serial->data);
    } else if (const auto* line = std::get_if<scenario::ResetLine>(&change)) {
      device_->hold_reset(line->held_low);
    } else if (const auto* cycle = std::get_if<scenario::PowerCycle>(&change)) {
      device_->power_off();
      power_on_at_ = state_.now + cycle->off;
    }
  }

  // --- what others see -----------------------------------------------------------------------------------------------

  void attach(trace::Sink& sink) {
    sinks_.push_back(&sink);
    sink.on_sample(sample_);
  }
  void detach(trace::Sink& sink) { sinks_.erase(std::remove(sinks_.begin(), sinks_.end(), &sink), sinks_.end()); }

  void announce(trace::EventKind kind, const std::string& text) {
    const trace::Event event{state_.now, kind, text};
    to_sinks([&event](trace::Sink& sink) { sink.on_event(event); });
  }

  bool set_counter(const profile::Counter& counter, std::uint64_t value) {
    std::optional<std::uint32_t> address;
    if (const auto* symbol = std::get_if<std::string>(&counter.place)) {
      address = device_->address_of(*symbol);
    } else {
      address = std::get<std::uint32_t>(counter.place);
    }
    if (!address) {
      return false;
    }
    for (int i = 0; i < counter.width_bytes; ++i) {
      device_->poke(*address + static_cast<std::uint32_t>(i), static_cast<std::uint8_t>(value >> (8 * i)));
    }
    announce(trace::EventKind::kMark, "counter set to " + std::to_string(value));
    return true;
  }

  const profile::BoardProfile board_;
  const profile::SiteProfile site_;
  const WiredChannels wired_{board_};
  const plant::Circuit circuit_;
  World world_;
  plant::Conditions& conditions_{world_.conditions()};
  StepBudget budget_;
  plant::CircuitState state_;
  plant::CircuitState start_;
  plant::TransitionMemory memory_{circuit_.params()};
  std::unique_ptr<device::VirtualDevice> device_;
  std::deque<scenario::Stimulus> timeline_;
  std::optional<Nanos> power_on_at_;
  std::exception_ptr fault_;  ///< what a sink threw; carried past the simulator's C frames
  std::vector<trace::Sink*> sinks_;
  trace::Sample sample_;
  PlantStretch told_;
  std::string serial_line_;
  std::string invalid_;
  std::string crash_;
  std::int64_t resets_{0};
  bool fault_shown_{false};
  Nanos stop_{0};       ///< no change of the world is due before
  double held_v_{0.0};  ///< by the converter's sampling capacitor

 private:
  [[nodiscard]] bool load_output_on() const {
    return board_.load_output && commanded_on(device_->drive_of(board_.load_output->pin), *board_.load_output);
  }

  void run_device_until(Nanos until) {
    while (state_.now < until && invalid_.empty()) {
      Nanos stop = std::min(until, state_.now + kLongestQuiet);
      if (power_on_at_) {
        stop = std::min(stop, std::max(*power_on_at_, state_.now));
      }
      if (const auto change = world_.next_change()) {
        stop = std::min(stop, std::max(*change, state_.now));
      }
      stop_ = stop;
      if (crash_.empty() && device_->run_until(cycle_at(stop)) == device::RunStatus::kCrashed) {
        crash_ = device_->crash_reason();
        advance_to(time_at(device_->crashed_at()));
        announce(trace::EventKind::kDeviceFault, crash_);
      }
      advance_to(stop);
      if (world_.change_by(state_.now)) publish();
      if (power_on_at_ && *power_on_at_ <= state_.now) {
        power_on_at_.reset();
        device_->power_on();
      }
    }
  }

  void advance_to(Nanos to) {
    move_to(to, [this, to] { return circuit_.advance(state_, conditions_, to, this, &memory_); });
  }
  /// Near enough to an instant that a pin can be sampled there.
  void approach(Nanos at) {
    if (plant::Circuit::foresees(state_, conditions_, at, memory_)) return;
    move_to(at, [this, at] {
      const device::Cycle edge = std::min(device_->next_timed_edge(), cycle_at(stop_));
      const plant::Sight sight{at, std::min(time_at(edge), stop_)};
      return circuit_.approach(state_, conditions_, sight, this, memory_);
    });
  }

  template <class Move>
  void move_to(Nanos to, Move move) {
    if (to <= state_.now || !invalid_.empty()) return;
    const bool battery_fuse_blown = state_.battery_fuse.blown;
    const bool panel_fuse_blown = state_.panel_fuse.blown;
    try {
      const plant::AdvanceStatus status = move();
      if (status != plant::AdvanceStatus::kOk) invalid_ = plant_failure(status, state_, conditions_);
    } catch (const StepBudget::Spent& spent) {
      invalid_ = plant_failure(spent, state_, conditions_);
    }
    if (state_.battery_fuse.blown != battery_fuse_blown) announce(trace::EventKind::kMark, "battery fuse blown");
    if (state_.panel_fuse.blown != panel_fuse_blown) announce(trace::EventKind::kMark, "panel fuse blown");
  }

  /// Hands the present instant, on the far side of any edge, to every sink.
  void publish() { publish(circuit_.probe(state_, conditions_, memory_)); }
  void publish(const plant::Probes& probes) {
    show(probes);
    to_sinks([this](trace::Sink& sink) { sink.on_sample(sample_); });
  }
  void show(const plant::Probes& probes) {
    fill_sample(sample_, state_.now, conditions_, probes, board_.charges_while_on());
    sample_[trace::Signal::kFault] = fault_shown_ ? 1.0 : 0.0;
  }

  /// A sink may throw (a full disk); an exception must not unwind through the simulator's C code, so it waits here.
  template <class Call>
  void to_sinks(Call call) {
    if (fault_) return;
    try {
      for (trace::Sink* sink : sinks_) {
        call(*sink);
      }
    } catch (const std::exception& e) {
      fault_ = std::current_exception();
      invalid_ = std::string{"recording failed: "} + e.what();
    }
  }
};

VirtualRig::VirtualRig(const VirtualRigSetup& setup) : loop_{std::make_unique<Loop>(setup)} {}
VirtualRig::~VirtualRig() = default;

Nanos VirtualRig::now() const {
  return loop_->state_.now;
}
void VirtualRig::run_until(Nanos until) {
  loop_->run_until(until);
}
void VirtualRig::check(const scenario::Change& change) const {
  loop_->world_.check(change);
}
void VirtualRig::apply(const scenario::Change& change) {
  loop_->apply(change);
}
void VirtualRig::schedule(const scenario::Stimulus& stimulus) {
  loop_->schedule(stimulus);
}
void VirtualRig::attach(trace::Sink& sink) {
  loop_->attach(sink);
}
void VirtualRig::detach(trace::Sink& sink) {
  loop_->detach(sink);
}
const trace::Sample& VirtualRig::latest() const {
  return loop_->sample_;
}
void VirtualRig::mark(const std::string& text) {
  loop_->announce(trace::EventKind::kMark, text);
}
const std::string& VirtualRig::invalid_because() const {
  return loop_->invalid_;
}
const std::string& VirtualRig::device_crash() const {
  return loop_->crash_;
}
bool VirtualRig::set_counter(const profile::Counter& counter, std::uint64_t value) {
  return loop_->set_counter(counter, value);
}
bool VirtualRig::stall_processor() {
  loop_->announce(trace::EventKind::kStimulus, "processor stalls");
  loop_->device_->stall();
  return true;
}
std::int64_t VirtualRig::resets() const {
  return loop_->resets_;
}
std::optional<Rig::SettingsMemory> VirtualRig::settings_memory() const {
  return SettingsMemory{loop_->device_->eeprom(), loop_->device_->eeprom_writes(),
                        loop_->device_->eeprom_cell_writes()};
}
double VirtualRig::books_residual_j() const {
  return loop_->circuit_.books_residual_j(loop_->start_, loop_->state_);
}
std::vector<std::uint8_t> VirtualRig::eeprom() const {
  return loop_->device_->eeprom();
}
std::int64_t VirtualRig::idle_cycles() const {
  return loop_->device_->idle_cycles();
}
const plant::CircuitState& VirtualRig::plant_state() const {
  return loop_->state_;
}

}  // namespace dawnrig::rig
