// What a report plots: bounded memory, whatever the length of the window.
// Room: harness/verdict. May use harness/trace and what lies below.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "harness/trace/signal.h"

namespace dawnrig::verdict {

/// A signal in buckets of equal time. Bucket i reaches from time_s[i] to time_s[i + 1], the last one to `end_s`.
struct Curve {
  std::string label;  ///< in words
  std::string unit;
  bool is_switch{false};
  std::vector<double> time_s;           ///< start of each bucket, in seconds since the run began
  std::vector<double> low, high, mean;  ///< within the bucket; the mean of a switch is the share of time on
  double end_s{0};
};

/// Collects lowest, highest and mean per time bucket of some signals; at most `buckets` (rounded up to even) of them. A
/// bucket is 1 us wide at first; whenever they are full, neighbours merge and the width doubles. Signals are taken to
/// run straight between samples, so no bucket is empty and no jump is lost. All memory is taken by the constructor.
class EvidenceCollector final : public trace::Sink {
 public:
  explicit EvidenceCollector(std::vector<trace::Signal> signals, std::size_t buckets = 600);
  void on_sample(const trace::Sample& sample) override;
  void on_stretch(const trace::Stretch& stretch) override;
  [[nodiscard]] std::vector<Curve> curves() const;

 private:
  struct Bucket {
    double low{0}, high{0}, integral{0};
  };
  [[nodiscard]] Bucket& at(std::size_t signal, std::size_t bucket) { return buckets_[signal * capacity_ + bucket]; }
  [[nodiscard]] std::size_t index_of(Nanos time) const;
  [[nodiscard]] bool is_in_one_bucket(const trace::Stretch& stretch) const;
  void stay_in_bucket(const trace::Sample& sample);
  void halve();
  void spread(std::size_t signal, Nanos from, Nanos to, double from_value, double to_value);
  void touch(std::size_t signal, std::size_t bucket, double value);

  std::vector<trace::Signal> signals_;
  std::size_t capacity_;
  std::vector<Bucket> buckets_;    ///< row per signal
  std::vector<std::size_t> used_;  ///< buckets in use, per signal
  std::vector<double> last_value_;
  Nanos width_{1000};
  bool started_{false};
  Nanos start_{0}, last_time_{0};
  std::size_t bucket_{0};  ///< that of the last sample, which ends at `border_`; before the first there is none
  Nanos border_{Nanos::min()};
};

}  // namespace dawnrig::verdict
