#include "harness/rig/bench_rig.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <deque>
#include <optional>
#include <thread>
#include <utility>

#include "harness/base/bad_input.h"
#include "harness/rig/bench_configuration.h"
#include "harness/rig/bench_faults.h"
#include "harness/rig/plant_sample.h"
#include "harness/rig/realtime_loop.h"
#include "harness/rig/realtime_setup.h"
#include "harness/trace/between.h"

namespace dawnrig::rig {

namespace {

constexpr std::size_t kLongestSerialLine = 256;
constexpr Nanos kAnswerWithin{1'000'000'000};
constexpr Nanos kLook{500'000}, kReportsDelay{20'000'000};

/// What is applied or scheduled has to stay where it is while the loop may look at it.
struct Stored {
  scenario::Change change;
  std::string text;
};

}  // namespace

class BenchRig::Impl {
 public:
  Impl(BenchRigSetup given, link::ByteStream& stream, link::Clock& clock, DeviceAccess* access)
      : setup_{std::move(given)}, session_{stream}, clock_{clock}, access_{access} {
    const ChannelMap channels{setup_.board, setup_.settings.injection};  // complains before anything is asked
    trust_ = examine(session_, clock_, setup_.trust);
    invalid_ = trust_.broken();
    if (setup_.lead_from_round_trip) setup_.settings.lead = lead_for(session_.counts().round_trip);
    loop_ = std::make_unique<BenchLoop>(setup_.board, setup_.site, setup_.initial, setup_.seed, setup_.settings,
                                        trust_.calibration.value_or(link::Calibration{}), session_, clock_);
    const BenchPlant& plant = loop_->plant();
    start_state_ = plant.state();
    fill_sample(latest_, Nanos{0}, plant.conditions(), plant.circuit().probe(plant.state(), plant.conditions()),
                setup_.board.charges_while_on());
  }

  ~Impl() {
    halt();
    if (session_.stream().state() == link::LineState::kUp && trust_.broken().empty()) {
      link::Configure configure = configuration();
      configure.safe_lines = 0;
      configure.hold_outputs_when_safe = false;
      session_.send(configure);
      session_.send(link::Ask{link::Question::kSafe});
    }
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  // --- time ----------------------------------------------------------------------------------------------------------

  void run_until(Nanos until) {
    if (!started_ && invalid_.empty()) {
      start();
    }
    while (now_ < until && invalid_.empty()) {
      if (deliver(until)) {
        now_ = until;
        break;
      }
      if (!going_.load(std::memory_order_acquire)) {
        static_cast<void>(deliver(until));  // what it told before it ended
        now_ = std::max(now_, std::min(until, latest_.time));
        end_in_fault();
        break;
      }
      let_time_pass();
    }
  }

  void let_time_pass() {
    if (setup_.in_real_time) {
      clock_.sleep_until(clock_.now() + kLook);
      return;
    }
    clock_.sleep_until(plan_->due());
    if (!loop_->tick(plan_->begin(clock_.now(), loop_->lateness()))) {
      going_.store(false, std::memory_order_release);
    }
    hear_device();
  }

  void start() {
    started_ = true;
    const auto answer = link::ask<link::Configured>(session_, clock_, configuration(), kAnswerWithin);
    if (!answer || !answer->accepted) {
      invalid_ = !answer
                     ? "the interface board did not answer to its configuration"
                     : "the interface board refused its configuration at field " + std::to_string(answer->wrong_field) +
                           " (board: link version " + std::to_string(answer->board_link_version) +
                           ", host: " + std::to_string(answer->host_link_version) + ")";
      return;
    }
    plan_.emplace(clock_.now() + setup_.settings.period, setup_.settings.period);
    going_.store(true, std::memory_order_release);
    if (setup_.in_real_time) {
      thread_ = std::thread{[this] {
        lacking_ = ask_for_realtime();
        plan_.emplace(clock_.now() + setup_.settings.period, setup_.settings.period);
        run_ticks(clock_, *plan_, loop_->lateness(),
                  [this](Nanos due) noexcept { return loop_->tick(due) && !stop_.load(std::memory_order_relaxed); });
        going_.store(false, std::memory_order_release);
      }};
    }
    if (access_ == nullptr) resets_ = 1;
  }

  /// Ends the run, if it goes on.
  void halt() {
    stop_.store(true, std::memory_order_relaxed);
    if (thread_.joinable()) thread_.join();
    going_.store(false, std::memory_order_release);
  }

  void end_in_fault() {
    halt();
    if (!invalid_.empty()) return;
    invalid_ = loop_->fault_text();
    if (!setup_.flight_file.empty() && !invalid_.empty()) {
      try {
        loop_->flight().write_csv(setup_.flight_file);
        invalid_ += "; the last seconds are in " + setup_.flight_file.string();
      } catch (const std::exception& e) {
        invalid_ += std::string{"; the last seconds could not be written: "} + e.what();
      }
    }
  }

  // --- what the loop tells -------------------------------------------------------------------------------------------

  /// Hands on everything up to `until`. True: there will be nothing more before it.
  bool deliver(Nanos until) {
    const Nanos known = loop_->known_until();  // before the ring is looked at
    while (invalid_.empty()) {
      if (!has_next_ && !(has_next_ = loop_->fetch(next_))) {
        return known >= until;
      }
      if (next_.time > until) {
        if (next_.kind == BenchItem::Kind::kSample && latest_.time < until) {
          hand_on(trace::between(latest_, next_.sample, until));
        }
        return true;
      }
      has_next_ = false;
      take(next_);
    }
    return false;
  }

  void take(const BenchItem& item) {
    tell_resets(item.time);
    switch (item.kind) {
      case BenchItem::Kind::kSample:
        hand_on(item.sample);
        break;
      case BenchItem::Kind::kNote:
        announce({item.time, item.note.kind, *item.note.text});
        break;
      case BenchItem::Kind::kAttach:
        for (Listening& one : sinks_) {
          if (one.sink == item.sink) one.hears = true;
        }
        break;
      case BenchItem::Kind::kSerial:
        for (const std::uint8_t byte : item.serial.view()) serial_byte(item.time, byte);
        break;
    }
  }

  void serial_byte(Nanos time, std::uint8_t byte) {
    if (byte == '\n' || serial_line_.size() >= kLongestSerialLine) {
      announce({time, trace::EventKind::kSerialOut, serial_line_});
      serial_line_.clear();
    }
    if (byte != '\n' && byte != '\r') serial_line_.push_back(static_cast<char>(byte));
  }

  void hand_on(const trace::Sample& sample) {
    latest_ = sample;
    to_sinks([&sample](trace::Sink& sink) { sink.on_sample(sample); });
  }
  void announce(const trace::Event& event) {
    to_sinks([&event](trace::Sink& sink) { sink.on_event(event); });
  }
  template <class Call>
  void to_sinks(Call call) {
    for (std::size_t i = 0; i < sinks_.size(); ++i) {
      if (sinks_[i].hears) call(*sinks_[i].sink);
    }
  }

  // --- a simulated device --------------------------------------------------------------------------------------------

  void hear_device() {
    if (access_ != nullptr && crash_.empty() && !access_->crash().empty()) {
      crash_ = access_->crash();
      announce({latest_.time, trace::EventKind::kDeviceFault, crash_});
    }
  }

  void tell_resets(Nanos time) {
    if (access_ == nullptr || !loop_->running()) return;
    const std::vector<DeviceAccess::Reset>& all = access_->resets();
    while (resets_seen_ < all.size()) {
      const DeviceAccess::Reset& reset = all[resets_seen_];
      Nanos at = session_.clock().board_at(reset.host) - loop_->zero();  // good to the delay of a report
      if (at > time) return;
      ++resets_seen_;
      if (at < -kReportsDelay) continue;  // of an earlier run on the same board
      at = std::max(at, Nanos{0});
      ++resets_;
      announce({at, trace::EventKind::kReset, reset.cause});
    }
  }

  // --- what is asked of the loop -------------------------------------------------------------------------------------

  void change(const scenario::Change& change, Nanos not_before) {
    stored_.push_back(std::make_unique<Stored>(Stored{change, scenario::text_of(change)}));
    BenchCommand command;
    command.kind = BenchCommand::Kind::kChange;
    command.not_before = not_before;
    command.change = &stored_.back()->change;
    command.text = &stored_.back()->text;
    ask(command);
    const bool restarts =
        std::holds_alternative<scenario::PowerCycle>(change) ||
        (std::holds_alternative<scenario::ResetLine>(change) && !std::get<scenario::ResetLine>(change).held_low);
    if (access_ == nullptr && restarts) ++resets_;
  }

  void ask(const BenchCommand& command) {
    if (!loop_->ask(command) && invalid_.empty()) {
      invalid_ = "more was asked of the bench at once than it can keep in mind";
    }
  }

  [[nodiscard]] link::Configure configuration() const {
    return configuration_of(setup_.board, setup_.settings, *trust_.calibration);
  }

  [[nodiscard]] std::vector<std::string> notes() const {
    std::vector<std::string> notes = setup_.notes;
    notes.insert(notes.end(), lacking_.begin(), lacking_.end());
    for (const std::string& one :
         how_it_went(loop_->lateness(), session_.counts(), session_.clock().drift_s_per_s(), loop_->overdue())) {
      notes.push_back(one);
    }
    return notes;
  }

  struct Listening {
    trace::Sink* sink;
    bool hears;
  };
  BenchRigSetup setup_;
  link::Session session_;
  link::Clock& clock_;
  DeviceAccess* access_;
  Trust trust_;
  std::unique_ptr<BenchLoop> loop_;
  std::optional<TickPlan> plan_;
  plant::CircuitState start_state_;
  std::thread thread_;
  std::atomic<bool> stop_{false};
  std::atomic<bool> going_{false};
  bool started_{false};
  Nanos now_{0};
  trace::Sample latest_;
  BenchItem next_;
  bool has_next_{false};
  std::vector<Listening> sinks_;
  std::deque<std::unique_ptr<Stored>> stored_;
  std::string serial_line_;
  std::string invalid_;
  std::string crash_;
  std::vector<std::string> lacking_;
  std::size_t resets_seen_{0};
  std::int64_t resets_{0};
};

BenchRig::BenchRig(BenchRigSetup setup, link::ByteStream& stream, link::Clock& clock, DeviceAccess* access)
    : kept_alive_{setup.kept_alive}, impl_{std::make_unique<Impl>(std::move(setup), stream, clock, access)} {}
BenchRig::~BenchRig() = default;

Nanos BenchRig::now() const {
  return impl_->now_;
}
void BenchRig::run_until(Nanos until) {
  impl_->run_until(until);
}
void BenchRig::check(const scenario::Change& change) const {
  impl_->loop_->plant().world().check(change);
  demand_possible(impl_->setup_.board, change);
}
void BenchRig::apply(const scenario::Change& change) {
  check(change);
  impl_->change(change, Nanos{0});
}
void BenchRig::schedule(const scenario::Stimulus& stimulus) {
  check(stimulus.change);
  impl_->change(stimulus.change, stimulus.time);
}
void BenchRig::attach(trace::Sink& sink) {
  impl_->sinks_.push_back({&sink, false});
  BenchCommand command;
  command.kind = BenchCommand::Kind::kAttach;
  command.sink = &sink;
  impl_->ask(command);
}
void BenchRig::detach(trace::Sink& sink) {
  std::erase_if(impl_->sinks_, [&sink](const Impl::Listening& one) { return one.sink == &sink; });
}
const trace::Sample& BenchRig::latest() const {
  return impl_->latest_;
}
void BenchRig::mark(const std::string& text) {
  impl_->stored_.push_back(std::make_unique<Stored>(Stored{{}, text}));
  BenchCommand command;
  command.text = &impl_->stored_.back()->text;
  impl_->ask(command);
}
const std::string& BenchRig::invalid_because() const {
  return impl_->invalid_;
}
const std::string& BenchRig::device_crash() const {
  return impl_->crash_;
}
bool BenchRig::set_counter(const profile::Counter& counter, std::uint64_t value) {
  return impl_->access_ != nullptr && impl_->access_->set_counter(counter, value);
}
bool BenchRig::stall_processor() {
  if (impl_->access_ == nullptr) return false;
  impl_->access_->stall();
  return true;
}
std::int64_t BenchRig::resets() const {
  return impl_->resets_;
}
std::optional<Rig::SettingsMemory> BenchRig::settings_memory() const {
  return impl_->access_ == nullptr ? std::nullopt : std::optional{impl_->access_->settings_memory()};
}
double BenchRig::books_residual_j() const {
  impl_->halt();
  const BenchPlant& plant = impl_->loop_->plant();
  return plant.circuit().books_residual_j(impl_->start_state_, plant.state());
}
const plant::CircuitState& BenchRig::plant_state() const {
  impl_->halt();
  return impl_->loop_->plant().state();
}
std::vector<std::string> BenchRig::rig_notes() const {
  impl_->halt();
  return impl_->notes();
}

double BenchRig::voltage_uncertainty_v() const {
  const profile::SenseChannel* battery = impl_->setup_.board.channel_for(profile::Quantity::kBatteryVoltage);
  if (battery == nullptr || !impl_->trust_.calibration) return 0.0;
  const double at_v = impl_->setup_.board.declared.absorption_v;
  const double supply_v = impl_->setup_.board.device.supply_v;
  const double pin_per_v = 10.0 * (plant::resting_pin_v(battery->network, at_v + 0.05, supply_v, 25.0) -
                                   plant::resting_pin_v(battery->network, at_v - 0.05, supply_v, 25.0));
  return pin_per_v > 0.0 ? impl_->trust_.calibration->uncertainty_uv * 1e-6 / pin_per_v : 0.0;
}

const Trust& BenchRig::trust() const {
  return impl_->trust_;
}
Nanos BenchRig::zero() const {
  return impl_->loop_->zero();
}

}  // namespace dawnrig::rig
