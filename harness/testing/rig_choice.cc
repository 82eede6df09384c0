#include "harness/testing/rig_choice.h"

#include <CLI/CLI.hpp>
#include <chrono>
#include <map>
#include <utility>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/link/pumped_stream.h"
#include "harness/rig/bench_rig.h"
#include "harness/rig/realtime_clock.h"
#include "harness/rig/realtime_setup.h"
#include "harness/rig/twin_rig.h"

namespace dawnrig::testing {

namespace {

using base::EnergyLevel;

std::filesystem::path beside_this_program(const char* relative) {
  std::error_code error;
  const std::filesystem::path self = std::filesystem::read_symlink("/proc/self/exe", error);
  return (self.parent_path() / relative).lexically_normal();
}

/// Above the loop's: what has come should be there when the loop looks.
constexpr int kLinePriority = 81;

rig::BenchSettings settings_of(const RigChoice& choice) {
  rig::BenchSettings settings;
  settings.feedback = choice.feedback;
  settings.injection = choice.injection;
  if (choice.lead_s) settings.lead = from_seconds(*choice.lead_s);
  if (choice.most_late_s) {
    settings.lateness.never_beyond = settings.most_overdue = from_seconds(*choice.most_late_s);
  }
  return settings;
}

std::uint32_t today() {
  const auto since = std::chrono::system_clock::now().time_since_epoch();
  return static_cast<std::uint32_t>(std::chrono::duration_cast<std::chrono::hours>(since).count() / 24);
}

/// Everything a real bench needs beside the rig, which is given up after it.
struct RealBench {
  explicit RealBench(std::unique_ptr<link::SerialStream> port)
      : stream{std::move(port), [] { static_cast<void>(rig::ask_for_realtime(kLinePriority)); }} {}
  link::PumpedStream stream;
  rig::WallClock clock;
};

/// One of these words, put as its value.
template <class Value>
CLI::Validator one_of(const std::map<std::string, Value>& words) {
  const auto put = [words](std::string& word) {
    const auto found = words.find(word);
    if (found != words.end()) {
      word = std::to_string(static_cast<int>(found->second));
      return std::string{};
    }
    std::string all;
    for (const auto& [known, value] : words) {
      all += (all.empty() ? "" : ", ") + known;
    }
    return "is '" + word + "', must be one of " + all;
  };
  return CLI::Validator{put, "", "one of some words"};
}

}  // namespace

void add_rig_options(CLI::App& app, RigChoice& choice) {
  const std::map<std::string, RigKind> kinds{
      {"virtual", RigKind::kVirtual}, {"twin", RigKind::kTwin}, {"bench", RigKind::kBench}};
  choice.interface_board = beside_this_program("../../fixtures/interface_board/interface_board.elf");
  app.add_option("--rig", choice.kind, "virtual (unless told), twin, or bench")->transform(one_of(kinds));
  app.add_option("--interface-board", choice.interface_board, "firmware of the twin's interface board");
  app.add_option("--port", choice.port, "serial port of the bench's interface board");
  const std::map<std::string, EnergyLevel> levels{{"sense-only", EnergyLevel::kSenseOnly},
                                                  {"limited-supply", EnergyLevel::kLimitedSupply},
                                                  {"real-battery", EnergyLevel::kRealBattery}};
  app.add_option("--level", choice.level, "what stands behind the bench: sense-only, limited-supply, real-battery")
      ->transform(one_of(levels));
  app.add_option("--lead-s", choice.lead_s, "how far ahead levels are sent; as the line asks for unless told")
      ->check(CLI::Range(0.001, 0.019));
  app.add_option("--latency-s", choice.latency_s,
                 "of the twin's line, each way; 0.0005 unless told. Levels are sent earlier by as much as a round trip "
                 "grows")
      ->check(CLI::Range(0.0, 0.007));
  app.add_option("--most-late-s", choice.most_late_s,
                 "a tick or a level later than this makes a bench run invalid; 0.005 unless told")
      ->check(CLI::Range(0.001, 0.1));
}

std::vector<std::string> as_arguments(const RigChoice& choice) {
  std::vector<std::string> arguments;
  if (choice.kind == RigKind::kVirtual) return arguments;
  arguments = {"--rig", text_of(choice.kind)};
  if (choice.kind == RigKind::kTwin) {
    arguments.insert(arguments.end(), {"--interface-board", choice.interface_board.string(), "--latency-s",
                                       base::number_text(choice.latency_s)});
  } else {
    arguments.insert(arguments.end(), {"--port", choice.port});
  }
  if (choice.level) arguments.insert(arguments.end(), {"--level", std::string{base::text_of(*choice.level)}});
  if (choice.lead_s) arguments.insert(arguments.end(), {"--lead-s", base::number_text(*choice.lead_s)});
  if (choice.most_late_s) {
    arguments.insert(arguments.end(), {"--most-late-s", base::number_text(*choice.most_late_s)});
  }
  return arguments;
}

std::string text_of(RigKind kind) {
  return kind == RigKind::kVirtual ? "virtual" : kind == RigKind::kTwin ? "twin" : "bench";
}

std::string evidence_of(const RigChoice& choice) {
  switch (choice.kind) {
    case RigKind::kVirtual:
      break;
    case RigKind::kTwin:
      return "twin of the bench: the unmodified image and the interface board's own firmware, each in an instruction "
             "simulator, in step; no power part was exercised";
    case RigKind::kBench:
      return "bench, " + std::string{base::text_of(choice.level.value_or(EnergyLevel::kSenseOnly))} +
             ": the real device on synthesised sense voltages, in wall time";
  }
  return "virtual rig: the unmodified image in an instruction simulator, on synthesised voltages; no power part was "
         "exercised";
}

void climb(const RigChoice& choice, const std::vector<Rung>& rungs) {
  if (choice.kind != RigKind::kBench) return;
  if (choice.port.empty()) {
    throw base::BadInput("--rig bench", "needs --port, the serial port of the interface board; /dev/ttyACM0 is one");
  }
  if (!choice.level) {
    throw base::BadInput("--rig bench",
                         "wants to be told what stands behind it: --level sense-only, limited-supply or "
                         "real-battery");
  }
  std::vector<base::Complaint> complaints;
  for (const Rung& rung : rungs) {
    if (*choice.level > rung.highest) {
      complaints.push_back({rung.file, 0, 0, "highest_level",
                            "allows " + std::string{base::text_of(rung.highest)} + " at the most, and --level is " +
                                std::string{base::text_of(*choice.level)}});
    }
  }
  if (!complaints.empty()) throw base::BadInput(std::move(complaints));
}

std::string cautions(EnergyLevel level) {
  std::string text =
      "Before a bench run: nothing is connected to the power terminals that --level does not name; the interface board "
      "is\n"
      "isolated from this computer, or this computer from earth.\n";
  if (level >= EnergyLevel::kLimitedSupply) {
    text +=
        "Limited supply: set its current limit before switching it on, and its voltage below the lowest rating on the\n"
        "board; an emergency stop opens the supply and not the signal; stay beside it; parts get hot.\n";
  }
  if (level >= EnergyLevel::kRealBattery) {
    text +=
        "Real battery: a fuse within a hand's breadth of the battery, insulated tools, no jewellery, eyes protected; "
        "ventilate,\n"
        "hydrogen burns from 4 % in air; never charge lithium cells below 0 degC or without a battery management "
        "system;\n"
        "never alone. Local codes, the makers' instructions and licensed practice come first.\n";
  }
  return text;
}

std::unique_ptr<rig::Rig> make_rig(const RigChoice& choice, const rig::VirtualRigSetup& setup,
                                   const std::filesystem::path& flight_file) {
  if (choice.kind == RigKind::kVirtual) {
    return std::make_unique<rig::VirtualRig>(setup);
  }
  const std::filesystem::path flight = flight_file.empty() ? choice.flight_file : flight_file;
  if (choice.kind == RigKind::kTwin) {
    rig::TwinRigSetup twin;
    twin.run = setup;
    twin.board_image = device::load_image(choice.interface_board, "atmega2560");
    twin.settings = settings_of(choice);
    if (!choice.lead_s) twin.settings.lead += from_seconds(2.0 * (choice.latency_s - RigChoice{}.latency_s));
    twin.latency = from_seconds(choice.latency_s);
    twin.flight_file = flight;
    return rig::make_twin_rig(twin);
  }
  auto port = std::make_unique<link::SerialStream>(choice.port);
  const std::string warning = port->low_latency_warning();
  auto bench = std::make_shared<RealBench>(std::move(port));
  rig::BenchRigSetup real;
  real.board = setup.board;
  real.site = setup.site;
  real.initial = setup.initial;
  real.seed = setup.seed;
  real.settings = settings_of(choice);
  real.lead_from_round_trip = !choice.lead_s;
  real.trust.today = today();
  real.flight_file = flight;
  real.kept_alive = bench;
  if (!warning.empty()) real.notes.push_back(warning);
  return std::make_unique<rig::BenchRig>(std::move(real), bench->stream, bench->clock, nullptr);
}

}  // namespace dawnrig::testing
