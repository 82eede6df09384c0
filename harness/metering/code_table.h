// From code to temperature: a table of points a power of two codes apart, straight in between, proved over every code.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/metering/arithmetic.h"

namespace dawnrig::metering {

/// Below its first code and above its last a table stands at its ends.
struct CodeTable {
  int first_code{0};
  int step_shift{5};  ///< points are 2^step_shift codes apart
  std::vector<std::int32_t> entries;
  double count{0.1};  ///< of the channel's unit
  [[nodiscard]] int step() const { return 1 << step_shift; }
  [[nodiscard]] int last_code() const { return first_code + step() * (static_cast<int>(entries.size()) - 1); }
  [[nodiscard]] bool falling() const { return entries.back() < entries.front(); }
  /// In counts; between two points rounded to the nearest.
  [[nodiscard]] std::int64_t counts_at(std::uint32_t code) const;
};

struct TableProof {
  std::uint32_t codes{};
  std::int64_t largest_product{};  ///< between two points, with half a step for rounding; must stay within 16 bits
  std::optional<std::uint32_t> first_turn;  ///< where the reading goes the wrong way
  double worst_within{};  ///< error in the channel's unit between the demand's lowest and highest, and where
  std::uint32_t worst_within_at{};
  [[nodiscard]] bool sound() const { return largest_product <= 65535 && !first_turn; }
};

/// The table with that spacing over the demand's reach and a good way beyond. nullopt where the converter's range is
/// too narrow for two points.
[[nodiscard]] std::optional<CodeTable> code_table(const Demand& demand, const std::vector<double>& ideal_counts,
                                                  int step_shift);
[[nodiscard]] TableProof prove(const CodeTable& table, const Demand& demand, const std::vector<double>& ideal_counts);

/// As a C header: the points, one function, where they come from and what was proved.
[[nodiscard]] std::string c_header(const CodeTable& table, const TableProof& proof, const Demand& demand,
                                   const HeaderText& text);

}  // namespace dawnrig::metering
