// Collects what the tests of this process find and writes it to a result file that the report reads.
// Room: harness/testing. May use harness/verdict, harness/trace and what lies below; protobuf and GoogleTest in the
// .cc.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "harness/trace/recorder.h"
#include "harness/verdict/monitor.h"

namespace dawnrig::testing {

/// A level drawn across the report's picture, in the unit of the curves it belongs to.
struct LimitLine {
  std::string label;
  double value{0};
  std::string unit;
};

/// A labelled instant of a run, drawn as a vertical line.
struct Moment {
  Nanos time{0};
  std::string label;
};

/// What all tests of a process were run on.
struct SuiteIdentity {
  trace::Identity device;  ///< image, board, site and seed; the scenario is each test's own
  std::string requirements_file, requirements_sha256;
  std::string level;  ///< in words: what kind of evidence this is
};

/// What the running test has found so far. One per process; used from the test's thread only.
class ResultCollector {
 public:
  ResultCollector();
  ~ResultCollector();
  ResultCollector(const ResultCollector&) = delete;
  ResultCollector& operator=(const ResultCollector&) = delete;

  void set_identity(const SuiteIdentity& identity);

  /// `curves` are what the report plots. Its limit lines are those the figure implies (see verdict::Figure::level and
  /// ::lines) and `more_lines`; its moments those of add_moment() that lie within the curves. Within a test the finding
  /// is also recorded as properties "<id>.verdict", ".measured", ".unit", ".margin" and ".margin_in_tolerances" of the
  /// JUnit file.
  void add_finding(const verdict::Finding& finding, const std::vector<verdict::Curve>& curves = {},
                   const std::vector<LimitLine>& more_lines = {});
  /// A stimulus or whatever else helps to read the picture; belongs to the run that add_run() will end.
  void add_moment(Nanos time, const std::string& label);
  void add_run(const std::filesystem::path& trace_file, const std::string& content_sha256,
               const std::string& invalid_because, std::uint64_t seed, const verdict::BatteryCounts& battery);
  /// What the rig has to say about the run added last.
  void add_rig_notes(const std::vector<std::string>& notes);
  /// Why a requirement or the whole test says nothing about this device. Several reasons are all kept.
  void not_applicable(const std::string& because);
  void set_simulated_s(double simulated_s);

 private:
  friend class ResultListener;
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// The collector of this process.
[[nodiscard]] ResultCollector& collector();

/// From here on every test's result goes to `result_file` as soon as the test has ended, and the name of a test as soon
/// as it begins, so that a crash loses one test and the report names it. The file is replaced atomically. Call once,
/// after set_identity() and before RUN_ALL_TESTS(). A test that fails for another reason than its findings has that in
/// its result as a problem; a test that ends without a finding, a failure or a reason why it does not apply has judged
/// nothing, and fails for it. Throws base::BadInput or base::RunFault when the file cannot be written now; later on
/// that fails the test.
void write_results_to(const std::filesystem::path& result_file);

}  // namespace dawnrig::testing
