// A line to the interface board, as bytes: a serial port, or something in memory that stands for one.
// Room: harness/link. Uses the standard library only.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>

namespace dawnrig::link {

enum class LineState : std::uint8_t {
  kUp,
  kGone,  ///< unplugged, or the other side has hung up
};

/// Reading and writing never wait, never allocate and never throw.
class ByteStream {
 public:
  virtual ~ByteStream() = default;
  /// What has arrived, as much of it as fits; 0: nothing, or the line is gone.
  [[nodiscard]] virtual std::size_t read(std::span<std::uint8_t> into) = 0;
  /// How many of the bytes were taken, from the front; less than all: the line is full, or gone.
  [[nodiscard]] virtual std::size_t write(std::span<const std::uint8_t> bytes) = 0;
  [[nodiscard]] virtual LineState state() const = 0;
  /// Tries to open the line anew; false: still gone. Not for the real-time loop: it may take its time.
  virtual bool reopen() = 0;
  /// For people: "/dev/ttyACM0", "in memory".
  [[nodiscard]] virtual const std::string& name() const = 0;
};

}  // namespace dawnrig::link
