// Plant, sky: draws that are the same on every machine and library. Touches nothing.
#pragma once

#include <cmath>
#include <cstdint>

namespace dawnrig::plant {

/// A stream of draws from a seed: a counter stepped by the golden ratio and mixed, after Steele, Lea and Flood, "Fast
/// splittable pseudorandom number generators" (2014). A plain value: copying it branches the stream.
class SkyDraws {
 public:
  explicit SkyDraws(std::uint64_t seed) : state_{seed} {}

  [[nodiscard]] std::uint64_t word() {
    state_ += 0x9E3779B97F4A7C15U;
    std::uint64_t z = state_;
    z = (z ^ (z >> 30U)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27U)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31U);
  }
  /// Even between low and high.
  [[nodiscard]] double between(double low, double high) {
    constexpr double kPerWord = 1.0 / 9007199254740992.0;  // 2^-53
    return low + (high - low) * (static_cast<double>(word() >> 11U) * kPerWord);
  }
  /// Even in the logarithm.
  [[nodiscard]] double log_between(double low, double high) { return std::exp(between(std::log(low), std::log(high))); }
  /// Normal, of mean 0 and variance 1, by the polar method (Marsaglia and Bray, 1964); the second of each pair is let
  /// go.
  [[nodiscard]] double unit_normal() {
    for (;;) {
      const double x = between(-1.0, 1.0);
      const double y = between(-1.0, 1.0);
      const double r = x * x + y * y;
      if (r < 1.0 && r > 0.0) return x * std::sqrt(-2.0 * std::log(r) / r);
    }
  }
  /// Log-normal with this mean; `spread` is the standard deviation of the logarithm.
  [[nodiscard]] double log_normal(double mean, double spread) {
    return mean * std::exp(spread * (unit_normal() - 0.5 * spread));
  }

 private:
  std::uint64_t state_;
};

}  // namespace dawnrig::plant
