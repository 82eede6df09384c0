// What a line costs on the processor, measured: its header compiled, run on the simulated microcontroller, counted.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>

namespace dawnrig::metering {

struct Cost {
  std::int64_t least_cycles{}, most_cycles{};    ///< without loading the sum and storing the result
  std::uint32_t sums{};                          ///< tried on the processor
  std::optional<std::uint32_t> first_differing;  ///< where the processor's result is not the line's
};

/// Compiles `header` with `compiler` for `part` into a folder of its own under the system's temporary folder, which is
/// gone afterwards, and runs it over at least `sums` sums spread over all of them (every one, if there are no more).
/// Throws base::RunFault, with what the compiler said, if it cannot be run or refuses.
/// `expected`: what each sum should give.
[[nodiscard]] Cost measure(std::uint32_t largest_sum, const std::function<std::int64_t(std::uint32_t)>& expected,
                           const std::string& header, const std::string& function, const std::string& compiler,
                           const std::string& part, std::uint32_t sums);

/// The compiler's place: `wanted`, if it has a slash in it, or the first of that name in PATH. nullopt: not there.
[[nodiscard]] std::optional<std::filesystem::path> compiler_at(const std::string& wanted);

}  // namespace dawnrig::metering
