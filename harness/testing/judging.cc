#include "harness/testing/judging.h"

#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <boost/process/child.hpp>
#include <boost/process/io.hpp>
#include <cctype>
#include <chrono>
#include <cstdio>
#include <fstream>
#include <mutex>
#include <set>
#include <thread>

#include "harness/base/atomic_file.h"
#include "harness/base/bad_input.h"
#include "harness/device/image.h"
#include "harness/profile/profile.h"
#include "harness/testing/identity.h"
#include "proto/result.pb.h"

namespace dawnrig::testing {

namespace {

namespace fs = std::filesystem;
namespace bp = boost::process;
using WallClock = std::chrono::steady_clock;

struct Job {
  std::size_t entrant{0};
  std::string test;
  fs::path result, log, junit;
};

/// A name for a folder: letters, digits and dashes.
std::string folder_name(const std::string& text) {
  std::string name;
  for (const char c : text) {
    name.push_back(std::isalnum(static_cast<unsigned char>(c)) != 0 ? c : '-');
  }
  return name;
}

std::vector<std::string> tests_of(const fs::path& suite, const std::string& filter) {
  bp::ipstream out;
  bp::child child(suite.string(), "--gtest_list_tests", "--gtest_filter=" + filter, bp::std_out > out,
                  bp::std_err > bp::null);
  std::vector<std::string> tests;
  std::string line;
  std::string group;
  while (std::getline(out, line)) {
    line = line.substr(0, line.find(" #"));
    if (line.empty()) {
      continue;
    }
    if (line[0] != ' ') {
      group = line;
    } else {
      tests.push_back(group + line.substr(line.find_first_not_of(' ')));
    }
  }
  child.wait();
  return tests;
}

void make_folder(const fs::path& folder) {
  std::error_code error;
  fs::create_directories(folder, error);
  if (error || ::access(folder.c_str(), W_OK) != 0) {
    throw base::BadInput(folder.string(), "cannot be written; give --out a folder of yours");
  }
}

/// What a test's process left behind, made by name so that results stand in a fixed order whoever finishes first.
class Progress {
 public:
  Progress(std::size_t total, bool shown) : total_{total}, shown_{shown}, start_{WallClock::now()} {}

  void one_done(double simulated_s) {
    const std::lock_guard lock{mutex_};
    ++done_;
    simulated_s_ += simulated_s;
    if (!shown_) {
      return;
    }
    const double wall = wall_s();
    const double left = wall / static_cast<double>(done_) * static_cast<double>(total_ - done_);
    std::fprintf(stderr, "\r\033[K%zu of %zu tests, %.0f s simulated at %.0f times real time, about %.0f s left", done_,
                 total_, simulated_s_, simulated_s_ / std::max(wall, 1e-3), left);
    if (done_ == total_) {
      std::fprintf(stderr, "\r\033[K");
    }
    std::fflush(stderr);
  }
  [[nodiscard]] double simulated_s() const { return simulated_s_; }
  [[nodiscard]] double wall_s() const { return std::chrono::duration<double>(WallClock::now() - start_).count(); }

