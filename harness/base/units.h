// The units this project knows: as words beside figures, and as suffixes of names.
// Room: harness/base. May use the standard library only.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace dawnrig::base {

/// As written in requirement files and reports: "V", "mV", "degC", ...
[[nodiscard]] std::span<const std::string> unit_names();
[[nodiscard]] bool is_unit_name(std::string_view unit);

/// A name taken apart at its unit suffix: "r_top_ohm" is {"r_top", "ohm"}. nullopt: no known suffix. The longest
/// suffix counts ("ocv_tempco_v_per_k" is {"ocv_tempco", "v_per_k"}).
struct SuffixedName {
  std::string_view stem, unit;
};
[[nodiscard]] std::optional<SuffixedName> split_unit(std::string_view name);

}  // namespace dawnrig::base
