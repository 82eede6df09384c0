#include "harness/testing/acceptance.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "harness/testing/identity.h"
#include "harness/testing/result_listener.h"
#include "harness/testing/scenario_run.h"
#include "harness/trace/stretch.h"

namespace dawnrig::testing {

namespace {

using namespace std::chrono_literals;

constexpr Nanos kPhaseStep = 20us;
constexpr Nanos kLongestPwmPeriod = 50ms;
constexpr Nanos kPhaseWithoutEdges = 2ms;

/// Notes when the gate last rose and how long the last cycle was.
class GateClock final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override {
    const bool on = sample[Signal::kGate] > 0.5;
    if (on && seen_ && !was_on_) {
      if (last_rise_) {
        period_ = sample.time - *last_rise_;
      }
      last_rise_ = sample.time;
    }
    was_on_ = on;
    seen_ = true;
  }
  void on_stretch(const trace::Stretch& stretch) override { on_sample(stretch.end()); }  // the gate holds in it
  [[nodiscard]] std::optional<Nanos> last_rise() const { return last_rise_; }
  [[nodiscard]] Nanos period() const { return period_; }

 private:
  bool seen_{false};
  bool was_on_{false};
  std::optional<Nanos> last_rise_;
  Nanos period_{0};
};

/// Stimuli, resets and load switching become the vertical lines of the report's pictures.
class Moments final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override { static_cast<void>(sample); }
  void on_stretch(const trace::Stretch& stretch) override { static_cast<void>(stretch); }
  void on_event(const trace::Event& event) override {
    if (event.kind == trace::EventKind::kStimulus || event.kind == trace::EventKind::kReset ||
        event.kind == trace::EventKind::kLoadSwitch || event.kind == trace::EventKind::kDeviceFault) {
      collector().add_moment(event.time, event.text);
    }
  }
};

/// "SetPoints.HoldsAbsorptionVoltage" as a file name.
std::string file_name_of(const ::testing::TestInfo& test) {
  std::string name = std::string{test.test_suite_name()} + "." + test.name();
  std::replace(name.begin(), name.end(), '/', '-');
  return name;
}

// A battery that is nearly full but not quite there: how long its voltage may climb, and what tells that it has.
constexpr Nanos kClimb = 10min;
constexpr double kClimbed = 0.9975;

// Near full, the voltage of a lithium battery lies in the last hundredth of its charge. What is a minute of charging
// from the set point for lead-acid is so for it too.
double soc_of(const Start& start) {
  const plant::BatteryParams& battery = start.other_battery ? *start.other_battery : bench().site.battery;
  constexpr double kLeadAcidFrac = 0.97;
  constexpr double kLithiumFrac = 0.986;
  constexpr double kSqueezed = 0.15;
  if (!std::holds_alternative<plant::LiFePo4Params>(battery) || start.soc_frac < kLeadAcidFrac) return start.soc_frac;
  return kLithiumFrac + kSqueezed * (start.soc_frac - kLeadAcidFrac);
}

}  // namespace

Watch::Watch(rig::Rig& rig, std::vector<verdict::Monitor*> monitors, std::vector<Signal> plotted)
    : rig_{rig}, monitors_{std::move(monitors)}, evidence_{std::move(plotted)} {
  rig_.attach(evidence_);
  for (verdict::Monitor* monitor : monitors_) {
    rig_.attach(*monitor);
  }
}

Watch::~Watch() {
  end();
}

void Watch::end() {
  if (!attached_) {
    return;
  }
  attached_ = false;
  rig_.detach(evidence_);
  for (verdict::Monitor* monitor : monitors_) {
    rig_.detach(*monitor);
  }
}

Acceptance::Acceptance() : moments_{std::make_unique<Moments>()} {}
Acceptance::~Acceptance() = default;

void Acceptance::TearDown() {
  if (rig_ && !rig_->device_crash().empty()) {
    ADD_FAILURE() << "the firmware crashed: " << rig_->device_crash();
  }
  finish_run();
}

double Acceptance::array_a(Irradiance sun) const {
  return bench().site.panel.light_current_a * sun.in_si() / 1000.0;
}

