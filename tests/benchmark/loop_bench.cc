// Benchmark: whole runs, device and plant in the loop, against the packaged simulator alone.
//
//   build/<preset>/tests/benchmark/loop_bench [ROW...]     one `name value unit` per line; all rows unless some are
//   named
//
// A new row is a function and a line in kRows.
#include <sys/resource.h>
#include <time.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cstdio>
#include <functional>
#include <string>
#include <thread>
#include <vector>

#include "harness/device/virtual_device.h"
#include "harness/rig/virtual_rig.h"
#include "harness/testing/scenario_run.h"
#include "tests/benchmark/bare_simulator.h"

namespace dawnrig::benchmark {
namespace {

using namespace std::chrono_literals;
using std::filesystem::path;

const path kSource{DAWNRIG_SOURCE_DIR};
const path kBinary{DAWNRIG_BINARY_DIR};

rig::VirtualRigSetup setup_of(const std::string& image, const std::string& board, const std::string& site) {
  const path profiles = kSource / "fixtures/profiles";
  rig::VirtualRigSetup setup;
  setup.board = profile::load_board(profiles / (board + ".textproto"));
  setup.site = profile::load_site(profiles / (site + ".textproto"));
  setup.image = device::load_image(kBinary / image, setup.board.device.part);
  setup.initial.soc_frac = 0.9;
  setup.initial.poa_wpm2 = 700.0;
  setup.seed = 1;
  return setup;
}
rig::VirtualRigSetup ridge(const std::string& image = "ridge_a") {
  return setup_of("fixtures/reference_device/" + image + ".elf", "ridge_repeater_a", "ridge_repeater_site");
}

double wall_clock_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}
/// What this thread has had of a processor: the same for a run whether or not others want the machine too.
double processor_clock_s() {
  timespec now{};
  clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

class Nobody final : public device::Surroundings {
 public:
  void on_pin(device::Cycle, device::Pin, device::Drive) override {}
  double adc_pin_v(device::Cycle, int) override { return 2.5; }
  void on_serial_byte(device::Cycle, std::uint8_t) override {}
  void on_reset(device::Cycle, device::ResetCause) override {}
};

constexpr std::int64_t kClockHz = 16'000'000;

double processor_s(const std::function<void()>& work) {
  const double start_s = processor_clock_s();
  work();
  return processor_clock_s() - start_s;
}
double device_once_s(const rig::VirtualRigSetup& setup, std::int64_t seconds) {
  return processor_s([&setup, seconds] {
    Nobody nobody;
    device::DeviceParams params = setup.board.device;
    params.seed = 1;
    device::VirtualDevice device(params, setup.image, nobody);
    device.run_until(seconds * kClockHz);
  });
}
double rig_once_s(const rig::VirtualRigSetup& setup, Nanos duration) {
  return processor_s([&setup, duration] {
    rig::VirtualRig rig{setup};
    rig.run_until(duration);
  });
}
double bare_once_s(const rig::VirtualRigSetup& setup, std::int64_t seconds) {
  return processor_s(
      [&setup, seconds] { run_bare(setup.board.device.part.c_str(), setup.image, kClockHz, seconds * kClockHz); });
}

/// The least of three: what the machine's other work adds is never negative.
double least_of_three(const std::function<double()>& once) {
  return std::min({once(), once(), once()});
}
double least_s(double (*clock_s)(), const std::function<void()>& work) {
  return least_of_three([clock_s, &work] {
    const double start_s = clock_s();
    work();
    return clock_s() - start_s;
  });
}
double device_s(const rig::VirtualRigSetup& setup, int seconds) {
  return least_of_three([&] { return device_once_s(setup, seconds); });
}
double rig_s(const rig::VirtualRigSetup& setup, Nanos duration) {
  return least_of_three([&] { return rig_once_s(setup, duration); });
}
double bare_s(const rig::VirtualRigSetup& setup, int seconds) {
  return least_of_three([&] { return bare_once_s(setup, seconds); });
}

void row(const char* name, double value, const char* unit) {
  std::printf("%s %.4g %s\n", name, value, unit);
  std::fflush(stdout);
}

/// Of each, processor seconds per simulated second: the least of some rounds, in which they take turns, so that other
/// work of the machine disturbs them alike.
struct Costs {
  double bare{1e30};
  double loop{1e30};
  double alone{1e30};
};
Costs costs_of(const rig::VirtualRigSetup& setup) {
  constexpr int kRounds = 5;
  constexpr int kBareS = 300;
  constexpr int kHourS = 3600;
  Costs least;
  for (int i = 0; i < kRounds; ++i) {
    least.bare = std::min(least.bare, bare_once_s(setup, kBareS) / kBareS);
    least.loop = std::min(least.loop, rig_once_s(setup, 1h) / kHourS);
    least.alone = std::min(least.alone, device_once_s(setup, kHourS) / kHourS);
  }
  return least;
}

void closed_loop() {
  const auto setup = ridge();
  const Costs cost = costs_of(setup);
  row("closed_loop_over_bare_simulator", cost.bare / cost.loop, "ratio");
  row("device_alone_over_bare_simulator", cost.bare / cost.alone, "ratio");
  row("device_share_of_closed_loop", cost.alone / cost.loop, "frac");
  row("closed_loop_over_real_time", 1.0 / cost.loop, "ratio");
  row("bare_simulator_over_real_time", 1.0 / cost.bare, "ratio");
  row("closed_loop_first_minute_over_bare_simulator", 60.0 * cost.bare / rig_s(setup, 60s), "ratio");
  // As packaged, the simulator sleeps while the device does.
  const double packaged_s = least_s(wall_clock_s, [&setup] {
    run_bare(setup.board.device.part.c_str(), setup.image, kClockHz, 10 * kClockHz, Sleep::kInWallTime);
  });
  const double wall_s = least_s(wall_clock_s, [&setup] {
    rig::VirtualRig rig{setup};
    rig.run_until(10s);
  });
  row("closed_loop_over_packaged_simulator", packaged_s / wall_s, "ratio");
}

void spinning_loop() {
  const auto setup = ridge("ridge_a_spinning");
  const double plain_s = bare_s(setup, 60);
  const double loop_s = rig_s(setup, 60s);
  row("spinning_closed_loop_over_bare_simulator", plain_s / loop_s, "ratio");
  row("spinning_bare_over_real_time", 60.0 / plain_s, "ratio");
  row("spinning_closed_loop_over_real_time", 60.0 / loop_s, "ratio");
}

void core_image() {
  auto setup = setup_of("tests/device/images/core_sketch-atmega328p.elf", "core_device", "core_device_site");
  const double plain_s = bare_s(setup, 10);
  row("core_image_over_bare_simulator", plain_s / device_s(setup, 10), "ratio");
  row("core_image_bare_over_real_time", 10.0 / plain_s, "ratio");
  setup = setup_of("fixtures/core_device/core_device.elf", "core_device", "core_device_site");
  const double plain_device_s = bare_s(setup, 10);
  row("core_device_closed_loop_over_bare_simulator", plain_device_s / rig_s(setup, 10s), "ratio");
  row("core_device_alone_over_bare_simulator", plain_device_s / device_s(setup, 10), "ratio");
}

/// Sixteen runs, handed out one by one to so many threads.
double sixteen_runs_wall_s(int threads) {
  const auto setup = ridge();
  return least_s(wall_clock_s, [&setup, threads] {
    std::atomic<int> next{0};
    std::vector<std::thread> workers;
    workers.reserve(static_cast<std::size_t>(threads));
    for (int i = 0; i < threads; ++i) {
      workers.emplace_back([&setup, &next] {
        for (int k = next++; k < 16; k = next++) {
          rig::VirtualRigSetup own = setup;
          own.seed = static_cast<std::uint64_t>(k);
          rig::VirtualRig rig{own};
          rig.run_until(60s);
        }
      });
    }
    for (std::thread& worker : workers) {
      worker.join();
    }
  });
}
void two_cores() {
  row("two_cores_over_one", sixteen_runs_wall_s(1) / sixteen_runs_wall_s(2), "ratio");
}

/// The gate on the output of timer 1 at a fixed duty, from a script that one of the devices' test images plays.
void pwm() {
  struct Speed {
    const char* name;
    std::uint8_t clock;  // how the timer divides
  };
  for (const Speed& speed :
       {Speed{"pwm_490hz_over_real_time", 3}, {"pwm_3922hz_over_real_time", 2}, {"pwm_31373hz_over_real_time", 1}}) {
    auto setup =
        setup_of("tests/device/images/register_player-atmega328p.elf", "ridge_repeater_a", "ridge_repeater_site");
    setup.board.gate.pin = {'B', 1};
    setup.board.gate.polarity = profile::Polarity::kActiveHigh;
    setup.board.gate.pull = profile::Pull::kDown;
    setup.board.load_output.reset();
    setup.board.device.watched = {setup.board.gate.pin};
    setup.board.eeprom = {'w', 0x24, 0, 0x02, 'w', 0x89, 0, 0,           'w', 0x88, 0, 90,
                          'w', 0x80, 0, 0x81, 'w', 0x81, 0, speed.clock, 0,   0,    0, 0};
    row(speed.name, 4.0 / rig_s(setup, 4s), "ratio");
  }
}

void hours() {
  const auto setup = ridge();
  const double one_s = rig_once_s(setup, 1h);
  row("hour_processor_s", one_s, "s");
  const double ten_s = rig_once_s(setup, 10h);
  row("ten_hours_processor_s", ten_s, "s");
  row("ten_hours_over_one", ten_s / one_s, "ratio");
}

/// By itself, or the peak may be that of a row before it.
void hundred_hours() {
  const auto setup = ridge();
  const double start_s = processor_clock_s();
  rig::VirtualRig rig{setup};
  rig.run_until(100h);
  row("hundred_hours_processor_s", processor_clock_s() - start_s, "s");
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  row("hundred_hours_peak_rss_mib", static_cast<double>(usage.ru_maxrss) / 1024.0, "MiB");
}

void day() {
  testing::ScenarioRunOptions options;
  options.scenario = kSource / "fixtures/scenarios/a_day_on_the_ridge.textproto";
  options.firmware = kBinary / "fixtures/reference_device/ridge_a.elf";
  options.board = kSource / "fixtures/profiles/ridge_repeater_a.textproto";
  options.site = kSource / "fixtures/profiles/ridge_repeater_site.textproto";
  options.requirements = kSource / "fixtures/requirements/charge_controller.textproto";
  const double wall_start_s = wall_clock_s();
  const double start_s = processor_clock_s();
  const auto outcome = testing::run_scenario(options);
  if (!outcome.invalid_because.empty()) {
    std::fprintf(stderr, "the day is worth nothing: %s\n", outcome.invalid_because.c_str());
    return;
  }
  row("day_wall_s", wall_clock_s() - wall_start_s, "s");
  row("day_processor_s", processor_clock_s() - start_s, "s");
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  row("day_rss_mib", static_cast<double>(usage.ru_maxrss) / 1024.0, "MiB");
}

struct Row {
  const char* name;
  void (*measure)();
  bool only_if_named{false};  // it takes twice as long as all others
};
constexpr Row kRows[] = {{"closed_loop", closed_loop},
                         {"spinning_loop", spinning_loop},
                         {"core_image", core_image},
                         {"two_cores", two_cores},
                         {"pwm", pwm},
                         {"hours", hours},
                         {"hundred_hours", hundred_hours, true},
                         {"day", day}};

int run(const std::vector<std::string>& asked) {
  for (const std::string& name : asked) {
    if (std::none_of(std::begin(kRows), std::end(kRows), [&name](const Row& one) { return name == one.name; })) {
      std::fprintf(stderr, "loop_bench: there is no row '%s'; there are:", name.c_str());
      for (const Row& one : kRows) {
        std::fprintf(stderr, " %s", one.name);
      }
      std::fprintf(stderr, "\n");
      return 3;
    }
  }
  for (const Row& one : kRows) {
    if ((asked.empty() && !one.only_if_named) || std::find(asked.begin(), asked.end(), one.name) != asked.end()) {
      one.measure();
    }
  }
  return 0;
}

}  // namespace
}  // namespace dawnrig::benchmark

int main(int argc, char** argv) {
  return dawnrig::benchmark::run({argv + 1, argv + argc});
}
