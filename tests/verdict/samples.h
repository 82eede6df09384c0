// Hand-made runs: a signal given by its corners.
// Room: tests/verdict.
#pragma once

#include <initializer_list>
#include <utility>

#include "harness/verdict/monitor.h"

namespace dawnrig::verdict {

inline trace::Sample sample_at(double time_s, trace::Signal signal, double value) {
  trace::Sample sample;
  sample.time = from_seconds(time_s);
  sample[signal] = value;
  return sample;
}

/// Feeds (time in s, value) corners; between them the signal runs straight, or holds if it is a switch.
inline void run(trace::Sink& sink, trace::Signal signal, std::initializer_list<std::pair<double, double>> corners) {
  for (const auto& [time_s, value] : corners) sink.on_sample(sample_at(time_s, signal, value));
}

inline void run(trace::Sink& sink, std::initializer_list<std::pair<double, double>> corners) {
  run(sink, trace::Signal::kTerminalV, corners);
}

}  // namespace dawnrig::verdict