void Acceptance::power_up(const Start& start) {
  finish_run();
  scenario::Initial initial;
  initial.soc_frac = soc_of(start);
  initial.battery_degc = start.battery.in_si();
  initial.poa_wpm2 = start.sun.in_si();
  if (start.ambient) initial.ambient_degc = start.ambient->in_si();
  rig::VirtualRigSetup setup{bench().board, bench().site, bench().image, initial, bench().seed};
  if (start.other_board) setup.board = *start.other_board;
  if (!start.other_loads.empty()) {
    std::erase_if(setup.site.loads,
                  [](const auto& load) { return load.name != kSwitchedLoad && load.name != kDirectLoad; });
    setup.site.loads.insert(setup.site.loads.end(), start.other_loads.begin(), start.other_loads.end());
  }
  if (start.settings) setup.board.eeprom = start.settings;
  if (start.other_battery) setup.site.battery = *start.other_battery;
  const auto* test = ::testing::UnitTest::GetInstance()->current_test_info();
  ++runs_;
  std::filesystem::path file;
  if (!bench().trace_folder.empty()) {
    file = bench().trace_folder / (file_name_of(*test) + (runs_ > 1 ? "-" + std::to_string(runs_) : "") + ".trace");
  }
  const std::filesystem::path flight =
      file.empty() ? file : std::filesystem::path{file}.replace_extension(".flight.csv");
  rig_ = make_rig(bench().rig, setup, flight);
  recorder_ =
      std::make_unique<trace::Recorder>(file, identity_of(bench(), file_name_of(*test)), trace::RecorderOptions{});
  rig_->attach(*recorder_);
  rig_->attach(*moments_);
  battery_clock_ = std::make_unique<verdict::BatteryClock>(verdict::battery_limits(declared(), {}));
  rig_->attach(*battery_clock_);
}

void Acceptance::finish_run() {
  if (!rig_) {
    return;
  }
  simulated_s_ += in_seconds(rig_->now());
  const std::string& invalid = rig_->invalid_because();
  rig_->detach(*recorder_);
  rig_->detach(*moments_);
  rig_->detach(*battery_clock_);
  const std::vector<std::string> notes = rig_->rig_notes();
  for (const std::string& note : notes) recorder_->on_event({rig_->now(), trace::EventKind::kMark, note});
  const std::string hash = recorder_->finish(rig_->now(), invalid);
  collector().add_run(trace_file_, hash, invalid, bench().seed, counts_of(*battery_clock_, *rig_));
  collector().add_rig_notes(notes);
  collector().set_simulated_s(simulated_s_);
  if (!invalid.empty()) {
    ADD_FAILURE() << "INVALID: " << invalid;
  }
  recorder_.reset();
  rig_.reset();
}

void Acceptance::let_pass(Nanos duration) {
  rig_->run_for(duration);
}

void Acceptance::sun_turns_to(Irradiance sun, Nanos over) {
  rig_->apply(scenario::Sun{sun.in_si(), over});
}

void Acceptance::battery_is_at(Temperature temperature) {
  rig_->apply(scenario::BatteryTemperature{temperature.in_si()});
}

void Acceptance::load_draws(Amperes current) {
  rig_->apply(scenario::LoadSwitching{kSwitchedLoad, current.in_si() > 0, std::max(current.in_si(), 1e-6)});
}

void Acceptance::battery_feeds(Amperes current) {
  rig_->apply(scenario::LoadSwitching{kDirectLoad, current.in_si() > 0, std::max(current.in_si(), 1e-6)});
}

void Acceptance::battery_connector(bool closed) {
  rig_->apply(scenario::BatteryConnector{closed});
}

void Acceptance::sense_fault(profile::Quantity quantity, plant::SenseFaultKind kind) {
  const profile::SenseChannel* channel = board().channel_for(quantity);
  ASSERT_NE(channel, nullptr) << "the board has no such channel";
  rig_->apply(scenario::SenseFault{channel->name, kind});
}

void Acceptance::happens(const scenario::Change& change) {
  rig_->apply(change);
}

bool Acceptance::instruct(profile::Purpose purpose) {
  const std::vector<std::string> texts = board().hooks.texts_for(purpose);
  for (const std::string& text : texts) {
    happens(scenario::SerialInput{text});
    let_pass(200ms);
  }
  return !texts.empty();
}

