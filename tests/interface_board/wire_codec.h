// The board's codec, as C++ sees it. Room: tests/interface_board.
#pragma once

#include <cstdint>
#include <string>

extern "C" {
#include "fixtures/interface_board/firmware/wire_frame.h"
#include "fixtures/interface_board/firmware/wire_message.h"
}

#include "proto/board_link.pb.h"

namespace dawnrig::interface_board {

/// What the board understood of these bytes; false: it refused them.
[[nodiscard]] bool board_reads(const std::string& bytes, to_board& message);

/// Why board and library do not agree about these bytes; "" if they do. The library is asked, and then the schema's
/// limits on counts, and that there are no groups.
[[nodiscard]] std::string disagreement(const std::string& bytes);

/// A generator of our own, so that a seed means the same everywhere.
class Dice {
 public:
  explicit Dice(std::uint64_t seed) : state_(seed) {}
  [[nodiscard]] std::uint64_t next();
  [[nodiscard]] std::uint32_t below(std::uint32_t bound) { return static_cast<std::uint32_t>(next() >> 33) % bound; }
  [[nodiscard]] bool one_in(std::uint32_t bound) { return below(bound) == 0; }
  /// Any number, small ones and the edges of varints more often.
  [[nodiscard]] std::uint32_t number();
  [[nodiscard]] std::string bytes(std::size_t count);

 private:
  std::uint64_t state_;
};

/// A message within the schema's limits.
[[nodiscard]] proto::ToBoard any_to_board(Dice& dice);
/// The same bytes written differently, or broken.
[[nodiscard]] std::string bent(std::string bytes, Dice& dice);

}  // namespace dawnrig::interface_board
