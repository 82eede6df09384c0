// A stretch of the plant's solution as the sinks of a run see it. Room: harness/rig. May use plant, harness/trace.
#pragma once

#include <array>
#include <span>

#include "harness/trace/stretch.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

class PlantStretch final : public trace::Stretch {
 public:
  /// `end`: the last of its samples, from which the others have what the plant does not know. What it is given must
  /// live until the last sink has been told. Does not allocate.
  void take(const plant::Stretch& stretch, const plant::Conditions& conditions, const trace::Sample& end,
            bool charges_while_on);

 private:
  [[nodiscard]] std::span<const trace::Sample> work_out() const override;
  void fill(trace::Sample& sample, Nanos time, const plant::Probes& probes, const trace::Sample& end) const;

  const plant::Stretch* stretch_{nullptr};
  const plant::Conditions* conditions_{nullptr};
  bool charges_while_on_{true};
  mutable std::array<trace::Sample, plant::Stretch::kMostSteps> samples_;
};

}  // namespace dawnrig::rig