double Acceptance::mean_of(Signal signal, Nanos over) {
  verdict::Mean mean{{.signal = signal}};
  rig_->attach(mean);
  let_pass(over);
  rig_->detach(mean);
  return mean.figure().value;
}

bool Acceptance::await(Nanos patience, Nanos step, const std::function<bool()>& happened) {
  const Nanos end = rig_->now() + patience;
  while (!happened()) {
    if (rig_->now() >= end || !rig_->invalid_because().empty()) {
      return false;
    }
    rig_->run_for(step);
  }
  return true;
}

bool Acceptance::await_regulation(double set_point_v, Nanos patience) {
  std::optional<double> mean_v;
  const bool reached = await(patience, Nanos{0}, [&] {
    mean_v = mean_of(Signal::kBusV, 1s);
    return *mean_v >= 0.99 * set_point_v;
  });
  if (reached) {
    let_pass(from_seconds(declared().settle_s));
    if (rig_->latest()[Signal::kBusV] < kClimbed * set_point_v) {
      static_cast<void>(await(kClimb, Nanos{0}, [&] { return mean_of(Signal::kGate, 1s) < kHoldsBackFrac; }));
    }
  }
  return reached;
}

bool Acceptance::await_gate(bool on, Nanos patience) {
  return await(patience, 1ms, [&] { return (rig_->latest()[Signal::kGate] > 0.5) == on; });
}

bool Acceptance::await_load(bool on, Nanos patience) {
  return await(patience, 10ms, [&] { return (rig_->latest()[Signal::kLoadSwitch] > 0.5) == on; });
}

void Acceptance::go_to_phase(double fraction) {
  GateClock clock;
  rig_->attach(clock);
  const Nanos start = rig_->now();
  while (clock.period() == Nanos{0} && rig_->now() - start < kLongestPwmPeriod && rig_->invalid_because().empty()) {
    rig_->run_for(kPhaseStep);
  }
  rig_->detach(clock);
  const Nanos period = clock.period() > Nanos{0} ? clock.period() : kPhaseWithoutEdges;
  const Nanos from = clock.period() > Nanos{0} ? *clock.last_rise() : rig_->now();
  const auto into = Nanos{std::llround(fraction * static_cast<double>(period.count()))};
  Nanos target = from + into;
  while (target < rig_->now()) {
    target += period;
  }
  rig_->run_until(target);
}

std::unique_ptr<Watch> Acceptance::watch_with(std::initializer_list<verdict::Monitor*> monitors,
                                              std::vector<Signal> plotted) {
  return std::make_unique<Watch>(*rig_, monitors, std::move(plotted));
}

std::optional<verdict::Limit> Acceptance::limit(const std::string& id) const {
  const profile::Requirement* requirement = bench().requirements.find(id);
  if (requirement == nullptr) {
    return std::nullopt;
  }
  return verdict::guarded(verdict::limit_of(*requirement, declared().nominal_v),
                          rig_ ? rig_->voltage_uncertainty_v() : 0.0);
}

void Acceptance::judge(const std::string& id, const verdict::Figure& figure, const std::string& measured_as,
                       const Watch& watch) {
  const profile::Requirement* requirement = bench().requirements.find(id);
  if (requirement == nullptr) {
    collector().not_applicable("the requirement file does not name " + id);
    return;
  }
  const verdict::Limit limit = verdict::guarded(verdict::limit_of(*requirement, declared().nominal_v),
                                                rig_ ? rig_->voltage_uncertainty_v() : 0.0);
  const verdict::Finding finding =
      verdict::judge(*requirement, limit, figure, measured_as, rig_ ? rig_->invalid_because() : std::string{});
  collector().add_finding(finding, watch.curves());
  if (finding.verdict != verdict::Verdict::kPass) {
    ADD_FAILURE() << verdict::text_of(finding.verdict) << " " << id << ": " << requirement->sentence << "\n  "
                  << finding.reason;
  }
}

void Acceptance::not_applicable(const std::string& because) {
  collector().not_applicable(because);
}

}  // namespace dawnrig::testing
