// Everything that result files hold, merged and sorted for reading.
// Room: harness/report. May use harness/verdict, harness/base and what lies below.
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "harness/verdict/monitor.h"

namespace dawnrig::report {

using verdict::Verdict;

struct PlotLine {
  std::string label;
  double value{0};
  std::string unit;
};
struct PlotMoment {
  double time_s{0};
  std::string label;
};
struct Plot {
  std::vector<verdict::Curve> curves;
  std::vector<PlotLine> lines;
  std::vector<PlotMoment> moments;
};

/// One figure held against one requirement by one test.
struct Judged {
  std::string test;
  Verdict verdict{Verdict::kInvalid};
  verdict::Limit limit;
  std::string reason, measured_as;
  double measured{0}, margin{0}, margin_in_tolerances{0};
  Nanos worst{0};
  std::int64_t exercised{0};
  std::optional<verdict::Figure::Offence> first_offence;
  std::optional<double> level_offset;  ///< added to a figure, it is a level of the plot's curves
  Plot plot;
};

/// What a test complained of besides its findings: FAIL, or INVALID for a run or a process that cannot be trusted.
struct Trouble {
  std::string test;
  Verdict verdict{Verdict::kFail};
  std::string text;
};

struct Run {
  std::string test, trace_file, content_sha256, invalid_because;
  std::uint64_t seed{0};
  std::optional<verdict::BatteryCounts> battery;
  std::vector<std::string> rig_notes;  ///< how the run went, by the rig
};

struct NotApplicable {
  std::string test, because;
};

struct Hashed {
  std::string file, sha256;
};

/// One device in one site with one image: a column of the report.
struct Device {
  std::string board_name, revision, site_name, rig, tool_version, level;
  Hashed image, board, site, requirements;
  std::vector<std::uint64_t> seeds;
  std::vector<Trouble> troubles;
  std::vector<NotApplicable> not_applicable;
  std::vector<Run> runs;
  int tests{0};
  double simulated_s{0}, wall_s{0};
  std::map<Verdict, int> counts;  ///< requirements by verdict
  Verdict overall{Verdict::kInvalid};
};

/// One requirement across devices.
struct Row {
  std::string id, sentence, source, confidence;
  std::vector<std::vector<Judged>> judged;  ///< per device, worst first; empty: not judged on it
  /// The worst on a device, or nullptr.
  [[nodiscard]] const Judged* worst_on(std::size_t device) const {
    return judged[device].empty() ? nullptr : &judged[device].front();
  }
  [[nodiscard]] const Judged& worst() const;
};

/// One line of what a suite set out to cover.
struct Subject {
  std::string id, what;
  std::vector<std::string> requirements;
  std::string not_applicable_because, hardware_because, open_because;  ///< "" where there is nothing to say
};

struct Results {
  std::vector<Device> devices;     ///< by board, revision, site and image
  std::vector<Row> rows;           ///< worst first
  std::vector<Subject> catalogue;  ///< empty: none was given
};

/// Throws base::BadInput with every problem of the file.
[[nodiscard]] std::vector<Subject> load_catalogue(const std::filesystem::path& file);

/// Throws base::BadInput for a file that is missing or no result file.
[[nodiscard]] Results load_results(const std::vector<std::filesystem::path>& files);

/// FAIL before INVALID before VACUOUS before PASS: 0 is worst.
[[nodiscard]] int rank_of(Verdict verdict);
/// Worse verdict first, then the smaller margin in tolerances.
[[nodiscard]] bool is_worse(const Judged& a, const Judged& b);

}  // namespace dawnrig::report
