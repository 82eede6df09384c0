// What a channel can see: from the terminal to the pin to the code, as soldered and over tolerance and temperature.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <string>

#include "harness/metering/account.h"
#include "harness/profile/profile.h"

namespace dawnrig::metering {

struct TransferOptions {
  std::string channel;
  double from_degc{-10}, to_degc{40};  ///< of the board
  int bits{10};                        ///< of the converter
  int points{240};                     ///< of the curves
};
/// Range, saturation, step at the terminal, where a knee bends it, what the network draws, and what an offset diode
/// does at that current. Throws base::BadInput for a channel that the board lacks and for options that are none.
[[nodiscard]] Account transfer(const profile::BoardProfile& board, const TransferOptions& options);

/// "battery of ridge repeater controller, revision A"
[[nodiscard]] std::string title_of(const profile::BoardProfile& board, const profile::SenseChannel& channel);

/// Refuses what is not within the limits, in the option's own words.
void demand(const std::string& option, double value, double lowest, double highest);

}  // namespace dawnrig::metering
