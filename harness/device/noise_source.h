// Seeded noise that is the same on every machine.
// Room: harness/device. Uses nothing else.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

namespace dawnrig::device {

/// A stream of 64-bit words from a seed: a counter stepped by the golden ratio and mixed (Steele, Lea and Flood, "Fast
/// splittable pseudorandom number generators", 2014).
class WordSource {
 public:
  explicit WordSource(std::uint64_t seed) : state_(seed) {}
  [[nodiscard]] std::uint64_t next();

 private:
  std::uint64_t state_;
};

/// Draws of mean 0 and variance 1, normal, by the polar method (Marsaglia and Bray, 1964). Many at a time, so that one
/// need not wait for another's logarithm.
class NoiseSource {
 public:
  explicit NoiseSource(std::uint64_t seed) : words_(seed) {}
  [[nodiscard]] double next() {
    if (next_ == drawn_.size()) {
      draw();
    }
    return drawn_[next_++];
  }

 private:
  void draw();

  WordSource words_;
  std::array<double, 64> drawn_{};
  std::size_t next_{drawn_.size()};
};

}  // namespace dawnrig::device
