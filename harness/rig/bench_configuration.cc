#include "harness/rig/bench_configuration.h"

#include <algorithm>
#include <array>

namespace dawnrig::rig {

namespace {
constexpr std::array<std::int64_t, 8> kBoardBauds{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200};
}  // namespace

link::Configure configuration_of(const profile::BoardProfile& board, const BenchSettings& settings,
                                 const link::Calibration& calibration) {
  const ChannelMap channels{board, settings.injection};
  link::Configure configure;
  const bool charges_high = (board.gate.polarity == profile::Polarity::kActiveHigh) == board.charges_while_on();
  configure.gates_active_low = charges_high ? 0 : 1;
  configure.two_level_channels = settings.feedback == Feedback::kTwoLevels ? channels.two_level() : 0;
  configure.connected_channels = channels.connected();
  const std::array<double, link::kChannels> safe_v = channels.safe_v(board);
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    configure.safe_lsb[c] = output_code(calibration.output[2 * c], safe_v[c]);
  }
  configure.hold_outputs_when_safe = true;
  configure.safe_lines = link::line::kSupply;
  const std::int64_t baud = board.hooks.serial_baud;
  const bool possible = std::find(kBoardBauds.begin(), kBoardBauds.end(), baud) != kBoardBauds.end();
  configure.device_baud = possible ? static_cast<std::uint32_t>(baud) : 0;
  return configure;
}

// A round trip holds a report's age, the way back and a host's tick; half a slot and some room come on top.
Nanos lead_for(const link::DurationStats& round_trip) {
  return std::clamp(round_trip.mean() + Nanos{1'500'000}, Nanos{3'000'000}, Nanos{15'000'000});
}

}  // namespace dawnrig::rig
