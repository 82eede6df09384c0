#include "harness/report/results.h"

#include <algorithm>
#include <fstream>
#include <regex>
#include <tuple>
#include <utility>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/base/text.h"
#include "proto/result.pb.h"

namespace dawnrig::report {
namespace {

Verdict verdict_of(proto::Verdict verdict) {
  switch (verdict) {
    case proto::PASS:
      return Verdict::kPass;
    case proto::FAIL:
      return Verdict::kFail;
    case proto::VACUOUS:
      return Verdict::kVacuous;
    default:
      return Verdict::kInvalid;
  }
}

std::string confidence_in_words(proto::Confidence confidence) {
  switch (confidence) {
    case proto::STANDARD:
      return "read in a standard";
    case proto::MAKER:
      return "stated by the maker";
    case proto::TRADE:
      return "usual in the trade";
    case proto::PROPOSED:
      return "a proposal of this project, with no outside authority";
    default:
      return "of unknown standing";
  }
}

proto::ResultSet read_set(const std::filesystem::path& file) {
  base::demand_readable(file);
  std::ifstream in{file, std::ios::binary};
  proto::ResultSet set;
  if (!set.ParseFromIstream(&in)) throw base::BadInput(file.string(), "is no result file, or a damaged one");
  return set;
}

verdict::Curve curve_of(const proto::Curve& in) {
  verdict::Curve curve;
  curve.label = in.label();
  curve.unit = in.unit();
  curve.is_switch = in.is_switch();
  curve.time_s.assign(in.time_s().begin(), in.time_s().end());
  curve.low.assign(in.low().begin(), in.low().end());
  curve.high.assign(in.high().begin(), in.high().end());
  curve.mean.assign(in.mean().begin(), in.mean().end());
  // A damaged or foreign file may hold rows of different lengths.
  const std::size_t buckets = std::min({curve.time_s.size(), curve.low.size(), curve.high.size()});
  curve.time_s.resize(buckets);
  curve.low.resize(buckets);
  curve.high.resize(buckets);
  for (std::size_t i = curve.mean.size(); i < buckets; ++i) curve.mean.push_back(0.5 * (curve.low[i] + curve.high[i]));
  curve.mean.resize(buckets);
  curve.end_s = buckets == 0 ? in.end_s() : std::max(in.end_s(), curve.time_s.back());
  return curve;
}

/// The label with its long fractions rounded: "at 0.437567 of its rating" tells nobody more than 0.438.
std::string for_a_picture(const std::string& label) {
  static const std::regex long_fraction{R"(\d+\.\d{4,})"};
  std::string out;
  auto rest = label.cbegin();
  for (std::sregex_iterator at{label.begin(), label.end(), long_fraction}, end; at != end; ++at) {
    out.append(rest, (*at)[0].first);
    out += base::number_text(std::stod(at->str()), 3);
    rest = (*at)[0].second;
  }
  return out.append(rest, label.cend());
}

Plot plot_of(const proto::Evidence& in) {
  Plot plot;
  for (const proto::Curve& curve : in.curve()) {
    if (curve.time_s_size() > 0) plot.curves.push_back(curve_of(curve));
  }
  for (const proto::BandLine& line : in.limit_line()) plot.lines.push_back({line.label(), line.value(), line.unit()});
  for (const proto::Moment& moment : in.moment())
    plot.moments.push_back({moment.time_s(), for_a_picture(moment.label())});
  return plot;
}

Judged judged_of(const std::string& test, const proto::FindingRecord& in) {
  Judged judged;
  judged.test = test;
  judged.verdict = verdict_of(in.verdict());
  const proto::Limit& limit = in.requirement().limit();
  if (limit.has_lowest()) judged.limit.lowest = limit.lowest();
  if (limit.has_highest()) judged.limit.highest = limit.highest();
  judged.limit.unit = limit.unit();
  judged.limit.tolerance = limit.tolerance();
  judged.reason = in.verdict_reason();
  judged.measured_as = in.measured_as();
  judged.measured = in.measured();
  judged.margin = in.margin();
  judged.margin_in_tolerances = in.margin_in_tolerances();
  judged.worst = Nanos{in.worst_ns()};
  judged.exercised = in.exercised();
  if (in.has_first_offence_ns()) {
    judged.first_offence = verdict::Figure::Offence{Nanos{in.first_offence_ns()}, in.first_offence_value()};
  }
  if (in.has_level_offset()) judged.level_offset = in.level_offset();
  judged.plot = plot_of(in.evidence());
  return judged;
}

Device device_of(const proto::ResultSet& set) {
  Device device;
  const proto::Identity& id = set.identity();
  device.board_name = id.board_name();
  device.revision = id.board_revision();
  device.site_name = id.site_name();
  device.rig = id.rig();
  device.tool_version = id.tool_version();
  device.level = set.level();
  device.image = {id.image_file(), id.image_sha256()};
  device.board = {id.board_file(), id.board_sha256()};
  device.site = {id.site_file(), id.site_sha256()};
  device.requirements = {set.requirements_file(), set.requirements_sha256()};
  return device;
}

auto key_of(const Device& d) {
  return std::tie(d.board_name, d.revision, d.site_name, d.board.sha256, d.image.sha256, d.site.sha256,
                  d.requirements.sha256);
}

std::optional<verdict::BatteryCounts> battery_of(const proto::RunRecord& run) {
  if (!run.has_battery()) return std::nullopt;
  const proto::BatteryRecord& counted = run.battery();
  verdict::BatteryCounts counts;
  counts.limits = {counted.limit_v(), counted.limit_degc(), counted.limit_soc_frac()};
  counts.in_ah = counted.in_ah();
  counts.out_ah = counted.out_ah();
  counts.gassing_ah = counted.gassing_ah();
  counts.unstored_ah = counted.unstored_ah();
  counts.above_v_s = counted.above_v_s();
  counts.above_degc_s = counted.above_degc_s();
  counts.below_soc_s = counted.below_soc_s();
  counts.highest_v = counted.highest_v();
  counts.highest_degc = counted.highest_degc();
  counts.lowest_soc_frac = counted.lowest_soc_frac();
  return counts;
}

void add_test(const proto::TestResult& test, Device& device) {
  ++device.tests;
  device.simulated_s += test.simulated_s();
  device.wall_s += test.wall_s();
  for (const std::string& problem : test.problem()) device.troubles.push_back({test.name(), Verdict::kFail, problem});
  if (!test.not_applicable_because().empty()) {
    device.not_applicable.push_back({test.name(), test.not_applicable_because()});
  }
  for (const proto::RunRecord& run : test.run()) {
    device.runs.push_back({test.name(),
                           run.trace_file(),
                           run.content_sha256(),
                           run.invalid_because(),
                           run.seed(),
                           battery_of(run),
                           {run.rig_note().begin(), run.rig_note().end()}});
    const auto told = [&](const proto::FindingRecord& f) { return f.verdict_reason() == run.invalid_because(); };
    const bool in_a_finding = std::any_of(test.finding().begin(), test.finding().end(), told);
    if (!run.invalid_because().empty() && !in_a_finding) {
      device.troubles.push_back({test.name(), Verdict::kInvalid, run.invalid_because()});
    }
  }
}

/// A process that did not reach its end lost the test it was in, and those it had not begun.
void add_what_was_lost(const proto::ResultSet& set, Device& device) {
  if (set.complete() || set.planned() == 0) return;
  const int lost = set.planned() - set.test_size();
  const std::string text = "the process that ran the tests died" +
                           std::string{set.running().empty() ? "" : " during this one"} + "; " + std::to_string(lost) +
                           " of " + std::to_string(set.planned()) + " tests have no result";
  device.troubles.push_back({set.running().empty() ? "after the last result" : set.running(), Verdict::kInvalid, text});
}

std::size_t device_index(const proto::ResultSet& set, const std::vector<Device>& devices) {
  const Device wanted = device_of(set);
  const auto at =
      std::find_if(devices.begin(), devices.end(), [&](const Device& d) { return key_of(d) == key_of(wanted); });
  return static_cast<std::size_t>(at - devices.begin());
}

Row& row_for(const proto::Requirement& requirement, Results& results) {
  for (Row& row : results.rows) {
    if (row.id == requirement.id()) return row;
  }
  Row row;
  row.id = requirement.id();
  row.sentence = requirement.sentence();
  row.source = requirement.source();
  row.confidence = confidence_in_words(requirement.confidence());
  row.judged.resize(results.devices.size());
  results.rows.push_back(std::move(row));
  return results.rows.back();
}

void conclude(std::size_t index, Results& results) {
  Device& device = results.devices[index];
  bool any = false;
  device.overall = Verdict::kPass;
  const auto take = [&](Verdict verdict) {
    any = true;
    if (rank_of(verdict) < rank_of(device.overall)) device.overall = verdict;
  };
  for (const Row& row : results.rows) {
    if (const Judged* worst = row.worst_on(index)) {
      ++device.counts[worst->verdict];
      take(worst->verdict);
    }
  }
  for (const Trouble& trouble : device.troubles) take(trouble.verdict);
  if (!any) device.overall = Verdict::kVacuous;
  std::sort(device.seeds.begin(), device.seeds.end());
  device.seeds.erase(std::unique(device.seeds.begin(), device.seeds.end()), device.seeds.end());
}

}  // namespace

const Judged& Row::worst() const {
  const Judged* worst = nullptr;
  for (const auto& on_device : judged) {
    if (!on_device.empty() && (worst == nullptr || is_worse(on_device.front(), *worst))) worst = &on_device.front();
  }
  return *worst;
}

int rank_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::kFail:
      return 0;
    case Verdict::kInvalid:
      return 1;
    case Verdict::kVacuous:
      return 2;
    case Verdict::kPass:
      return 3;
  }
  return 1;
}

