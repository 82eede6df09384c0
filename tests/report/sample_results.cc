#include "tests/report/sample_results.h"

#include <unistd.h>

#include <cmath>
#include <fstream>
#include <functional>
#include <numbers>

#include "harness/verdict/monitor.h"

namespace dawnrig::report {
namespace {

using namespace std::chrono_literals;
using trace::Signal;
using verdict::Limit;

profile::Requirement requirement(const std::string& id, const std::string& sentence, const Limit& limit,
                                 const std::string& source, profile::Confidence confidence) {
  profile::Requirement r;
  r.id = id;
  r.sentence = sentence;
  r.lowest = limit.lowest;
  r.highest = limit.highest;
  r.unit = limit.unit;
  r.tolerance = limit.tolerance;
  r.source = source;
  r.confidence = confidence;
  return r;
}

void put_curve(const verdict::Curve& in, proto::Evidence& evidence) {
  proto::Curve& out = *evidence.add_curve();
  out.set_label(in.label);
  out.set_unit(in.unit);
  out.set_is_switch(in.is_switch);
  out.set_end_s(in.end_s);
  out.mutable_time_s()->Add(in.time_s.begin(), in.time_s.end());
  out.mutable_low()->Add(in.low.begin(), in.low.end());
  out.mutable_high()->Add(in.high.begin(), in.high.end());
  out.mutable_mean()->Add(in.mean.begin(), in.mean.end());
}

void put(const verdict::Finding& in, proto::FindingRecord& out) {
  out.mutable_requirement()->set_id(in.requirement.id);
  out.mutable_requirement()->set_sentence(in.requirement.sentence);
  out.mutable_requirement()->set_source(in.requirement.source);
  out.mutable_requirement()->set_confidence(
      static_cast<proto::Confidence>(static_cast<int>(in.requirement.confidence) + 1));
  proto::Limit& limit = *out.mutable_requirement()->mutable_limit();
  if (in.limit.lowest) limit.set_lowest(*in.limit.lowest);
  if (in.limit.highest) limit.set_highest(*in.limit.highest);
  limit.set_unit(in.limit.unit);
  limit.set_tolerance(in.limit.tolerance);
  out.set_verdict(static_cast<proto::Verdict>(static_cast<int>(in.verdict) + 1));
  out.set_verdict_reason(in.reason);
  out.set_measured_as(in.measured_as);
  out.set_measured(in.figure.value);
  out.set_margin(in.margin);
  out.set_margin_in_tolerances(in.margin_in_tolerances);
  out.set_worst_ns(in.figure.worst.count());
  out.set_exercised(in.figure.exercised);
  if (in.figure.first_offence) {
    out.set_first_offence_ns(in.figure.first_offence->time.count());
    out.set_first_offence_value(in.figure.first_offence->value);
  }
  if (in.figure.level) out.set_level_offset(in.figure.level->minus);
}

void add_line(proto::FindingRecord& finding, const std::string& label, double value, const std::string& unit) {
  proto::BandLine& line = *finding.mutable_evidence()->add_limit_line();
  line.set_label(label);
  line.set_value(value);
  line.set_unit(unit);
}

void add_moment(proto::FindingRecord& finding, double time_s, const std::string& label) {
  proto::Moment& moment = *finding.mutable_evidence()->add_moment();
  moment.set_time_s(time_s);
  moment.set_label(label);
}

proto::TestResult& add_test(proto::ResultSet& set, const std::string& name, double simulated_s) {
  proto::TestResult& test = *set.add_test();
  test.set_name(name);
  test.set_simulated_s(simulated_s);
  proto::RunRecord& run = *test.add_run();
  run.set_trace_file("traces/" + name + ".trace");
  run.set_content_sha256("5d0c" + std::string(60, static_cast<char>('0' + set.test_size() % 10)));
  run.set_seed(1);
  run.add_rig_note("lateness of 60000 ticks: p50 20 us <=20us 59990");
  proto::BatteryRecord& battery = *run.mutable_battery();
  battery.set_in_ah(12.3456);
  battery.set_gassing_ah(0.0321);
  battery.set_limit_v(31.5);
  battery.set_above_v_s(7.25);
  return test;
}

/// Plays a voltage with PWM ripple to `sinks`, one sample per quarter of a 2 ms cycle.
void play(double from_s, double to_s, const std::function<double(double)>& mean_v,
          const std::function<double(double)>& duty, const std::vector<trace::Sink*>& sinks) {
  constexpr double kPeriod = 0.002;
  const auto cycles = static_cast<long>((to_s - from_s) / kPeriod);
  const auto tell = [&](double t, double volts, double amperes, double gate) {
    trace::Sample sample;
    sample.time = from_seconds(t);
    sample[Signal::kTerminalV] = volts;
    sample[Signal::kBatteryA] = amperes;
    sample[Signal::kGate] = gate;
    for (trace::Sink* sink : sinks) sink->on_sample(sample);
  };
  for (long n = 0; n <= cycles; ++n) {
    const double t = from_s + kPeriod * static_cast<double>(n);
    const double d = std::clamp(duty(t), 0.0, 1.0);
    const double ripple = d > 0 && d < 1 ? 0.12 : 0.0;
    tell(t, mean_v(t) - ripple * d, 8 * d, d > 0 ? 1 : 0);
    tell(t + d * kPeriod, mean_v(t) + ripple * (1 - d), 8 * d, d < 1 ? 0 : 1);
  }
}

void add_overshoot(proto::ResultSet& set, bool overshoots) {
  const Limit limit{.highest = 29.38, .unit = "V", .tolerance = 0.1};
  verdict::Highest highest{{.average_over = 50ms, .limit = limit}};
  verdict::EvidenceCollector evidence{{Signal::kTerminalV, Signal::kBatteryA, Signal::kGate}};
  const double peak = overshoots ? 1.05 : 0.32;
  const double decay_s = overshoots ? 1.1 : 0.35;
  const auto volts = [&](double t) {
    return t < 12.4 ? 28.78 : 28.8 + peak * std::exp(-(t - 12.4) / decay_s) * (1 - std::exp(-(t - 12.4) / 0.06));
  };
  const auto duty = [&](double t) { return t < 12.4 ? 0.83 : 0.31 + 0.5 * std::exp(-(t - 12.4) / decay_s); };
  play(10, 18, volts, duty, {&highest, &evidence});
  const auto r =
      requirement("OVERSHOOT-LOAD-RELEASE",
                  "When the load is released in full sun, the battery voltage stays below the limit of its loads",
                  limit, "two per cent above the set point, usual for small controllers", profile::Confidence::kTrade);
  proto::TestResult& test = add_test(set, "Regulation.CatchesALoadRelease", 18);
  proto::FindingRecord& out = *test.add_finding();
  put(verdict::judge(r, limit, highest.figure(), "terminal voltage averaged over 50 ms", ""), out);
  for (const auto& curve : evidence.curves()) put_curve(curve, *out.mutable_evidence());
  add_line(out, "highest allowed", 29.38, "V");
  add_moment(out, 12.4, "load off, 6.4 A");
  for (int phase = 1; phase < 6; ++phase) {
    verdict::Figure figure = highest.figure();
    figure.value -= 0.04 * phase;
    put(verdict::judge(r, limit, figure, "the same, a sixth of a cycle later", ""), *test.add_finding());
  }
}

void add_set_point(proto::ResultSet& set, double error_v) {
  const Limit limit{.lowest = -0.288, .highest = 0.288, .unit = "V", .tolerance = 0.05};
  verdict::Mean mean{{.minus = 28.8}};
  verdict::EvidenceCollector evidence{{Signal::kTerminalV, Signal::kGate}};
  const auto volts = [&](double t) { return 28.8 + error_v + 0.02 * std::sin(2 * std::numbers::pi * t / 7); };
  play(1800, 1830, volts, [](double) { return 0.42; }, {&mean, &evidence});
  const auto r = requirement("SETPOINT-ABSORPTION", "The battery is held at its declared absorption voltage", limit,
                             "one per cent, quoted from a national standard", profile::Confidence::kStandard);
  proto::FindingRecord& out = *add_test(set, "SetPoints.HoldsAbsorptionVoltage", 1830).add_finding();
  put(verdict::judge(r, limit, mean.figure(), "mean terminal voltage less the set point", ""), out);
  for (const auto& curve : evidence.curves()) put_curve(curve, *out.mutable_evidence());
  add_line(out, "highest allowed", 29.088, "V");
  add_line(out, "lowest allowed", 28.512, "V");
}

void add_night(proto::ResultSet& set, bool stays_on) {
  const Limit limit{.highest = 60, .unit = "s", .tolerance = 5};
  verdict::LastOn last_on{Signal::kGate, verdict::IfNeverOn::kVacuous};
  verdict::EvidenceCollector evidence{{Signal::kTerminalV, Signal::kGate}};
  play(
      300, 420, [](double t) { return 26.6 + 1.4 * std::exp(-(t - 300) / 25); },
      [&](double t) { return t < (stays_on ? 500 : 341) ? 1.0 : 0.0; }, {&last_on, &evidence});
  const auto r = requirement("NIGHT-GATE-OFF", "After sunset the charging switch is off within a minute", limit,
                             "so that the battery cannot discharge through the panel", profile::Confidence::kProposed);
  proto::FindingRecord& out = *add_test(set, "Night.SwitchesTheGateOff", 420).add_finding();
  put(verdict::judge(r, limit, last_on.figure(), "time until the charging switch was off", ""), out);
  for (const auto& curve : evidence.curves()) put_curve(curve, *out.mutable_evidence());
  add_moment(out, 300.5, "sun 0 W/m²");
}

void add_simple(proto::ResultSet& set, const std::string& test, const std::string& id, const std::string& sentence,
                const Limit& limit, double value, std::int64_t exercised, const std::string& measured_as,
                const std::string& invalid_because = "") {
  verdict::Figure figure;
  figure.value = value;
  figure.exercised = exercised;
  figure.worst = 600s;
  proto::TestResult& result = add_test(set, test, 900);
  put(verdict::judge(
          requirement(id, sentence, limit, "declared by the maker of the device", profile::Confidence::kMaker), limit,
          figure, measured_as, invalid_because),
      *result.add_finding());
  if (!invalid_because.empty()) result.mutable_run(0)->set_invalid_because(invalid_because);
}

}  // namespace

Scratch::Scratch() {
  std::string name = (std::filesystem::temp_directory_path() / "dawnrig-report-XXXXXX").string();
  folder_ = ::mkdtemp(name.data());
}

Scratch::~Scratch() {
  std::error_code ignored;
  std::filesystem::remove_all(folder_, ignored);
}

std::filesystem::path Scratch::put(const std::string& name, const proto::ResultSet& set) const {
  std::ofstream out{folder_ / name, std::ios::binary};
  set.SerializeToOstream(&out);
  return folder_ / name;
}

proto::ResultSet empty_set(const std::string& revision) {
  proto::ResultSet set;
  proto::Identity& id = *set.mutable_identity();
  id.set_board_name("ridge repeater controller");
  id.set_board_revision(revision);
  id.set_site_name("ridge repeater");
  id.set_rig("virtual rig");
  id.set_tool_version("0.1.0");
  id.set_image_file("out/firmware/controller-" + revision + ".elf");
  id.set_image_sha256("9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08");
  id.set_board_file("fixtures/profiles/controller-" + revision + ".textproto");
  id.set_board_sha256((revision == "A" ? "1" : "2") + std::string(63, 'b'));
  id.set_site_file("fixtures/profiles/ridge.textproto");
  id.set_site_sha256(std::string(64, 'c'));
  id.set_seed(1);
  set.set_requirements_file("fixtures/requirements/ridge_24v.textproto");
  set.set_requirements_sha256(std::string(64, 'd'));
  set.set_level("virtual rig: the unmodified image in an instruction simulator, on synthesised voltages");
  set.set_complete(true);
  return set;
}

void add_level(proto::TestResult& test, const std::string& id, double measured_v, double highest_v,
               double tolerance_v) {
  const Limit limit{.highest = highest_v, .unit = "V", .tolerance = tolerance_v};
  verdict::Figure figure;
  figure.value = measured_v;
  figure.exercised = 3;
  put(verdict::judge(requirement(id, "The voltage stays below " + id, limit, "a test", profile::Confidence::kTrade),
                     limit, figure, "voltage", ""),
      *test.add_finding());
}

proto::ResultSet sample_of(const std::string& revision) {
  const bool b = revision == "B";
  proto::ResultSet set = empty_set(revision);
  add_overshoot(set, b);
  add_set_point(set, b ? 0.21 : -0.04);
  add_night(set, b);
  add_simple(set, "Compensation.FollowsTheBatteryTemperature", "COMPENSATION-SLOPE",
             "The absorption voltage falls with the battery temperature as declared",
             {.lowest = -0.066, .highest = -0.054, .unit = "V/K", .tolerance = 0.002}, b ? -0.0573 : -0.0601, 5,
             "slope of the set point over five temperatures");
  add_simple(set, "LoadOutput.DisconnectsAtItsThreshold", "LOAD-DISCONNECT-VOLTAGE",
             "A discharged battery is disconnected from the load at the declared voltage",
             {.lowest = 21.6, .highest = 22.8, .unit = "V", .tolerance = 0.1}, b ? 22.31 : 22.17, 1,
             "terminal voltage just before the load output switched off");
  add_simple(set, "LoadOutput.DoesNotChatter", "LOAD-TOGGLES", "The load output does not chatter on a tired battery",
             {.highest = 2, .unit = "count", .tolerance = 1}, b ? 2 : 1, 3000,
             "changes of the load output in five minutes");
  add_simple(set, "Faults.SurvivesAnOpenSenseWire", "SENSE-OPEN-GATE-OFF",
             "With the voltage sense wire off, charging stops before the battery gasses",
             {.highest = 2, .unit = "s", .tolerance = 0.2}, b ? 0.4 : 0.6, b ? 1 : 1,
             "time until the charging switch was off", b ? "the gate line chattered faster than the rig records" : "");
  add_simple(set, "Faults.CutsOffAtOverVoltage", "OVER-VOLTAGE-CUTOFF",
             "Over-voltage switches charging off within a second", {.highest = 1, .unit = "s", .tolerance = 0.1},
             b ? 0.35 : 0, b ? 4 : 0, "time from over-voltage to gate off");
  proto::TestResult& skipped = *set.add_test();
  skipped.set_name("Float.HoldsFloatVoltage");
  skipped.set_not_applicable_because("the profile declares no float voltage");
  if (b) {
    set.mutable_test(2)->add_problem("night_test.cc:41: the firmware crashed: jump to 0xffe8, outside the image <&>");
  }
  return set;
}

}  // namespace dawnrig::report
