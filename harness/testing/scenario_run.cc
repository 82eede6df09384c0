#include "harness/testing/scenario_run.h"

#include <chrono>
#include <memory>

#include "harness/base/bad_input.h"
#include "harness/rig/rig.h"
#include "harness/scenario/stimulus.h"
#include "harness/testing/identity.h"
#include "harness/trace/recorder.h"

namespace dawnrig::testing {

namespace {

using namespace std::chrono_literals;

/// How much simulated time passes between two looks at the wall clock.
constexpr Nanos kSlice = 1s;
constexpr auto kProgressPeriod = 100ms;

/// A check of the scenario file, bound to what it judges.
struct BoundCheck {
  scenario::Check check;
  const profile::Requirement* requirement{nullptr};
  verdict::Limit limit;
  std::unique_ptr<verdict::Monitor> monitor;
};

std::unique_ptr<verdict::Monitor> monitor_for(scenario::FigureKind kind, const verdict::Watching& watching) {
  switch (kind) {
    case scenario::FigureKind::kHighest:
      return std::make_unique<verdict::Highest>(watching);
    case scenario::FigureKind::kLowest:
      return std::make_unique<verdict::Lowest>(watching);
    case scenario::FigureKind::kPeakToPeak:
      return std::make_unique<verdict::PeakToPeak>(watching);
    case scenario::FigureKind::kMean:
      break;
  }
  return std::make_unique<verdict::Mean>(watching);
}

std::string in_words(const scenario::Check& check) {
  static constexpr const char* kKinds[] = {"mean of ", "highest ", "lowest ", "peak to peak of "};
  return kKinds[static_cast<std::size_t>(check.figure)] + check.signal;
}

std::vector<BoundCheck> bind_checks(const scenario::Scenario& scenario, const profile::RequirementSet* requirements,
                                    double nominal_v) {
  std::vector<base::Complaint> complaints;
  std::vector<BoundCheck> bound;
  for (std::size_t i = 0; i < scenario.checks.size(); ++i) {
    const scenario::Check& check = scenario.checks[i];
    const std::string path = "check[" + std::to_string(i) + "]";
    const auto signal = trace::signal_named(check.signal);
    if (!signal) {
      complaints.push_back(
          {scenario.file, 0, 0, path + ".signal", "\"" + check.signal + "\" is no signal; " + "terminal_v is one"});
    }
    const profile::Requirement* requirement = requirements ? requirements->find(check.requirement) : nullptr;
    if (requirement == nullptr) {
      complaints.push_back({scenario.file, 0, 0, path + ".requirement",
                            requirements
                                ? "\"" + check.requirement + "\" is not in " + requirements->file
                                : "\"" + check.requirement + "\" needs a requirement file; give --requirements"});
    }
    if (!signal || requirement == nullptr) {
      continue;
    }
    const verdict::Limit limit = verdict::limit_of(*requirement, nominal_v);
    const verdict::Watching watching{.signal = *signal, .minus = check.minus, .limit = limit};
    bound.push_back({check, requirement, limit, monitor_for(check.figure, watching)});
  }
  if (!complaints.empty()) {
    throw base::BadInput(std::move(complaints));
  }
  return bound;
}

/// Runs to `until` in slices, telling how far it is.
class Pacer {
 public:
  Pacer(rig::Rig& rig, Nanos end, const std::function<void(Nanos, Nanos)>& on_progress)
      : rig_{rig}, end_{end}, on_progress_{on_progress} {}
  void run_until(Nanos until) {
    while (rig_.now() < until && rig_.invalid_because().empty()) {
      rig_.run_until(std::min(until, rig_.now() + kSlice));
      const auto wall = std::chrono::steady_clock::now();
      if (on_progress_ && wall - told_ >= kProgressPeriod) {
        told_ = wall;
        on_progress_(rig_.now(), end_);
      }
    }
  }

