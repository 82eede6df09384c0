// What a bench costs in accuracy, measured: each voltage that the twin's device converted, against what it would have
// been had the device been wired to the plant itself. Room: harness/rig. May use plant and the rooms below harness/rig.
#pragma once

#include <string>
#include <vector>

#include "harness/profile/profile.h"
#include "harness/rig/twin.h"
#include "harness/scenario/stimulus.h"
#include "harness/trace/signal.h"

namespace dawnrig::rig {

/// Of one sense channel over a run.
struct ChannelDifference {
  std::string channel;
  std::int64_t conversions{0};
  double rms_v{0}, most_v{0};      ///< at the pin
  double rms_lsb{0}, most_lsb{0};  ///< in codes of the device's converter
  Nanos most_at{0};
};

/// Notes what the twin's device really did and saw. Attach it to the bench rig before time passes.
class ConversionLog final : public trace::Sink {
 public:
  ConversionLog(Twin& twin, const TwinSetup& setup);
  ~ConversionLog() override;
  ConversionLog(const ConversionLog&) = delete;
  ConversionLog& operator=(const ConversionLog&) = delete;
  void on_sample(const trace::Sample& sample) override;

  struct Run {
    profile::SiteProfile site;
    scenario::Initial initial;
    std::uint64_t seed{0};
    std::vector<scenario::Stimulus> timeline;
    Nanos from{0};  ///< earlier conversions do not count
  };
  /// Lets the plant of the run pass once more, this time with the edges as they really were, and looks at each pin at
  /// each conversion. Empty if the gate never rose: the clocks are put against one another by its first rise. Throws
  /// base::RunFault if the plant cannot go on.
  [[nodiscard]] std::vector<ChannelDifference> against_the_plant(const Run& run) const;

 private:
  struct Happening {
    Nanos time{0};
    enum class Kind : std::uint8_t { kGate, kLoadSwitch, kConversion } kind{Kind::kGate};
    bool conducts{false};
    std::size_t sense{0};
    double pin_v{0};
  };
  Twin& twin_;
  profile::BoardProfile board_;
  double board_clock_error_frac_;
  std::vector<Happening> happenings_;
  bool rose_{false};
  Nanos first_rise_{0};  ///< in the run's time
};

}  // namespace dawnrig::rig