bool is_worse(const Judged& a, const Judged& b) {
  return std::pair{rank_of(a.verdict), a.margin_in_tolerances} < std::pair{rank_of(b.verdict), b.margin_in_tolerances};
}

Results load_results(const std::vector<std::filesystem::path>& files) {
  std::vector<proto::ResultSet> sets;
  sets.reserve(files.size());
  for (const auto& file : files) sets.push_back(read_set(file));

  Results results;
  for (const proto::ResultSet& set : sets) {
    if (device_index(set, results.devices) == results.devices.size()) results.devices.push_back(device_of(set));
  }
  std::sort(results.devices.begin(), results.devices.end(),
            [](const Device& a, const Device& b) { return key_of(a) < key_of(b); });
  for (const proto::ResultSet& set : sets) {
    const std::size_t index = device_index(set, results.devices);
    Device& device = results.devices[index];
    if (device.level.empty()) device.level = set.level();
    device.seeds.push_back(set.identity().seed());
    for (const proto::TestResult& test : set.test()) {
      add_test(test, device);
      for (const proto::FindingRecord& finding : test.finding()) {
        row_for(finding.requirement(), results).judged[index].push_back(judged_of(test.name(), finding));
      }
    }
    add_what_was_lost(set, device);
  }
  for (Row& row : results.rows) {
    for (auto& judged : row.judged) std::stable_sort(judged.begin(), judged.end(), is_worse);
  }
  std::stable_sort(results.rows.begin(), results.rows.end(),
                   [](const Row& a, const Row& b) { return is_worse(a.worst(), b.worst()); });
  for (std::size_t i = 0; i < results.devices.size(); ++i) conclude(i, results);
  return results;
}

}  // namespace dawnrig::report