 private:
  rig::Rig& rig_;
  Nanos end_;
  const std::function<void(Nanos, Nanos)>& on_progress_;
  std::chrono::steady_clock::time_point told_{std::chrono::steady_clock::now()};
};

/// Runs to the end, attaching and detaching the monitors of the checks at their times.
void run_with_checks(rig::Rig& rig, std::vector<BoundCheck>& checks, Nanos duration, Pacer& pacer) {
  std::vector<Nanos> instants{duration};
  for (const BoundCheck& b : checks) {
    instants.push_back(b.check.from);
    instants.push_back(std::min(b.check.to, duration));
  }
  std::sort(instants.begin(), instants.end());
  for (const Nanos instant : instants) {
    pacer.run_until(instant);
    for (BoundCheck& b : checks) {
      if (b.check.from == instant) {
        rig.attach(*b.monitor);
      }
      if (std::min(b.check.to, duration) == instant) {
        rig.detach(*b.monitor);
      }
    }
  }
}

}  // namespace

verdict::BatteryCounts counts_of(const verdict::BatteryClock& clock, const rig::Rig& rig) {
  verdict::BatteryCounts counts = clock.counts();
  const plant::Books& books = rig.plant_state().books;
  counts.in_ah = books.battery_charge_ah;
  counts.out_ah = books.battery_discharge_ah;
  counts.gassing_ah = books.gassing_ah;
  counts.unstored_ah = books.unstored_ah;
  return counts;
}

ScenarioRunOutcome run_scenario(const ScenarioRunOptions& options) {
  rig::VirtualRigSetup setup;
  setup.board = profile::load_board(options.board);
  setup.site = profile::load_site(options.site);
  profile::check_together(setup.board, setup.site);
  setup.image = device::load_image(options.firmware, setup.board.device.part);
  const scenario::Scenario scenario = scenario::load_scenario(options.scenario);
  std::optional<profile::RequirementSet> requirements;
  if (options.requirements) {
    requirements = profile::load_requirements(*options.requirements);
  }
  std::vector<BoundCheck> checks =
      bind_checks(scenario, requirements ? &*requirements : nullptr, setup.board.declared.nominal_v);
  setup.initial = scenario.initial;
  setup.seed = options.seed.value_or(scenario.seed);
  setup.board.device.skip_idle = options.skip_idle;

  trace::Identity identity = identity_of(setup.board, setup.site, setup.image, setup.seed);
  identity.scenario_name = scenario.name;
  identity.scenario_sha256 = scenario.sha256;
  climb(options.rig, {{setup.board.file, setup.board.highest_level},
                      {setup.site.file, setup.site.highest_level},
                      {scenario.file, scenario.highest_level}});
  identity.rig = text_of(options.rig.kind) + (options.rig.kind == RigKind::kVirtual ? " rig" : "");
  std::filesystem::path flight = options.trace;
  const std::unique_ptr<rig::Rig> made =
      make_rig(options.rig, setup, flight.empty() ? flight : flight.replace_extension(".flight.csv"));
  rig::Rig& rig = *made;
  for (const scenario::Stimulus& stimulus : scenario.timeline) {
    rig.check(stimulus.change);
    rig.schedule(stimulus);
  }
  trace::Recorder recorder{options.trace,
                           identity,
                           {.interval = scenario.recording.interval, .event_window = scenario.recording.event_window}};
  rig.attach(recorder);
  verdict::BatteryClock clock{verdict::battery_limits(setup.board.declared, options.count_beyond)};
  rig.attach(clock);
  for (const std::string& note : scenario.notes) rig.mark(note);
  Pacer pacer{rig, scenario.duration, options.on_progress};
  run_with_checks(rig, checks, scenario.duration, pacer);

  ScenarioRunOutcome outcome;
  outcome.notes = scenario.notes;
  outcome.end = rig.now();
  outcome.invalid_because = rig.invalid_because();
  outcome.device_crash = rig.device_crash();
  outcome.resets = rig.resets();
  outcome.rig_notes = rig.rig_notes();
  for (const std::string& note : outcome.rig_notes) recorder.on_event({rig.now(), trace::EventKind::kMark, note});
  outcome.content_sha256 = recorder.finish(rig.now(), rig.invalid_because());
  outcome.battery = counts_of(clock, rig);
  outcome.panel_wh = rig.plant_state().books.panel_j / 3600.0;
  outcome.books_residual_j = rig.books_residual_j();
  for (const BoundCheck& b : checks) {
    outcome.findings.push_back(verdict::judge(*b.requirement, verdict::guarded(b.limit, rig.voltage_uncertainty_v()),
                                              b.monitor->figure(), in_words(b.check), rig.invalid_because()));
  }
  return outcome;
}

}  // namespace dawnrig::testing
