// Commands around the bench. Room: harness/cli, the top floor.

#include "harness/cli/bench.h"

#include <CLI/CLI.hpp>
#include <boost/process/child.hpp>
#include <boost/process/io.hpp>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>
#include <system_error>

#include "harness/base/bad_input.h"
#include "harness/cli/commands.h"
#include "harness/cli/exit_code.h"
#include "harness/link/serial_stream.h"
#include "harness/rig/bench_trust.h"
#include "harness/rig/realtime_clock.h"

namespace dawnrig::cli {
namespace {

namespace fs = std::filesystem;

/// The board's own voice, until it has been silent for a while: what it was doing before anyone spoke to it.
class Overheard final : public link::Listener {
 public:
  void on_report(const link::TimedReport& timed) override {
    cause = timed.report.safe_cause;
    pins = timed.report.pins;
    heard = true;
  }
  void on_answer(const link::FromBoard& /*answer*/) override {}
  bool heard{false};
  std::uint32_t cause{0}, pins{0};
};

int self_test(const std::string& port) {
  link::SerialStream stream{port};
  rig::WallClock clock;
  link::Session session{stream};
  if (!stream.low_latency_warning().empty()) std::fprintf(stderr, "%s\n", stream.low_latency_warning().c_str());
  Overheard before;
  const Nanos until = clock.now() + Nanos{50'000'000};
  while (clock.now() < until && session.pump(clock.now(), before)) clock.sleep_until(clock.now() + Nanos{1'000'000});
  if (before.heard) {
    std::printf("before: %s, outputs %s\n",
                before.cause == 0 ? "in use" : ("safe: " + std::string{link::safe_cause_text(before.cause)}).c_str(),
                (before.pins & link::pin::kOutputsConnected) != 0 ? "connected" : "open");
  }
  rig::TrustBounds bounds;
  bounds.today = today();
  const rig::Trust trust = rig::examine(session, clock, bounds);
  for (const rig::TrustLine& line : trust.lines) {
    std::printf("%-7s %-42s %s (wanted: %s)\n", line.fine ? "fine" : "NOT", line.what.c_str(), line.found.c_str(),
                line.bound.c_str());
    if (!line.fine) std::printf("        %s\n", line.remedy.c_str());
  }
  return trust.broken().empty() ? kPass : kUndecided;
}

void add_self_test(CLI::App& parent, Action& chosen) {
  const auto port = std::make_shared<std::string>();
  CLI::App* command = parent.add_subcommand(
      "self-test",
      "Find out whether the interface board can be believed: identity, calibration, loop-back, capture, round trip.\n"
      "The device gets no supply meanwhile.\n"
      "Example: dawnrig bench self-test --port /dev/ttyACM0");
  command->add_option("--port", *port, "serial port of the interface board")->required();
  command->callback([port, &chosen] { chosen = [port] { return self_test(*port); }; });
}

struct FlashOptions {
  std::string port, command;
  fs::path image;
  bool boot_select{false};
};

/// Gives the device its supply and keeps the board company while somebody else's program writes to the device.
int flash(const FlashOptions& given) {
  if (!fs::exists(given.image)) throw base::BadInput(given.image.string(), "there is no such file");
  const std::string placeholder = "{image}";
  std::string command = given.command;
  const std::size_t at = command.find(placeholder);
  if (at == std::string::npos) {
    throw base::BadInput("--command", "does not say where the image goes: put {image} there");
  }
  command.replace(at, placeholder.size(), "'" + given.image.string() + "'");
  link::SerialStream stream{given.port};
  rig::WallClock clock;
  link::Session session{stream};
  link::Configure configure;
  const auto configured = link::ask<link::Configured>(session, clock, configure, Nanos{2'000'000'000});
  if (!configured || !configured->accepted) {
    throw base::RunFault("the interface board did not take its configuration; dawnrig bench self-test says more");
  }
  link::Tick tick;
  tick.lines = link::line::kSupply | (given.boot_select ? link::line::kBootSelect : 0U);
  boost::process::child child("/bin/sh", "-c", command);
  Overheard listener;
  while (child.running()) {
    if (!session.pump(clock.now(), listener)) {
      child.terminate();
      throw base::RunFault("the line to the interface board is gone; look at its cable");
    }
    session.send_tick(tick, clock.now());
    clock.sleep_until(clock.now() + Nanos{10'000'000});
  }
  session.send(link::Ask{link::Question::kSafe});
  if (child.exit_code() != 0) {
    throw base::BadInput("--command", "ended with exit code " + std::to_string(child.exit_code()) + ": " + command);
  }
  std::printf("done: %s\n", command.c_str());
  return kPass;
}

void add_flash(CLI::App& parent, Action& chosen) {
  const auto given = std::make_shared<FlashOptions>();
  CLI::App* command = parent.add_subcommand(
      "flash",
      "Write an image to the device by a program of yours, while the interface board supplies the device.\n"
      "Example: dawnrig bench flash --port /dev/ttyACM0 --image fw.hex --command 'my-programmer --write {image}'");
  command->add_option("--port", given->port, "serial port of the interface board")->required();
  command->add_option("--image", given->image, "what to write")->required();
  command->add_option("--command", given->command, "command line of your programmer; {image} stands for the image")
      ->required();
  command->add_flag("--boot-select", given->boot_select, "pull the pin that chooses the boot loader");
  command->callback([given, &chosen] { chosen = [given] { return flash(*given); }; });
}

}  // namespace

std::uint32_t today() {
  const auto since = std::chrono::system_clock::now().time_since_epoch();
  return static_cast<std::uint32_t>(std::chrono::duration_cast<std::chrono::hours>(since).count() / 24);
}

void add_bench(CLI::App& app, Action& chosen) {
  CLI::App* command =
      app.add_subcommand("bench",
                         "Everything around a real interface board, and rehearsing it without one.\n"
                         "Example: dawnrig bench stand-in --firmware fw.elf --board board.textproto --link /tmp/board");
  command->require_subcommand(1);
  add_self_test(*command, chosen);
  add_bench_calibrate(*command, chosen);
  add_flash(*command, chosen);
  add_stand_in(*command, chosen);
  add_differences(*command, chosen);
}

}  // namespace dawnrig::cli
