#include "harness/rig/twin_rig.h"

#include <utility>

#include "harness/base/bad_input.h"
#include "harness/link/memory_stream.h"

namespace dawnrig::rig {

namespace {

constexpr Nanos kBoardStarts{200'000'000};
constexpr Nanos kStoringWithin{5'000'000'000};
constexpr std::uint32_t kSerialNumber = 1;
constexpr std::uint32_t kSomeDay = 20'454;

/// In the order in which they are made, and given up in the other one.
struct Parts {
  std::pair<std::unique_ptr<link::MemoryStream>, std::unique_ptr<link::MemoryStream>> line{link::MemoryStream::line()};
  std::unique_ptr<Twin> twin;
  std::unique_ptr<TwinClock> clock;
};

}  // namespace

device::BoardCircuitParams board_as_built() {
  device::BoardCircuitParams circuit;
  for (std::size_t i = 0; i < circuit.zero_v.size(); ++i) {
    circuit.zero_v[i] = 0.002 - 0.0005 * static_cast<double>(i);
    circuit.gain_error_frac[i] = -0.001 + 0.0003 * static_cast<double>(i);
  }
  return circuit;
}

std::vector<std::uint8_t> calibrated_eeprom(const TwinSetup& setup, std::uint32_t day) {
  auto line = link::MemoryStream::line();
  Twin twin{setup, *line.second};
  TwinClock clock{twin};
  link::Session session{*line.first};
  clock.sleep_until(kBoardStarts);
  const auto stored = link::ask<link::Calibration>(session, clock, true_calibration(setup.circuit, kSerialNumber, day),
                                                   kStoringWithin, kStoringWithin);
  if (!stored || !stored->valid) {
    throw base::RunFault("the twin's interface board did not keep its calibration; is this its firmware: " +
                         setup.board_image.file);
  }
  return twin.board_eeprom();
}

std::unique_ptr<BenchRig> make_twin_rig(const TwinRigSetup& setup) {
  TwinSetup twin;
  twin.board = setup.run.board;
  twin.image = setup.run.image;
  twin.board_image = setup.board_image;
  twin.seed = setup.run.seed;
  twin.injection = setup.settings.injection;
  twin.latency = setup.latency;
  twin.circuit = board_as_built();
  twin.board_eeprom = calibrated_eeprom(twin, kSomeDay);

  auto parts = std::make_shared<Parts>();
  parts->twin = std::make_unique<Twin>(twin, *parts->line.second);
  parts->clock = std::make_unique<TwinClock>(*parts->twin);
  parts->clock->sleep_until(kBoardStarts);
  BenchRigSetup bench;
  bench.board = setup.run.board;
  bench.site = setup.run.site;
  bench.initial = setup.run.initial;
  bench.seed = setup.run.seed;
  bench.settings = setup.settings;
  bench.in_real_time = false;
  bench.flight_file = setup.flight_file;
  bench.kept_alive = parts;
  return std::make_unique<BenchRig>(std::move(bench), *parts->line.first, *parts->clock, parts->twin.get());
}

}  // namespace dawnrig::rig
