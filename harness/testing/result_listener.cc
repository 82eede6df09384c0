#include "harness/testing/result_listener.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <map>
#include <stdexcept>
#include <string_view>
#include <utility>

#include "harness/base/atomic_file.h"
#include "proto/result.pb.h"

namespace dawnrig::testing {
namespace {

proto::Verdict verdict_of(verdict::Verdict verdict) {
  switch (verdict) {
    case verdict::Verdict::kPass:
      return proto::PASS;
    case verdict::Verdict::kFail:
      return proto::FAIL;
    case verdict::Verdict::kInvalid:
      return proto::INVALID;
    case verdict::Verdict::kVacuous:
      return proto::VACUOUS;
  }
  return proto::INVALID;
}

proto::Confidence confidence_of(profile::Confidence confidence) {
  switch (confidence) {
    case profile::Confidence::kStandard:
      return proto::STANDARD;
    case profile::Confidence::kMaker:
      return proto::MAKER;
    case profile::Confidence::kTrade:
      return proto::TRADE;
    case profile::Confidence::kProposed:
      return proto::PROPOSED;
  }
  return proto::PROPOSED;
}

void put_requirement(const verdict::Finding& finding, proto::Requirement& out) {
  out.set_id(finding.requirement.id);
  out.set_sentence(finding.requirement.sentence);
  out.set_source(finding.requirement.source);
  out.set_confidence(confidence_of(finding.requirement.confidence));
  proto::Limit& limit = *out.mutable_limit();
  if (finding.limit.lowest) limit.set_lowest(*finding.limit.lowest);
  if (finding.limit.highest) limit.set_highest(*finding.limit.highest);
  limit.set_unit(finding.limit.unit);
  limit.set_tolerance(finding.limit.tolerance);
}

void put_curve(const verdict::Curve& curve, proto::Curve& out) {
  out.set_label(curve.label);
  out.set_unit(curve.unit);
  out.set_is_switch(curve.is_switch);
  out.set_end_s(curve.end_s);
  out.mutable_time_s()->Add(curve.time_s.begin(), curve.time_s.end());
  out.mutable_low()->Add(curve.low.begin(), curve.low.end());
  out.mutable_high()->Add(curve.high.begin(), curve.high.end());
  out.mutable_mean()->Add(curve.mean.begin(), curve.mean.end());
}

void put_line(const LimitLine& line, proto::Evidence& out) {
  proto::BandLine& band = *out.add_limit_line();
  band.set_label(line.label);
  band.set_value(line.value);
  band.set_unit(line.unit);
}

/// The limit drawn over the signal it limits, and the levels that something is timed from.
std::vector<LimitLine> implied_lines(const verdict::Finding& finding) {
  std::vector<LimitLine> lines;
  if (const auto& level = finding.figure.level) {
    const std::string unit{trace::unit_of(level->signal)};
    if (finding.limit.highest) lines.push_back({"highest allowed", *finding.limit.highest + level->minus, unit});
    if (finding.limit.lowest) lines.push_back({"lowest allowed", *finding.limit.lowest + level->minus, unit});
  }
  for (const auto& line : finding.figure.lines) {
    lines.push_back({line.label, line.value, std::string{trace::unit_of(line.signal)}});
  }
  return lines;
}

void put_finding(const verdict::Finding& finding, proto::FindingRecord& out) {
  put_requirement(finding, *out.mutable_requirement());
  out.set_verdict(verdict_of(finding.verdict));
  out.set_verdict_reason(finding.reason);
  out.set_measured_as(finding.measured_as);
  out.set_measured(finding.figure.value);
  out.set_margin(finding.margin);
  out.set_margin_in_tolerances(finding.margin_in_tolerances);
  out.set_worst_ns(finding.figure.worst.count());
  out.set_exercised(finding.figure.exercised);
  if (finding.figure.level) out.set_level_offset(finding.figure.level->minus);
  if (const auto& offence = finding.figure.first_offence) {
    out.set_first_offence_ns(offence->time.count());
    out.set_first_offence_value(offence->value);
  }
}

/// "set_points_test.cc:41: " or "".
std::string place_of(const ::testing::TestPartResult& part) {
  if (part.file_name() == nullptr) return "";
  const std::string file = std::filesystem::path{part.file_name()}.filename().string();
  return file + (part.line_number() > 0 ? ":" + std::to_string(part.line_number()) : "") + ": ";
}

/// What a person wrote or GoogleTest said, without its opening "Failed".
std::string_view message_of(const ::testing::TestPartResult& part) {
  std::string_view message = part.message() == nullptr ? "" : part.message();
  for (const std::string_view opening : {"Failed\n", "Skipped\n"}) {
    if (message.starts_with(opening)) message.remove_prefix(opening.size());
  }
  while (message.ends_with('\n')) message.remove_suffix(1);
  return message;
}

void replace_file(const std::filesystem::path& file, const std::string& content) {
  base::AtomicFile out{file};
  out.stream() << content;
  out.commit();
}

}  // namespace

struct ResultCollector::Impl {
  proto::ResultSet set;    ///< identity only
  proto::TestResult test;  ///< of the running test
  std::vector<Moment> moments;
  std::map<std::string, int> times_judged;  ///< per requirement, in the running test

