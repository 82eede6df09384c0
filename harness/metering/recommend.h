// The recommended integer arithmetic of a channel, as an account and as a header.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <string>

#include "harness/metering/account.h"
#include "harness/metering/arithmetic.h"

namespace dawnrig::metering {

struct ArithmeticOptions {
  std::string channel;
  double count{0.001};  ///< of the header: 1, 0.1, 0.01 or 0.001 of the channel's unit
  int width_bits{32};   ///< of the header: 8, 16 or 32
  int samples{0};       ///< codes added up; 0: as the profile says
  int bits{10};
  double within_k{0.1};             ///< what a thermistor's table may be off
  std::string compiler{"avr-gcc"};  ///< "": cycles are not measured
};

struct Recommendation {
  Account account;
  std::string header;
};

/// Lines of all widths for counts of one to a thousandth of the unit, and the header of the chosen one; for a
/// thermistor tables of all spacings and the smallest that is good enough. Throws base::BadInput for a channel that the
/// board lacks, for options that are none, and where no line fits.
[[nodiscard]] Recommendation recommend(const profile::BoardProfile& board, const ArithmeticOptions& options);
/// The header alone, which takes a moment less.
[[nodiscard]] std::string recommended_header(const profile::BoardProfile& board, const ArithmeticOptions& options);

/// The network's figures as comment lines of a header.
[[nodiscard]] std::string network_comment(const profile::BoardProfile& board, const profile::SenseChannel& channel);

}  // namespace dawnrig::metering
