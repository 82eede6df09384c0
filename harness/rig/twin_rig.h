// A bench rig whose bench is a twin, all in one. Room: harness/rig.
#pragma once

#include <filesystem>
#include <memory>
#include <vector>

#include "harness/rig/bench_rig.h"
#include "harness/rig/twin.h"
#include "harness/rig/virtual_rig.h"

namespace dawnrig::rig {

struct TwinRigSetup {
  VirtualRigSetup run;
  device::Image board_image;
  BenchSettings settings;
  Nanos latency{500'000};
  std::filesystem::path flight_file;
};

/// The board as it was built and calibrated; the device without supply until the first time that passes.
[[nodiscard]] std::unique_ptr<BenchRig> make_twin_rig(const TwinRigSetup& setup);

/// Outputs a few millivolt off and a little steep or flat, as an interface board comes from soldering.
[[nodiscard]] device::BoardCircuitParams board_as_built();
/// What is in the settings memory of this twin's board once it was calibrated with a perfect meter: lets one be
/// calibrated. Throws base::RunFault if it does not keep it.
[[nodiscard]] std::vector<std::uint8_t> calibrated_eeprom(const TwinSetup& setup, std::uint32_t day);

}  // namespace dawnrig::rig
