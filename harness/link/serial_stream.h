// A serial port as a line to the board: 1 Mbaud, eight data bits, no parity, one stop bit, nothing interpreted on the
// way. Room: harness/link. Boost and POSIX calls in the .cc file.
#pragma once

#include <memory>
#include <string>

#include "harness/link/byte_stream.h"

namespace dawnrig::link {

inline constexpr unsigned kLineBaud = 1'000'000;

class SerialStream final : public ByteStream {
 public:
  /// Throws base::BadInput if `device` is no serial port or cannot be opened. Where the driver has a flag for low
  /// latency it is set; where it has not, that is kept for low_latency_warning().
  explicit SerialStream(const std::string& device);
  ~SerialStream() override;
  SerialStream(const SerialStream&) = delete;
  SerialStream& operator=(const SerialStream&) = delete;

  [[nodiscard]] std::size_t read(std::span<std::uint8_t> into) override;
  [[nodiscard]] std::size_t write(std::span<const std::uint8_t> bytes) override;
  [[nodiscard]] LineState state() const override;
  bool reopen() override;
  [[nodiscard]] const std::string& name() const override;

  /// For poll(); -1 when the line is gone.
  [[nodiscard]] int descriptor() const;
  /// What the driver lacks, in a sentence; empty: nothing.
  [[nodiscard]] const std::string& low_latency_warning() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// The other end of a serial port that is none: what a stand-in for a board listens at, while others open path().
class PseudoTerminal final : public ByteStream {
 public:
  /// Throws base::RunFault if the system gives none. `link`: if not empty, a symbolic link to make to the port, so that
  /// it has a name that does not change; removed again at the end.
  explicit PseudoTerminal(const std::string& link = {});
  ~PseudoTerminal() override;
  PseudoTerminal(const PseudoTerminal&) = delete;
  PseudoTerminal& operator=(const PseudoTerminal&) = delete;

  [[nodiscard]] std::size_t read(std::span<std::uint8_t> into) override;
  [[nodiscard]] std::size_t write(std::span<const std::uint8_t> bytes) override;
  [[nodiscard]] LineState state() const override;
  /// A new port, with another path.
  bool reopen() override;
  [[nodiscard]] const std::string& name() const override { return path_; }

  /// Hangs up, as a cable that is pulled: whoever has the port open finds it gone. Until reopen().
  void hang_up();

 private:
  void make();
  std::string path_, link_;
  int master_{-1};
  int keeper_{-1};  // keeps the port's own end open, so that it outlives who comes and goes
};

}  // namespace dawnrig::link