 private:
  std::size_t total_;
  bool shown_;
  WallClock::time_point start_;
  std::mutex mutex_;
  std::size_t done_{0};
  double simulated_s_{0};
};

/// What stands in the report for a test whose process died: a run that nobody can vouch for.
void write_lost_result(const fs::path& file, const trace::Identity& identity,
                       const profile::RequirementSet& requirements, const std::string& test,
                       const std::string& because) {
  proto::ResultSet set;
  auto& id = *set.mutable_identity();
  id.set_tool_version(identity.tool_version);
  id.set_image_file(identity.image_file);
  id.set_image_sha256(identity.image_sha256);
  id.set_board_file(identity.board_file);
  id.set_board_sha256(identity.board_sha256);
  id.set_board_name(identity.board_name);
  id.set_board_revision(identity.board_revision);
  id.set_site_file(identity.site_file);
  id.set_site_sha256(identity.site_sha256);
  id.set_site_name(identity.site_name);
  id.set_seed(identity.seed);
  id.set_rig(identity.rig);
  set.set_requirements_file(requirements.file);
  set.set_requirements_sha256(requirements.sha256);
  proto::TestResult& result = *set.add_test();
  result.set_name(test);
  proto::RunRecord& run = *result.add_run();
  run.set_invalid_because(because);
  run.set_seed(identity.seed);
  base::AtomicFile out{file};
  set.SerializeToOstream(&out.stream());
  out.commit();
}

double simulated_s_of(const fs::path& file) {
  proto::ResultSet set;
  std::ifstream in{file, std::ios::binary};
  double simulated_s = 0;
  if (set.ParseFromIstream(&in)) {
    for (const proto::TestResult& test : set.test()) {
      simulated_s += test.simulated_s();
    }
  }
  return simulated_s;
}

struct Checked {
  profile::BoardProfile board;
  trace::Identity identity;
  std::string folder;
};

Checked check_entrant(const Entrant& entrant, std::uint64_t seed) {
  Checked checked{profile::load_board(entrant.board), {}, {}};
  const profile::SiteProfile site = profile::load_site(entrant.site);
  profile::check_together(checked.board, site);
  const device::Image image = device::load_image(entrant.firmware, checked.board.device.part);
  checked.identity = identity_of(checked.board, site, image, seed);
  checked.folder = folder_name(checked.board.name + "-" + checked.board.revision);
  return checked;
}

/// Runs one test; true if its process ended by itself and left a result.
bool run_job(const Job& job, const JudgingOptions& options, const fs::path& traces) {
  const Entrant& entrant = options.entrants[job.entrant];
  std::vector<std::string> arguments{"--gtest_filter=" + job.test,
                                     "--gtest_output=xml:" + job.junit.string(),
                                     "--gtest_color=no",
                                     "--firmware",
                                     entrant.firmware.string(),
                                     "--board",
                                     entrant.board.string(),
                                     "--site",
                                     entrant.site.string(),
                                     "--requirements",
                                     options.requirements.string(),
                                     "--results",
                                     job.result.string(),
                                     "--traces",
                                     traces.string(),
                                     "--seed",
                                     std::to_string(options.seed)};
  const std::vector<std::string> of_rig = as_arguments(options.rig);
  arguments.insert(arguments.end(), of_rig.begin(), of_rig.end());
  if (!options.skip_idle) {
    arguments.emplace_back("--no-skip");
  }
  bp::child child(options.suite.string(), arguments, (bp::std_out & bp::std_err) > job.log.string(),
                  bp::std_in < bp::null);
  std::error_code error;
  child.wait(error);
  const int status = child.native_exit_code();
  return !error && WIFEXITED(status) && WEXITSTATUS(status) <= 1 && fs::exists(job.result);
}

}  // namespace

JudgingOutcome judge_devices(const JudgingOptions& options) {
  const profile::RequirementSet requirements = profile::load_requirements(options.requirements);
  std::vector<Checked> checked;
  std::set<std::string> folders;
  for (const Entrant& entrant : options.entrants) {
    checked.push_back(check_entrant(entrant, options.seed));
    std::string& folder = checked.back().folder;
    for (int n = 2; !folders.insert(folder).second; ++n) {
      folder = folder_name(checked.back().board.name + "-" + checked.back().board.revision) + "-" + std::to_string(n);
    }
  }
  if (!fs::exists(options.suite)) {
    throw base::BadInput(options.suite.string(), "there is no such suite; build it, or name one with --suite");
  }
  const std::vector<std::string> tests = tests_of(options.suite, options.filter);
  if (tests.empty()) {
    throw base::BadInput("--filter " + options.filter, "selects no test");
  }

  std::vector<Job> jobs;
  for (const std::string& test : tests) {
    for (std::size_t e = 0; e < checked.size(); ++e) {
      const fs::path base = options.out / checked[e].folder;
      jobs.push_back({e, test, base / "results" / (test + ".pb"), base / "logs" / (test + ".log"),
                      base / "junit" / (test + ".xml")});
    }
  }
  for (const Checked& c : checked) {
    const fs::path base = options.out / c.folder;
    for (const char* part : {"results", "logs", "junit", "traces"}) {
      std::error_code ignored;
      fs::remove_all(base / part, ignored);
      make_folder(base / part);
    }
  }

  Progress progress{jobs.size(), options.progress};
  std::atomic<std::size_t> next{0};
  std::vector<std::uint8_t> ended_well(jobs.size(), 0);
  const auto work = [&] {
    for (std::size_t i = next++; i < jobs.size(); i = next++) {
      const Job& job = jobs[i];
      ended_well[i] = run_job(job, options, options.out / checked[job.entrant].folder / "traces") ? 1 : 0;
      if (ended_well[i] == 0) {
        write_lost_result(job.result, checked[job.entrant].identity, requirements, job.test,
                          "the test's process ended without a result; its log is " + job.log.string());
      }
      progress.one_done(simulated_s_of(job.result));
    }
  };
  std::vector<std::thread> workers;
  const int at_a_time = options.rig.kind == RigKind::kBench ? 1 : options.jobs;  // there is one bench
  for (int i = 1; i < at_a_time; ++i) {
    workers.emplace_back(work);
  }
  work();
  for (std::thread& worker : workers) {
    worker.join();
  }

  JudgingOutcome outcome;
  for (std::size_t i = 0; i < jobs.size(); ++i) {
    outcome.result_files.push_back(jobs[i].result);
    if (ended_well[i] == 0) {
      outcome.died.push_back(jobs[i].test);
    }
  }
  outcome.simulated_s = progress.simulated_s();
  outcome.wall_s = progress.wall_s();
  return outcome;
}

}  // namespace dawnrig::testing
