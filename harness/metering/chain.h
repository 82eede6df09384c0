// From a terminal to a converter code and back, through the solved sense network: what everything in this room is
// about. Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "harness/profile/profile.h"

namespace dawnrig::metering {

inline constexpr double kRoomDegc = 25;

/// Every figure that stands between a terminal and a code. A plain value: a draw changes some of them.
struct Chain {
  plant::SenseParams network;
  double supply_v{5}, aref_v{5}, band_gap_v{1.1}, band_gap_2_v{2.56};
  profile::AdcReference reference{};
  device::AdcErrors adc;
  int bits{10};  ///< of the converter
  [[nodiscard]] double reference_v() const;
  [[nodiscard]] double codes() const { return static_cast<double>(std::int64_t{1} << bits); }
};

[[nodiscard]] Chain chain_of(const profile::BoardProfile& board, const profile::SenseChannel& channel, int bits);

/// Throws base::BadInput, with the name that was probably meant, for a channel that the board lacks.
[[nodiscard]] const profile::SenseChannel& channel_named(const profile::BoardProfile& board, const std::string& name);

/// The pin for what the channel senses: volts at a terminal, amperes, or degrees Celsius of the battery.
[[nodiscard]] double pin_v(const Chain& chain, double sensed, double board_degc);
/// Where the converter stands, in codes and parts of one, before anything is cut off: code c is [c, c + 1).
[[nodiscard]] double position_lsb(const Chain& chain, double sensed, double board_degc);
/// What makes the pin rest there: the network the other way round, without clamps. Not a number where nothing does.
[[nodiscard]] double sensed_at_pin(const Chain& chain, double pin_v, double board_degc);
/// The same for a place among the codes, by a converter without errors.
[[nodiscard]] double sensed_at(const Chain& chain, double position_lsb, double board_degc);

/// What flows from the terminal into the network; 0 for a thermistor and an amplifier.
[[nodiscard]] double network_a(const Chain& chain, double sensed, double board_degc);

/// A quantity in the words and units of the trade.
struct Words {
  std::string quantity;      ///< "battery voltage"
  std::string unit;          ///< "V", "A", "°C"
  std::string step;          ///< of differences: "V", "A", "K"
  std::string suffix;        ///< of column names: "v", "a", "degc"
  std::string milli;         ///< "mV", "mA", "mK"
  std::string milli_suffix;  ///< "mv", "ma", "mk"
};
[[nodiscard]] Words words_for(profile::Quantity quantity);

/// Where readings matter, from low to high: what the profile declares, or parts of the range where it declares nothing.
struct SetPoint {
  std::string name;
  double at{};
};
[[nodiscard]] std::vector<SetPoint> set_points(const profile::BoardProfile& board,
                                               const profile::SenseChannel& channel);
/// The one that a calibration is made at, and that sentences speak of: absorption for a battery.
[[nodiscard]] std::size_t main_set_point(const std::vector<SetPoint>& points);

}  // namespace dawnrig::metering
