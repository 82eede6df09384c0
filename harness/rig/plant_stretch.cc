#include "harness/rig/plant_stretch.h"

#include "harness/rig/plant_sample.h"

namespace dawnrig::rig {

void PlantStretch::take(const plant::Stretch& stretch, const plant::Conditions& conditions, const trace::Sample& end,
                        bool charges_while_on) {
  stretch_ = &stretch;
  conditions_ = &conditions;
  charges_while_on_ = charges_while_on;
  Told& told = anew();
  told.from = stretch.from();
  told.steps = stretch.steps();
  told.end = end;
  fill(told.lowest, end.time, stretch.lowest(), end);
  fill(told.highest, end.time, stretch.highest(), end);
  fill(told.mean, end.time, stretch.mean(), end);
}

std::span<const trace::Sample> PlantStretch::work_out() const {
  const std::size_t last = steps() - 1;
  for (std::size_t i = 0; i < last; ++i) fill(samples_[i], stretch_->end_of(i), stretch_->at_end_of(i), end());
  samples_[last] = end();
  return std::span{samples_}.first(steps());
}

void PlantStretch::fill(trace::Sample& sample, Nanos time, const plant::Probes& probes,
                        const trace::Sample& end) const {
  fill_sample(sample, time, *conditions_, probes, charges_while_on_);
  sample[trace::Signal::kFault] = end[trace::Signal::kFault];
}

}  // namespace dawnrig::rig
