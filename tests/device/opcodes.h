// Instruction words, for programs that tests make.
// Room: tests/device.
#pragma once

#include <cstddef>
#include <cstdint>

namespace dawnrig::device {

/// Of two registers.
inline std::uint16_t two(unsigned operation, unsigned d, unsigned r) {
  return static_cast<std::uint16_t>(operation | (r & 0x10U) << 5U | d << 4U | (r & 15U));
}
/// Of a register from 16 on and a byte.
inline std::uint16_t constant(unsigned operation, unsigned d, unsigned k) {
  return static_cast<std::uint16_t>(operation | (k & 0xF0U) << 4U | (d - 16U) << 4U | (k & 15U));
}
/// `in` (0xB000) and `out` (0xB800), of a register and a cell.
inline std::uint16_t cell(unsigned operation, unsigned d, unsigned io) {
  return static_cast<std::uint16_t>(operation | (io & 0x30U) << 5U | d << 4U | (io & 15U));
}
/// Of one register: `lds` and `sts` with the address behind them, `push`, `pop`, `ld`.
inline std::uint16_t one(unsigned operation, unsigned d) {
  return static_cast<std::uint16_t>(operation | d << 4U);
}
/// `rjmp` from the word behind those there are.
inline std::uint16_t jump_back(std::size_t from, std::size_t to) {
  return static_cast<std::uint16_t>(0xC000U | ((to - from - 1) & 0xFFFU));
}

}  // namespace dawnrig::device
