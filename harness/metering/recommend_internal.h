// What lines and tables share when they are recommended.
// Room: harness/metering, private to it.
#pragma once

#include <string>

#include "harness/metering/cost.h"
#include "harness/metering/recommend.h"

namespace dawnrig::metering {

/// The compiler's place, or nothing where it is not there or not wanted.
[[nodiscard]] std::string compiler_of(const ArithmeticOptions& options);
/// "37 cycles", "11 to 14 cycles"
[[nodiscard]] std::string cycles_text(const Cost& cost);

[[nodiscard]] Recommendation recommend_table(const profile::BoardProfile& board, const profile::SenseChannel& channel,
                                             const ArithmeticOptions& options);
[[nodiscard]] std::string recommended_table_header(const profile::BoardProfile& board,
                                                   const profile::SenseChannel& channel,
                                                   const ArithmeticOptions& options);

}  // namespace dawnrig::metering
