// The last seconds of a bench run, tick by tick, kept for the moment when something goes wrong.
// Room: harness/rig. May use plant/core, harness/base.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <vector>

#include "plant/core/time.h"

namespace dawnrig::rig {

/// One tick of the loop.
struct FlightTick {
  Nanos due{0};        ///< by the host's clock
  Nanos late{0};       ///< that it began after that
  Nanos worked{0};     ///< that it took
  Nanos board{0};      ///< board time of the newest report
  Nanos hold_from{0};  ///< board time from which its levels were to hold
  std::uint16_t sequence{0}, applied_sequence{0};
  std::int32_t reports{0}, edges{0};
  bool gate_on{false};
  std::uint32_t pins{0}, safe_cause{0};
  double bus_v{0}, panel_v{0}, battery_a{0};
  std::array<double, 4> level_on_v{}, level_off_v{};  ///< in the order of the board's channels
};

/// A ring whose size is fixed when it is made; adding to it neither allocates nor logs.
class FlightRecorder {
 public:
  explicit FlightRecorder(std::size_t ticks) : ring_(ticks) {}
  void add(const FlightTick& tick) noexcept;
  [[nodiscard]] std::size_t size() const { return count_; }
  /// One row per tick, oldest first, the unit in each column's name. Throws base::BadInput or base::RunFault if it
  /// cannot be written.
  void write_csv(const std::filesystem::path& file) const;

 private:
  std::vector<FlightTick> ring_;
  std::size_t next_{0}, count_{0};
};

}  // namespace dawnrig::rig
