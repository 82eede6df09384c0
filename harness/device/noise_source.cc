#include "harness/device/noise_source.h"

#include <cmath>
#include <tuple>

namespace dawnrig::device {
namespace {

/// Uniform over (-1, 1) from the upper 53 bits.
double symmetric(std::uint64_t word) {
  constexpr double kStep = 1.0 / 4503599627370496.0;  // 2^-52
  return static_cast<double>(word >> 11U) * kStep - 1.0;
}

}  // namespace

std::uint64_t WordSource::next() {
  state_ += 0x9E3779B97F4A7C15U;
  std::uint64_t mixed = state_;
  mixed = (mixed ^ (mixed >> 30U)) * 0xBF58476D1CE4E5B9U;
  mixed = (mixed ^ (mixed >> 27U)) * 0x94D049BB133111EBU;
  return mixed ^ (mixed >> 31U);
}

void NoiseSource::draw() {
  constexpr std::size_t kPairs = std::tuple_size_v<decltype(drawn_)> / 2;
  struct Pair {
    double x, y, square;
  };
  std::array<Pair, kPairs> pairs;
  for (std::size_t found = 0; found < kPairs;) {
    Pair& pair = pairs[found];
    pair.x = symmetric(words_.next());
    pair.y = symmetric(words_.next());
    pair.square = pair.x * pair.x + pair.y * pair.y;
    // Counted, not branched to: which pairs are of use nobody can foretell.
    found +=
        static_cast<std::size_t>(static_cast<unsigned>(pair.square > 0.0) & static_cast<unsigned>(pair.square < 1.0));
  }
  for (std::size_t i = 0; i < kPairs; ++i) {
    const double scale = std::sqrt(-2.0 * std::log(pairs[i].square) / pairs[i].square);
    drawn_[2 * i] = pairs[i].x * scale;
    drawn_[2 * i + 1] = pairs[i].y * scale;
  }
  next_ = 0;
}

}  // namespace dawnrig::device
