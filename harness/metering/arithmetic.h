// From code to volts with integers and no division: the best constants, found by search and proved over every code.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/metering/chain.h"

namespace dawnrig::metering {

/// What is to be converted into what.
struct Demand {
  Chain chain;                 ///< nominal
  int samples{1};              ///< codes that the firmware adds up
  double count{0.001};         ///< of the channel's unit: 0.001 is a millivolt
  double lowest{}, highest{};  ///< where the error matters; beyond, only overflow does
  [[nodiscard]] std::uint32_t largest_sum() const {
    return static_cast<std::uint32_t>(samples) * ((1U << static_cast<unsigned>(chain.bits)) - 1U);
  }
};

/// reading = ((operand * multiply + offset) >> shift) + base, in counts; operand = sum >> dropped, or, where readings
/// fall as the code rises, (largest sum - sum) >> dropped. Everything before the shift fits in `width_bits` bits
/// without a sign; an 8-bit line multiplies a byte by a byte into 16.
struct Line {
  int width_bits{32};
  std::uint32_t multiply{1}, offset{0};
  int shift{0};
  int dropped{0};
  std::int32_t base{0};
  bool falling{false};
  std::uint32_t largest_sum{1023};
  int samples{1};
  double count{0.001};
  [[nodiscard]] std::uint32_t operand(std::uint32_t sum) const {
    return (falling ? largest_sum - sum : sum) >> static_cast<unsigned>(dropped);
  }
  /// What stands before the shift, with room for all of it.
  [[nodiscard]] std::uint64_t before_shift(std::uint32_t sum) const {
    return std::uint64_t{operand(sum)} * multiply + offset;
  }
  [[nodiscard]] std::int64_t counts_at(std::uint32_t sum) const {
    return static_cast<std::int64_t>(before_shift(sum) >> static_cast<unsigned>(shift)) + base;
  }
  /// The mean reading, in the channel's unit, of codes about that place: the line without its steps.
  [[nodiscard]] double mean_at(double position_lsb) const;
};

/// What going through every sum has shown.
struct Proof {
  std::uint32_t sums{};                         ///< tried, all there are
  std::uint64_t largest{};                      ///< before the shift
  std::optional<std::uint32_t> first_overflow;  ///< of the accumulator, or of the result's type
  std::optional<std::uint32_t> first_fall;      ///< where the reading goes the wrong way
  std::int64_t lowest_counts{}, highest_counts{};
  double worst_within{};  ///< error in counts where it matters, and where
  std::uint32_t worst_within_at{};
  double worst_anywhere{};
  std::uint32_t worst_anywhere_at{};
  [[nodiscard]] bool sound() const { return !first_overflow && !first_fall; }
};

/// What each sum stands for, in counts: the network solved for the middle of its code. Not a number where nothing does.
[[nodiscard]] std::vector<double> ideal_counts(const Demand& demand);
/// The sums that the demand's lowest and highest make, in order.
struct Reach {
  std::uint32_t first{}, last{};
};
[[nodiscard]] Reach reach_of(const Demand& demand);

[[nodiscard]] Proof prove(const Line& line, const std::vector<double>& ideal, const Reach& reach);

/// The line with the least error where it matters, within 8, 16 or 32 bits; of lines as good as each other the one
/// whose shift costs least. nullopt: no line fits into so few bits.
[[nodiscard]] std::optional<Line> best_line(const Demand& demand, const std::vector<double>& ideal, int width_bits);

/// "uint8_t", "uint16_t", "int32_t": what holds every result.
[[nodiscard]] std::string result_type(const Proof& proof);

/// As a C header: constants, one function, and in comments where they come from and what was proved.
struct HeaderText {
  std::string board;      ///< "ridge repeater controller, revision A"
  std::string channel;    ///< "battery"
  std::string unit_name;  ///< "10mv": in names
  std::string unit;       ///< "mV", "counts of 10 mV": in comments
  std::string network;    ///< the network's figures, a line each
  std::string cycles;     ///< "31 cycles"; empty: not measured
};
[[nodiscard]] std::string c_header(const Line& line, const Proof& proof, const Demand& demand, const HeaderText& text);
/// The name of that header's function: "battery_mv_of_sum".
[[nodiscard]] std::string function_name(const Line& line, const HeaderText& text);

}  // namespace dawnrig::metering
