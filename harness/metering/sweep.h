// A firmware's own arithmetic, tried with every code: what it believes, read back from its telemetry or its memory.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/device/image.h"
#include "harness/metering/account.h"
#include "harness/metering/chain.h"

namespace dawnrig::metering {

struct SweepOptions {
  std::string channel;
  int every{1};             ///< codes from one to the next; the last one is always tried
  double limit_frac{0.01};  ///< what a reading may be off, beside one step, from the lowest to the highest set point
  double limit_k{1};        ///< the same for a temperature
  double patience_s{10};    ///< how long a reading may take to come
};

/// A reading that the firmware gave for a code; nullopt: none came in time.
struct Tried {
  int code{};
  double pin_v{};
  double ideal{};  ///< the network solved backwards; not a number where nothing does
  std::optional<double> reading;
  [[nodiscard]] double error() const;
};

enum class Fault : std::uint8_t { kOff, kWrap, kTurnsBack, kCoarse, kStands, kSilent };
[[nodiscard]] std::string words_for(Fault fault);

/// Something wrong with some codes.
struct Finding {
  Fault fault{};
  int first_code{}, last_code{};
  int codes{};
  std::string detail;
};

struct Sweep {
  std::vector<Tried> tried;
  std::vector<Finding> findings;     ///< by first code
  std::vector<std::string> remarks;  ///< what is no fault: clamps beyond the set points, and what explains the faults
  double simulated_s{};
  [[nodiscard]] std::optional<int> first_bad_code() const;
};

/// Runs the image on the simulated device, the swept channel's pin in the middle of every code and the other channels
/// at rest. Throws base::BadInput if the profile does not say where the reading is, the image has no such symbol, or
/// nothing ever reads like the pattern.
[[nodiscard]] Sweep sweep(const profile::BoardProfile& board, const device::Image& image, const SweepOptions& options);

/// What is wrong with readings, whoever gave them.
void judge(Sweep& sweep, const profile::BoardProfile& board, const profile::SenseChannel& channel, double count,
           const SweepOptions& options);

/// What a reading may be off at a code.
[[nodiscard]] double limit_at(const profile::BoardProfile& board, const profile::SenseChannel& channel, double ideal,
                              const SweepOptions& options);

[[nodiscard]] Account account_of(const Sweep& sweep, const profile::BoardProfile& board, const device::Image& image,
                                 const SweepOptions& options);

}  // namespace dawnrig::metering
