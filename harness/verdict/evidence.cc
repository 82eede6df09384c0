#include "harness/verdict/evidence.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "harness/trace/stretch.h"
#include "harness/verdict/wording.h"

namespace dawnrig::verdict {

EvidenceCollector::EvidenceCollector(std::vector<trace::Signal> signals, std::size_t buckets)
    : signals_{std::move(signals)},
      capacity_{std::max<std::size_t>(2, buckets + buckets % 2)},
      buckets_(signals_.size() * capacity_),
      used_(signals_.size(), 0),
      last_value_(signals_.size(), 0) {}

void EvidenceCollector::on_sample(const trace::Sample& sample) {
  if (sample.time >= last_time_ && sample.time < border_) {
    stay_in_bucket(sample);
    return;
  }
  if (!started_) {
    started_ = true;
    start_ = last_time_ = sample.time;
    for (std::size_t s = 0; s < signals_.size(); ++s) last_value_[s] = sample[signals_[s]];
  }
  while (index_of(sample.time) >= capacity_) halve();
  for (std::size_t s = 0; s < signals_.size(); ++s) {
    const double value = sample[signals_[s]];
    spread(s, last_time_, sample.time, last_value_[s], trace::is_switch(signals_[s]) ? last_value_[s] : value);
    touch(s, index_of(sample.time), value);
    last_value_[s] = value;
  }
  last_time_ = sample.time;
  bucket_ = index_of(last_time_);
  border_ = start_ + width_ * (static_cast<std::int64_t>(bucket_) + 1);
}

/// Most samples fall into the bucket of the one before, which has been there with its values.
void EvidenceCollector::stay_in_bucket(const trace::Sample& sample) {
  const bool lasts = sample.time > last_time_;
  const double lasts_s = in_seconds(sample.time - last_time_);
  for (std::size_t s = 0; s < signals_.size(); ++s) {
    const double value = sample[signals_[s]];
    const double to_value = trace::is_switch(signals_[s]) ? last_value_[s] : value;
    touch(s, bucket_, value);
    if (lasts) at(s, bucket_).integral += 0.5 * (last_value_[s] + to_value) * lasts_s;
    last_value_[s] = value;
  }
  last_time_ = sample.time;
}

void EvidenceCollector::on_stretch(const trace::Stretch& stretch) {
  if (!is_in_one_bucket(stretch)) {
    Sink::on_stretch(stretch);
    return;
  }
  const double duration_s = in_seconds(stretch.duration());
  for (std::size_t s = 0; s < signals_.size(); ++s) {
    const auto signal = static_cast<std::size_t>(signals_[s]);
    touch(s, bucket_, stretch.lowest()[signal]);
    touch(s, bucket_, stretch.highest()[signal]);
    at(s, bucket_).integral += stretch.mean()[signal] * duration_s;
    last_value_[s] = stretch.end().value[signal];
  }
  last_time_ = stretch.end().time;
}

/// And goes on from the last sample, with numbers only.
bool EvidenceCollector::is_in_one_bucket(const trace::Stretch& stretch) const {
  const Nanos end = stretch.end().time;
  if (stretch.from() != last_time_ || end <= last_time_ || end >= border_) return false;
  return std::none_of(signals_.begin(), signals_.end(), [&stretch](trace::Signal signal) {
    return std::isnan(stretch.mean()[static_cast<std::size_t>(signal)]);
  });
}

std::size_t EvidenceCollector::index_of(Nanos time) const {
  return static_cast<std::size_t>(std::max<std::int64_t>(0, (time - start_) / width_));
}

void EvidenceCollector::halve() {
  for (std::size_t s = 0; s < signals_.size(); ++s) {
    const std::size_t used = used_[s];
    for (std::size_t b = 0; b < used; b += 2) {
      Bucket merged = at(s, b);
      if (b + 1 < used) {
        const Bucket& next = at(s, b + 1);
        merged = {std::min(merged.low, next.low), std::max(merged.high, next.high), merged.integral + next.integral};
      }
      at(s, b / 2) = merged;
    }
    used_[s] = (used + 1) / 2;
  }
  width_ *= 2;
}

/// Adds the line between two samples to every bucket it passes through.
void EvidenceCollector::spread(std::size_t signal, Nanos from, Nanos to, double from_value, double to_value) {
  touch(signal, index_of(from), from_value);
  const double slope_per_s = to > from ? (to_value - from_value) / in_seconds(to - from) : 0;
  while (from < to) {
    const std::size_t bucket = index_of(from);
    const Nanos border = start_ + width_ * (static_cast<std::int64_t>(bucket) + 1);
    const Nanos until = std::min(border, to);
    const double value = until == to ? to_value : from_value + slope_per_s * in_seconds(until - from);
    touch(signal, bucket, from_value);
    touch(signal, bucket, value);
    at(signal, bucket).integral += 0.5 * (from_value + value) * in_seconds(until - from);
    from = until;
    from_value = value;
  }
}

void EvidenceCollector::touch(std::size_t signal, std::size_t bucket, double value) {
  if (bucket >= used_[signal]) {
    // Buckets fill in order; one that a sample just enters has no other value yet.
    used_[signal] = bucket + 1;
    at(signal, bucket) = {value, value, 0};
    return;
  }
  Bucket& b = at(signal, bucket);
  b.low = std::min(b.low, value);
  b.high = std::max(b.high, value);
}

std::vector<Curve> EvidenceCollector::curves() const {
  std::vector<Curve> curves;
  for (std::size_t s = 0; s < signals_.size(); ++s) {
    Curve curve;
    curve.label = std::string{words_for(signals_[s])};
    curve.unit = std::string{trace::unit_of(signals_[s])};
    curve.is_switch = trace::is_switch(signals_[s]);
    curve.end_s = in_seconds(last_time_);
    for (std::size_t b = 0; b < used_[s]; ++b) {
      const Bucket& bucket = buckets_[s * capacity_ + b];
      const Nanos from = start_ + width_ * static_cast<std::int64_t>(b);
      const double covered_s = in_seconds(std::min(from + width_, last_time_) - from);
      curve.time_s.push_back(in_seconds(from));
      curve.low.push_back(bucket.low);
      curve.high.push_back(bucket.high);
      curve.mean.push_back(covered_s > 0 ? bucket.integral / covered_s : 0.5 * (bucket.low + bucket.high));
    }
    curves.push_back(std::move(curve));
  }
  return curves;
}

}  // namespace dawnrig::verdict
