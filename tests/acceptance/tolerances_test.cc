// Boards whose parts lie where their makers' promises end.
#include <functional>
#include <span>
#include <variant>
#include <vector>

#include "harness/metering/uncertain.h"
#include "tests/acceptance/figures.h"

namespace dawnrig::acceptance {
namespace {

using namespace testing::literals;
using profile::BoardProfile;
using profile::Quantity;
using profile::SenseChannel;
using testing::Amperes;
using verdict::Mean;
using verdict::Toggles;

constexpr int kBits = 10;

/// Which way the n-th of a channel's parts pushes its reading: 1 up, -1 down.
using Push = std::function<double(std::size_t)>;

class Tolerances : public testing::Acceptance {
 protected:
  /// The chain of a channel whose parts all lie at the ends of their tolerances; nullopt if nobody promises any.
  [[nodiscard]] std::optional<metering::Chain> at_corner(const SenseChannel& channel, const Push& push) const {
    const metering::Uncertain parts{board(), channel, kBits};
    const double at_v = declared().absorption_v;
    std::vector<double> z(parts.variables().size(), 0.0);
    std::size_t pushed = 0;
    for (std::size_t i = 0; i < z.size(); ++i) {
      if (parts.variables()[i].cause != metering::Cause::kTolerance) continue;
      std::vector<double> alone(z.size(), 0.0);
      alone[i] = 1.0;
      const double more_lsb = position_lsb(parts.at(alone, metering::kRoomDegc), at_v, metering::kRoomDegc);
      const bool up = more_lsb > position_lsb(parts.nominal(), at_v, metering::kRoomDegc);
      z[i] = (up ? 1.0 : -1.0) * push(pushed++);
    }
    if (pushed == 0) return std::nullopt;
    return parts.at(z, metering::kRoomDegc);
  }

  /// The board at a corner of its battery channel, with the panel's own parts at the opposite one: the device may
  /// compare the two.
  [[nodiscard]] std::optional<BoardProfile> board_at_corner(const Push& push) const {
    const auto battery = at_corner(*board().channel_for(Quantity::kBatteryVoltage), push);
    if (!battery) return std::nullopt;
    BoardProfile other = board();
    other.device.supply_v = battery->supply_v;
    if (other.device.aref_v) other.device.aref_v = battery->aref_v;
    other.device.internal_reference_v = battery->band_gap_v;
    other.device.internal_reference_2_v = battery->band_gap_2_v;
    other.device.adc = battery->adc;
    for (SenseChannel& channel : other.sense) {
      if (channel.quantity == Quantity::kBatteryVoltage) channel.network = battery->network;
      if (channel.quantity != Quantity::kPanelVoltage) continue;
      const auto panel = at_corner(channel, [&](std::size_t n) { return -push(n); });
      if (panel) channel.network = panel->network;
    }
    return other;
  }
};

TEST_F(Tolerances, TheAbsorptionVoltageIsHeldAtTheCornersOfTheSenseNetwork) {
  if (testing::bench().rig.kind == testing::RigKind::kBench) {
    return not_applicable("the parts of a real board are what they are");
  }
  const std::vector<Push> corners{
      [](std::size_t /*n*/) { return 1.0; },
      [](std::size_t /*n*/) { return -1.0; },
      [](std::size_t n) { return n % 2 == 0 ? 1.0 : -1.0; },
  };
  FarthestOff worst;
  std::unique_ptr<testing::Watch> watch;
  for (const Push& corner : corners) {
    const auto other = board_at_corner(corner);
    if (!other) {
      return not_applicable("the board profile writes no tolerances of its battery channel");
    }
    power_up({.soc_frac = 0.985, .sun = 1000_Wpm2, .other_board = other});
    static_cast<void>(await_regulation(0.97 * declared().absorption_v, 5min));
    let_pass(from_seconds(declared().settle_s));
    Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
    watch = watch_with({&mean});
    let_pass(20s);
    watch->end();
    worst.add(mean.figure());
  }
  judge("SETPOINT-CORNERS", worst.figure(),
        "mean bus voltage less the set point with every part at the end of its tolerance, the worst of three corners",
        *watch);
}

TEST_F(Tolerances, AnOffsetOfTheLoadCurrentSenseMovesNothing) {
  const SenseChannel* channel = board().channel_for(Quantity::kLoadCurrent);
  if (channel == nullptr) {
    return not_applicable("this device does not sense the load current");
  }
  if (testing::bench().rig.kind == testing::RigKind::kBench) {
    return not_applicable("the parts of a real board are what they are");
  }
  constexpr double kOfFullScale = 0.05;
  FarthestOff worst;
  HighestOf changes;
  std::unique_ptr<testing::Watch> watch;
  for (const double share : {kOfFullScale, -kOfFullScale}) {
    BoardProfile other = board();
    auto& network = other.sense[*board().channel_index(channel->name)].network.network;
    auto& amplifier = std::get<plant::ShuntAmplifierParams>(network);
    amplifier.offset_v += share * board().reference_v(*channel) / amplifier.gain_v_per_v;
    power_up({.soc_frac = 0.985, .sun = 1000_Wpm2, .other_board = other});
    static_cast<void>(await_regulation(declared().absorption_v, 5min));
    if (board().load_output) {
      EXPECT_TRUE(await_load(true, 120s)) << "the load output stays off on a full battery";
    }
    load_draws(Amperes{0.3 * array_a(1000_Wpm2)});
    let_pass(from_seconds(declared().settle_s));
    Mean mean{{.signal = Signal::kBusV, .minus = declared().absorption_v}};
    Toggles load{Signal::kLoadSwitch, limit("CURRENT-OFFSET-LOAD")};
    watch = watch_with({&mean, &load}, {Signal::kBusV, Signal::kLoadA, Signal::kLoadSwitch});
    let_pass(20s);
    worst.add(mean.figure());
    load_draws(Amperes{declared().rated_load_a.value_or(0.3 * array_a(1000_Wpm2))});
    let_pass(20s);
    watch->end();
    changes.add(load.figure());
  }
  judge("CURRENT-OFFSET-VOLTAGE", worst.figure(),
        "mean bus voltage less the set point with the load current's sense off by 5 % of full scale, the worse of two",
        *watch);
  if (board().load_output) {
    judge("CURRENT-OFFSET-LOAD", changes.figure(),
          "changes of the load output, up to the rated current, with that sense off by 5 % of full scale", *watch);
  }
}

}  // namespace
}  // namespace dawnrig::acceptance
