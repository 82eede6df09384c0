// What a battery went through in a run, as its owner counts it: charge in and out, gas, and how long it was too high,
// too hot and too low.
// Room: harness/verdict. May use harness/trace, harness/profile and what lies below.
#pragma once

#include <optional>
#include <string>

#include "harness/profile/profile.h"
#include "harness/trace/signal.h"

namespace dawnrig::verdict {

/// Beyond what time is counted. Battery makers differ; these are where most begin to speak of wear.
struct BatteryLimits {
  double above_v{};            ///< at the battery's own terminals
  double above_degc{50};       ///< of the battery
  double below_soc_frac{0.5};  ///< state of charge
};

/// The board's over-voltage limit, 50 degC and half charge, but for what is given.
struct BatteryLimitsGiven {
  std::optional<double> above_v, above_degc, below_soc_frac;
};
/// Throws base::BadInput, in the words of the options of `dawnrig run`, for a limit that is none.
[[nodiscard]] BatteryLimits battery_limits(const profile::Declared& declared, const BatteryLimitsGiven& given);

struct BatteryCounts {
  BatteryLimits limits;
  double in_ah{0}, out_ah{0};  ///< through its terminals, each summed apart: a ripple counts on both sides
  double gassing_ah{0};        ///< of what went in, that split water
  double unstored_ah{0};       ///< of what went in, that is not there for other reasons: self-discharge, and past full
  double above_v_s{0}, above_degc_s{0}, below_soc_s{0};
  double lowest_soc_frac{0}, highest_v{0}, highest_degc{0};
};

/// "12.5 Ah in, 8.25 Ah out, 0.031 Ah gassed; 0 s above 31.5 V, ..."
[[nodiscard]] std::string text_of(const BatteryCounts& counts);

/// Counts times at full resolution, crossings of straight lines exact. Attach it for the run. Does not allocate.
class BatteryClock final : public trace::Sink {
 public:
  explicit BatteryClock(const BatteryLimits& limits);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  /// Times and extremes; charges are the plant's books, and the caller's to add.
  [[nodiscard]] const BatteryCounts& counts() const { return counts_; }

 private:
  BatteryCounts counts_;
  bool started_{false};
  Nanos last_{0};
  double beyond_v_{0}, beyond_degc_{0}, beyond_soc_{0};  // of the last sample, beyond its limit
};

}  // namespace dawnrig::verdict
