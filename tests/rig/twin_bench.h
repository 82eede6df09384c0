// A bench without hardware for tests: the twin in step with a host, on a clock that only moves when the host waits.
// Room: tests/rig.
#pragma once

#include <gtest/gtest.h>

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "harness/link/memory_stream.h"
#include "harness/rig/bench_rig.h"
#include "harness/rig/twin_rig.h"

namespace dawnrig::rig {

inline constexpr std::uint32_t kToday = 20'500;

inline TwinSetup twin_setup(const std::string& revision = "a") {
  const std::filesystem::path profiles = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles";
  const std::filesystem::path images = std::filesystem::path{DAWNRIG_BINARY_DIR} / "fixtures";
  TwinSetup setup;
  setup.board = profile::load_board(profiles / ("ridge_repeater_" + revision + ".textproto"));
  setup.image = device::load_image(images / ("reference_device/ridge_" + revision + ".elf"), setup.board.device.part);
  setup.board_image = device::load_image(images / "interface_board/interface_board.elf", "atmega2560");
  setup.seed = 1;
  setup.circuit = board_as_built();
  return setup;
}

inline profile::SiteProfile quiet_site() {
  profile::SiteProfile site =
      profile::load_site(std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles/ridge_repeater_site.textproto");
  for (profile::SiteLoad& load : site.loads) load.on_at_start = false;
  return site;
}

/// The settings memory of a board that was calibrated with a perfect meter.
inline const std::vector<std::uint8_t>& calibrated_cells() {
  static const std::vector<std::uint8_t> kCells = calibrated_eeprom(twin_setup(), kToday - 30);
  return kCells;
}

/// Twin, line, clock and rig, in the order in which they have to go.
struct TwinBench {
  explicit TwinBench(const scenario::Initial& initial, const BenchSettings& settings = {},
                     TwinSetup given = twin_setup(), std::uint64_t seed = 1) {
    given.injection = settings.injection;
    if (given.board_eeprom.empty()) given.board_eeprom = calibrated_cells();
    line = link::MemoryStream::line();
    twin = std::make_unique<Twin>(given, *line.second);
    clock = std::make_unique<TwinClock>(*twin);
    clock->sleep_until(Nanos{200'000'000});
    BenchRigSetup setup;
    setup.board = given.board;
    setup.site = quiet_site();
    setup.initial = initial;
    setup.seed = seed;
    setup.settings = settings;
    setup.trust.today = kToday;
    setup.in_real_time = false;
    rig = std::make_unique<BenchRig>(setup, *line.first, *clock, twin.get());
  }
  std::pair<std::unique_ptr<link::MemoryStream>, std::unique_ptr<link::MemoryStream>> line;
  std::unique_ptr<Twin> twin;
  std::unique_ptr<TwinClock> clock;
  std::unique_ptr<BenchRig> rig;
};

inline scenario::Initial sunny(double soc_frac, double poa_wpm2) {
  scenario::Initial initial;
  initial.soc_frac = soc_frac;
  initial.battery_degc = 25.0;
  initial.poa_wpm2 = poa_wpm2;
  return initial;
}

}  // namespace dawnrig::rig