  void begin(const std::string& name) {
    test.Clear();
    test.set_name(name);
    moments.clear();
    times_judged.clear();
  }

  /// Already told as a finding or as a run that cannot be trusted.
  [[nodiscard]] bool is_told(std::string_view message) const {
    for (const auto& finding : test.finding()) {
      if (finding.verdict() == proto::PASS) continue;
      const std::string opening = proto::Verdict_Name(finding.verdict()) + " " + finding.requirement().id() + ":";
      if (message.starts_with(opening)) return true;
    }
    return std::any_of(test.run().begin(), test.run().end(), [&](const proto::RunRecord& run) {
      return !run.invalid_because().empty() && message == "INVALID: " + run.invalid_because();
    });
  }

  void record_properties(const proto::FindingRecord& finding) {
    if (::testing::UnitTest::GetInstance()->current_test_info() == nullptr) return;
    const int times = ++times_judged[finding.requirement().id()];
    const std::string key = finding.requirement().id() + (times > 1 ? "#" + std::to_string(times) : "");
    const auto record = [&](const char* what, const std::string& text) {
      ::testing::Test::RecordProperty(key + "." + what, text);
    };
    const auto number = [](double value) {
      char text[40];
      std::snprintf(text, sizeof text, "%.9g", value);
      return std::string{text};
    };
    record("verdict", proto::Verdict_Name(finding.verdict()));
    record("measured", number(finding.measured()));
    record("unit", finding.requirement().limit().unit());
    record("margin", number(finding.margin()));
    record("margin_in_tolerances", number(finding.margin_in_tolerances()));
  }
};

ResultCollector::ResultCollector() : impl_{std::make_unique<Impl>()} {}
ResultCollector::~ResultCollector() = default;

void ResultCollector::set_identity(const SuiteIdentity& identity) {
  proto::ResultSet& set = impl_->set;
  set.set_requirements_file(identity.requirements_file);
  set.set_requirements_sha256(identity.requirements_sha256);
  set.set_level(identity.level);
  const trace::Identity& device = identity.device;
  proto::Identity& out = *set.mutable_identity();
  out.set_tool_version(device.tool_version);
  out.set_image_file(device.image_file);
  out.set_image_sha256(device.image_sha256);
  out.set_board_file(device.board_file);
  out.set_board_sha256(device.board_sha256);
  out.set_site_file(device.site_file);
  out.set_site_sha256(device.site_sha256);
  out.set_scenario_name(device.scenario_name);
  out.set_scenario_sha256(device.scenario_sha256);
  out.set_seed(device.seed);
  out.set_board_name(device.board_name);
  out.set_board_revision(device.board_revision);
  out.set_site_name(device.site_name);
  out.set_rig(device.rig);
}

void ResultCollector::add_finding(const verdict::Finding& finding, const std::vector<verdict::Curve>& curves,
                                  const std::vector<LimitLine>& more_lines) {
  proto::FindingRecord& out = *impl_->test.add_finding();
  put_finding(finding, out);
  impl_->record_properties(out);
  if (curves.empty()) return;
  proto::Evidence& evidence = *out.mutable_evidence();
  for (const verdict::Curve& curve : curves) put_curve(curve, *evidence.add_curve());
  for (const LimitLine& line : implied_lines(finding)) put_line(line, evidence);
  for (const LimitLine& line : more_lines) put_line(line, evidence);
  if (curves.front().time_s.empty()) return;
  for (const Moment& moment : impl_->moments) {
    const double time_s = in_seconds(moment.time);
    if (time_s < curves.front().time_s.front() || time_s > curves.front().end_s) continue;
    proto::Moment& shown = *evidence.add_moment();
    shown.set_time_s(time_s);
    shown.set_label(moment.label);
  }
}

void ResultCollector::add_moment(Nanos time, const std::string& label) {
  impl_->moments.push_back({time, label});
}

void ResultCollector::add_rig_notes(const std::vector<std::string>& notes) {
  if (impl_->test.run_size() == 0) return;
  for (const std::string& note : notes) impl_->test.mutable_run(impl_->test.run_size() - 1)->add_rig_note(note);
}

void ResultCollector::add_run(const std::filesystem::path& trace_file, const std::string& content_sha256,
                              const std::string& invalid_because, std::uint64_t seed,
                              const verdict::BatteryCounts& battery) {
  proto::RunRecord& run = *impl_->test.add_run();
  run.set_trace_file(trace_file.string());
  run.set_content_sha256(content_sha256);
  run.set_invalid_because(invalid_because);
  run.set_seed(seed);
  proto::BatteryRecord& counted = *run.mutable_battery();
  counted.set_in_ah(battery.in_ah);
  counted.set_out_ah(battery.out_ah);
  counted.set_gassing_ah(battery.gassing_ah);
  counted.set_unstored_ah(battery.unstored_ah);
  counted.set_limit_v(battery.limits.above_v);
  counted.set_above_v_s(battery.above_v_s);
  counted.set_limit_degc(battery.limits.above_degc);
  counted.set_above_degc_s(battery.above_degc_s);
  counted.set_limit_soc_frac(battery.limits.below_soc_frac);
  counted.set_below_soc_s(battery.below_soc_s);
  counted.set_highest_v(battery.highest_v);
  counted.set_highest_degc(battery.highest_degc);
  counted.set_lowest_soc_frac(battery.lowest_soc_frac);
  impl_->moments.clear();
}

void ResultCollector::not_applicable(const std::string& because) {
  std::string& reasons = *impl_->test.mutable_not_applicable_because();
  if (!reasons.empty()) reasons += "; ";
  reasons += because;
}

void ResultCollector::set_simulated_s(double simulated_s) {
  impl_->test.set_simulated_s(simulated_s);
}

ResultCollector& collector() {
  static ResultCollector the_collector;
  return the_collector;
}

class ResultListener final : public ::testing::EmptyTestEventListener {
 public:
  explicit ResultListener(std::filesystem::path file) : file_{std::move(file)} {}

