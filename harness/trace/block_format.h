// What writer and reader of a trace file must agree on beyond the schema.
// Room: harness/trace. May use the standard library only.
#pragma once

#include <cstddef>
#include <string_view>

namespace dawnrig::trace {

inline constexpr std::string_view kMagic = "DAWNTRC1";
inline constexpr std::size_t kBlockHeadBytes = 8;  ///< length, then CRC-32 (ISO 3309), little-endian
/// No writer makes larger blocks, deflated or not; a length above it is damage.
inline constexpr std::size_t kMostBlockBytes = std::size_t{16} << 20U;

}  // namespace dawnrig::trace
