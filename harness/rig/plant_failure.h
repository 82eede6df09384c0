// What a plant that could not go on, or lost energy on its way, leaves behind, in words. Room: harness/rig.
#pragma once

#include <cstdint>
#include <string>

#include "plant/circuit.h"
#include "plant/core/time.h"

namespace dawnrig::rig {

/// Why the run is invalid, with the state and the conditions that led there: the last good ones.
[[nodiscard]] std::string plant_failure(plant::AdvanceStatus status, const plant::CircuitState& state,
                                        const plant::Conditions& conditions);

/// Why the run is invalid if its books miss more than a thousandth of all energy that was turned over, and more than
/// 10 mJ; else empty. A solution that loses so much is no solution, however smooth it looks.
[[nodiscard]] std::string open_books(double residual_j, const plant::Books& books);

/// Keeps a plant that crawls from keeping its user waiting for ever: counted in steps, so that every machine gives up
/// at the same instant.
class StepBudget {
 public:
  struct Spent {
    std::int64_t most_per_s{};
  };
  explicit StepBudget(std::int64_t most_per_s) : most_per_s_{most_per_s} {}
  /// At the end of each step. Throws Spent once a simulated second has taken more than it may.
  void count(Nanos now) {
    if (now - since_ >= Nanos{1'000'000'000}) {
      since_ = now;
      steps_ = 0;
    }
    if (++steps_ > most_per_s_) throw Spent{most_per_s_};
  }
  /// At the end of a stretch: the same for each of its steps.
  void count(const plant::Stretch& stretch) {
    const std::size_t steps = stretch.steps();
    if (stretch.end_of(steps - 1) - since_ >= Nanos{1'000'000'000}) {
      for (std::size_t i = 0; i < steps; ++i) count(stretch.end_of(i));
      return;
    }
    steps_ += static_cast<std::int64_t>(steps);
    if (steps_ > most_per_s_) throw Spent{most_per_s_};
  }

 private:
  std::int64_t most_per_s_;
  std::int64_t steps_{0};
  Nanos since_{0};
};
[[nodiscard]] std::string plant_failure(const StepBudget::Spent& spent, const plant::CircuitState& state,
                                        const plant::Conditions& conditions);

}  // namespace dawnrig::rig