  void OnTestIterationStart(const ::testing::UnitTest& unit_test, int /*iteration*/) override {
    proto::ResultSet head = impl().set;
    head.set_planned(unit_test.test_to_run_count());
    finished_ = head.SerializeAsString();
  }

  void OnTestStart(const ::testing::TestInfo& info) override {
    const std::string name = std::string{info.test_suite_name()} + "." + info.name();
    impl().begin(name);
    proto::ResultSet now;
    now.set_running(name);
    write(now);
  }

  // GoogleTest tells the listener that was added last of an end first, so a failure added here is still printed.
  void OnTestEnd(const ::testing::TestInfo& info) override {
    note_failures(*info.result());
    proto::TestResult& test = impl().test;
    if (test.finding().empty() && test.problem().empty() && test.not_applicable_because().empty() &&
        !info.result()->Failed()) {
      const std::string nothing = "the test ended without judging anything and without saying why it need not";
      test.add_problem(nothing);
      ADD_FAILURE() << nothing;
    }
    test.set_wall_s(static_cast<double>(info.result()->elapsed_time()) * 1e-3);
    proto::ResultSet one;
    *one.add_test() = test;
    finished_ += one.SerializeAsString();
    write({});
  }

  void OnTestIterationEnd(const ::testing::UnitTest& /*unit_test*/, int /*iteration*/) override {
    proto::ResultSet tail;
    tail.set_complete(true);
    write(tail);
  }

 private:
  static ResultCollector::Impl& impl() { return *collector().impl_; }

  static void note_failures(const ::testing::TestResult& result) {
    for (int i = 0; i < result.total_part_count(); ++i) {
      const ::testing::TestPartResult& part = result.GetTestPartResult(i);
      const std::string message{message_of(part)};
      if (part.skipped()) collector().not_applicable(message.empty() ? "the test was skipped" : message);
      if (part.failed() && !impl().is_told(message)) impl().test.add_problem(place_of(part) + message);
    }
  }

  /// Serialised messages of one type, one after the other, are the message of all of them together: so what is
  /// finished is never serialised again.
  void write(const proto::ResultSet& tail) const {
    try {
      replace_file(file_, finished_ + tail.SerializeAsString());
    } catch (const std::runtime_error& e) {
      ADD_FAILURE() << "the result could not be written: " << e.what();
    }
  }

  std::filesystem::path file_;
  std::string finished_;
};

void write_results_to(const std::filesystem::path& result_file) {
  // Fails here, before the first test, if nothing can be written there.
  replace_file(result_file, proto::ResultSet{}.SerializeAsString());
  ::testing::UnitTest::GetInstance()->listeners().Append(new ResultListener{result_file});  // GoogleTest owns it
}

}  // namespace dawnrig::testing
