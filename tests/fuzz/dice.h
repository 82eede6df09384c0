// Random draws that are the same numbers everywhere. Room: tests.
#pragma once

#include <cmath>
#include <cstdint>
#include <cstdlib>

namespace dawnrig::fuzz {

/// SplitMix64.
class Dice {
 public:
  // Seeds that follow one another must not draw the same numbers one place further on.
  explicit Dice(std::uint64_t seed) : state_{seed * 0xd1342543de82ef95U} { state_ = next() ^ next(); }
  [[nodiscard]] double frac() { return static_cast<double>(next() >> 11U) * 0x1p-53; }
  [[nodiscard]] double even(double low, double high) { return low + (high - low) * frac(); }
  // Evenly over the decades, and every eighth time an end itself.
  [[nodiscard]] double decades(double low, double high) {
    const double where = frac();
    if (where < 0.0625) return low;
    if (where > 0.9375) return high;
    return std::exp(even(std::log(low), std::log(high)));
  }
  [[nodiscard]] bool chance(double p) { return frac() < p; }
  [[nodiscard]] int below(int n) { return static_cast<int>(next() % static_cast<std::uint64_t>(n)); }

 private:
  std::uint64_t next() {
    state_ += 0x9e3779b97f4a7c15U;
    std::uint64_t z = state_;
    z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
    z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
    return z ^ (z >> 31U);
  }
  std::uint64_t state_;
};

/// How long a fuzzer runs is for its caller to say.
inline std::uint64_t from_environment(const char* name, std::uint64_t otherwise) {
  const char* text = std::getenv(name);
  return text != nullptr ? std::strtoull(text, nullptr, 10) : otherwise;
}

}  // namespace dawnrig::fuzz
