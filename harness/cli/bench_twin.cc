// The bench without hardware: a stand-in to rehearse with, and what a bench costs in accuracy.
// Room: harness/cli, the top floor.

#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <system_error>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/cli/bench.h"
#include "harness/cli/exit_code.h"
#include "harness/cli/typed.h"
#include "harness/link/memory_stream.h"
#include "harness/link/serial_stream.h"
#include "harness/rig/realtime_clock.h"
#include "harness/rig/realtime_setup.h"
#include "harness/rig/twin_differences.h"
#include "harness/rig/twin_rig.h"
#include "harness/scenario/stimulus.h"

namespace dawnrig::cli {
namespace {

namespace fs = std::filesystem;

fs::path usual_interface_board() {
  std::error_code error;
  const fs::path self = fs::read_symlink("/proc/self/exe", error);
  return (self.parent_path() / "../../fixtures/interface_board/interface_board.elf").lexically_normal();
}

struct Parts {
  fs::path firmware, board, interface_board;
};

void add_parts(CLI::App& command, Parts& parts) {
  parts.interface_board = usual_interface_board();
  command.add_option("--firmware", parts.firmware, "image under test, .elf or Intel .hex")->required();
  command.add_option("--board", parts.board, "board profile")->required();
  command.add_option("--interface-board", parts.interface_board, "firmware of the interface board");
}

rig::TwinSetup twin_of(const Parts& parts) {
  rig::TwinSetup setup;
  setup.board = profile::load_board(parts.board);
  setup.image = device::load_image(parts.firmware, setup.board.device.part);
  setup.board_image = device::load_image(parts.interface_board, "atmega2560");
  setup.circuit = rig::board_as_built();
  setup.seed = 1;
  return setup;
}

// --- stand-in --------------------------------------------------------------------------------------------------------

volatile std::sig_atomic_t g_stop = 0;
void stop(int /*signal*/) {
  g_stop = 1;
}

struct StandInOptions {
  Parts parts;
  std::string link;
  double for_s{0};
  bool uncalibrated{false};
  bool orders{false};
};

/// What somebody would do to a board with his hands: hold a meter to an output, join the gate input to something.
std::string done_by_hand(rig::Twin& twin, const std::string& order) {
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    if (order != "meter " + std::string{link::channel_name(c)}) continue;
    const auto volts = twin.output_v(c);
    return volts ? base::number_text(*volts, 4) : "open";
  }
  if (order == "gate device") {
    twin.join_gate(std::nullopt);
  } else if (order == "gate open" || order == "gate supply") {
    twin.join_gate(order == "gate supply");  // an open one is pulled to "off", which is low unless configured otherwise
  } else {
    return "\"" + order + "\" is none of: meter battery, panel, current or thermistor; gate device, open or supply";
  }
  return "done";
}

int stand_in(const StandInOptions& given) {
  rig::TwinSetup setup = twin_of(given.parts);
  setup.latency = Nanos{0};  // the system's own comes on top
  if (!given.uncalibrated) setup.board_eeprom = rig::calibrated_eeprom(setup, today());
  link::PseudoTerminal port{given.link};
  rig::Twin twin{setup, port};
  std::signal(SIGINT, stop);
  std::signal(SIGTERM, stop);
  std::printf("an interface board without hardware stands at %s\n",
              given.link.empty() ? port.name().c_str() : given.link.c_str());
  std::fflush(stdout);
  // A board keeps its own time, whatever the computer beside it is busy with.
  for (const std::string& lacking : rig::ask_for_realtime(70)) std::fprintf(stderr, "%s\n", lacking.c_str());
  rig::WallClock clock;
  Typed typed;
  const Nanos begin = clock.now();
  const Nanos end = given.for_s > 0 ? from_seconds(given.for_s) : Nanos::max();
  Nanos behind{0};
  for (Nanos now{0}; g_stop == 0 && now < end; now = clock.now() - begin) {
    twin.run_until(now);
    behind = std::max(behind, clock.now() - begin - now);
    if (const auto order = given.orders ? typed.line() : std::nullopt) {
      std::printf("%s\n", done_by_hand(twin, *order).c_str());
      std::fflush(stdout);
    }
    clock.sleep_until(begin + now + Nanos{250'000});
  }
  std::printf("stood in for %.1f s, at most %.1f ms behind\n", in_seconds(clock.now() - begin),
              1e3 * in_seconds(behind));
  return kPass;
}

// --- differences -----------------------------------------------------------------------------------------------------

struct DifferencesOptions {
  Parts parts;
  fs::path site;
  fs::path scenario;
};

struct Variant {
  const char* name;
  rig::Feedback feedback;
  rig::Injection injection;
  Nanos lead, latency;
};

int differences(const DifferencesOptions& given) {
  using std::chrono_literals::operator""ms;
  using std::chrono_literals::operator""us;
  const profile::SiteProfile site = profile::load_site(given.site);
  const scenario::Scenario scenario = scenario::load_scenario(given.scenario);
  rig::TwinSetup setup = twin_of(given.parts);
  profile::check_together(setup.board, site);
  setup.board_eeprom = rig::calibrated_eeprom(setup, today());
  const Variant variants[] = {
      {"two levels", rig::Feedback::kTwoLevels, rig::Injection::kBeforeFilter, 4ms, 500us},
      {"two levels, twice the delay", rig::Feedback::kTwoLevels, rig::Injection::kBeforeFilter, 8ms, 2500us},
      {"two levels, filter overruled", rig::Feedback::kTwoLevels, rig::Injection::kAtPin, 4ms, 500us},
      {"cycle average", rig::Feedback::kAverage, rig::Injection::kBeforeFilter, 4ms, 500us},
  };
  std::printf(
      "| board %s, feedback | channel | conversions | RMS mV | most mV | RMS codes | most codes | bus V at the end |\n",
      setup.board.revision.c_str());
  std::printf("|---|---|---|---|---|---|---|---|\n");
  for (const Variant& variant : variants) {
    setup.injection = variant.injection;
    setup.latency = variant.latency;
    auto line = link::MemoryStream::line();
    rig::Twin twin{setup, *line.second};
    rig::TwinClock clock{twin};
    clock.sleep_until(200ms);
    rig::BenchRigSetup bench;
    bench.board = setup.board;
    bench.site = site;
    bench.initial = scenario.initial;
    bench.seed = scenario.seed;
    bench.settings.feedback = variant.feedback;
    bench.settings.injection = variant.injection;
    bench.settings.lead = variant.lead;
    bench.in_real_time = false;
    rig::BenchRig rig{bench, *line.first, clock, &twin};
    for (const scenario::Stimulus& stimulus : scenario.timeline) rig.schedule(stimulus);
    rig::ConversionLog log{twin, setup};
    rig.attach(log);
    rig.run_until(scenario.duration);
    if (!rig.invalid_because().empty()) throw base::RunFault(rig.invalid_because());
    for (const rig::ChannelDifference& one :
         log.against_the_plant({site, scenario.initial, scenario.seed, scenario.timeline, Nanos{0}})) {
      std::printf("| %s | %s | %lld | %.3f | %.1f | %.3f | %.2f | %.3f |\n", variant.name, one.channel.c_str(),
                  static_cast<long long>(one.conversions), 1e3 * one.rms_v, 1e3 * one.most_v, one.rms_lsb, one.most_lsb,
                  rig.latest()[trace::Signal::kBusV]);
    }
    std::fflush(stdout);
  }
  return kPass;
}

}  // namespace

void add_stand_in(CLI::App& parent, Action& chosen) {
  const auto given = std::make_shared<StandInOptions>();
  CLI::App* command = parent.add_subcommand(
      "stand-in",
      "Be an interface board with a device on it, for a host to rehearse with: its own firmware and the device's in\n"
      "simulated processors, in wall time, at a port that the command names.\n"
      "Example: dawnrig bench stand-in --firmware fw.elf --board board.textproto --link /tmp/board");
  add_parts(*command, given->parts);
  command->add_option("--link", given->link, "a name for the port; a symbolic link is made there");
  command->add_option("--for-s", given->for_s, "ends by itself after so long");
  command->add_flag("--uncalibrated", given->uncalibrated, "as it comes from soldering");
  command->add_flag("--orders", given->orders,
                    "take orders from standard input, a line each: meter battery, panel, current or thermistor tells "
                    "the volts at that output; gate open, supply or device joins the gate input to it");
  command->callback([given, &chosen] { chosen = [given] { return stand_in(*given); }; });
}

void add_differences(CLI::App& parent, Action& chosen) {
  const auto given = std::make_shared<DifferencesOptions>();
  CLI::App* command = parent.add_subcommand("differences",
                                            "What a bench costs in accuracy: each voltage the device converted on the "
                                            "twin, against the plant's own, with and\n"
                                            "without two levels, at the usual delay and at twice that.\n"
                                            "Example: dawnrig bench differences cloud.textproto --firmware fw.elf "
                                            "--board board.textproto --site site.textproto");
  command->add_option("SCENARIO", given->scenario, "scenario file")->required();
  add_parts(*command, given->parts);
  command->add_option("--site", given->site, "site profile")->required();
  command->callback([given, &chosen] { chosen = [given] { return differences(*given); }; });
}

}  // namespace dawnrig::cli
