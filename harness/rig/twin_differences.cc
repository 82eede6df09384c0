#include "harness/rig/twin_differences.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/rig/plant_failure.h"
#include "harness/rig/world.h"

namespace dawnrig::rig {

namespace {

constexpr double kCodes = 1024.0;

/// The plant with the edges as they were, and the world as it was scripted.
class Truth {
 public:
  Truth(const profile::BoardProfile& board, const ConversionLog::Run& run)
      : board_{board},
        circuit_{profile::circuit_of(board, run.site)},
        world_{board, run.site, run.initial, run.seed},
        timeline_{run.timeline} {
    world_.conditions().gate_on = !board.charges_while_on();
    state_ = circuit_.at_rest(world_.at_rest(), world_.conditions());
  }

  void run_until(Nanos until) {
    while (state_.now < until) {
      Nanos stop = until;
      if (next_ < timeline_.size()) stop = std::min(stop, std::max(timeline_[next_].time, state_.now));
      if (const auto change = world_.next_change()) stop = std::min(stop, std::max(*change, state_.now));
      const auto status = circuit_.advance(state_, world_.conditions(), stop, nullptr);
      if (status != plant::AdvanceStatus::kOk) {
        throw base::RunFault(plant_failure(status, state_, world_.conditions()));
      }
      world_.change_by(state_.now);
      while (next_ < timeline_.size() && timeline_[next_].time <= state_.now) {
        world_.apply(timeline_[next_++].change, state_.now);
      }
    }
  }
  void set_gate(bool conducts) { world_.conditions().gate_on = conducts; }
  void set_load_switch(bool conducts) { world_.conditions().load_switch_on = conducts; }
  double convert(std::size_t sense) {
    held_v_ = circuit_.sampled_v(state_, world_.conditions(), sense, board_.adc_input, held_v_);
    return held_v_;
  }

 private:
  const profile::BoardProfile& board_;
  plant::Circuit circuit_;
  World world_;
  const std::vector<scenario::Stimulus>& timeline_;
  std::size_t next_{0};
  plant::CircuitState state_;
  double held_v_{0};
};

}  // namespace

ConversionLog::ConversionLog(Twin& twin, const TwinSetup& setup)
    : twin_{twin}, board_{setup.board}, board_clock_error_frac_{setup.board_clock_error_frac} {
  twin_.on_gate = [this](Nanos now, bool conducts) {
    happenings_.push_back({now, Happening::Kind::kGate, conducts, 0, 0.0});
  };
  twin_.on_load_switch = [this](Nanos now, bool conducts) {
    happenings_.push_back({now, Happening::Kind::kLoadSwitch, conducts, 0, 0.0});
  };
  twin_.on_conversion = [this](Nanos now, std::size_t sense, double pin_v) {
    happenings_.push_back({now, Happening::Kind::kConversion, false, sense, pin_v});
  };
}

ConversionLog::~ConversionLog() {
  twin_.on_gate = {};
  twin_.on_load_switch = {};
  twin_.on_conversion = {};
}

void ConversionLog::on_sample(const trace::Sample& sample) {
  if (!rose_ && sample[trace::Signal::kGate] > 0.5) {
    rose_ = true;
    first_rise_ = sample.time;
  }
}

std::vector<ChannelDifference> ConversionLog::against_the_plant(const Run& run) const {
  const bool charging = board_.charges_while_on();
  const auto rise = std::find_if(happenings_.begin(), happenings_.end(), [charging](const Happening& one) {
    return one.kind == Happening::Kind::kGate && one.conducts == charging && one.time > Nanos{0};
  });
  if (!rose_ || rise == happenings_.end()) return {};
  const auto in_run = [&](Nanos time) {
    const double since = static_cast<double>((time - rise->time).count()) * (1.0 + board_clock_error_frac_);
    return first_rise_ + Nanos{std::llround(since)};
  };
  Truth truth{board_, run};
  std::vector<ChannelDifference> result(board_.sense.size());
  for (const Happening& one : happenings_) {
    const Nanos time = in_run(one.time);
    if (time < Nanos{0}) {
      if (one.kind == Happening::Kind::kGate) truth.set_gate(one.conducts);
      if (one.kind == Happening::Kind::kLoadSwitch) truth.set_load_switch(one.conducts);
      continue;
    }
    truth.run_until(time);
    if (one.kind == Happening::Kind::kGate) {
      truth.set_gate(one.conducts);
    } else if (one.kind == Happening::Kind::kLoadSwitch) {
      truth.set_load_switch(one.conducts);
    } else {
      const double off_v = one.pin_v - truth.convert(one.sense);
      if (time < run.from) continue;
      ChannelDifference& channel = result[one.sense];
      ++channel.conversions;
      channel.rms_v += off_v * off_v;
      if (std::abs(off_v) > channel.most_v) {
        channel.most_v = std::abs(off_v);
        channel.most_at = time;
      }
    }
  }
  const double lsb_v = board_.device.supply_v / kCodes;
  for (std::size_t i = 0; i < result.size(); ++i) {
    ChannelDifference& channel = result[i];
    channel.channel = board_.sense[i].name;
    channel.rms_v =
        channel.conversions == 0 ? 0.0 : std::sqrt(channel.rms_v / static_cast<double>(channel.conversions));
    channel.rms_lsb = channel.rms_v / lsb_v;
    channel.most_lsb = channel.most_v / lsb_v;
  }
  // What the interface board has no output for, the device measures of itself.
  std::erase_if(result, [](const ChannelDifference& channel) { return channel.conversions == 0; });
  return result;
}

}  // namespace dawnrig::rig
