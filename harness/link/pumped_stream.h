// A line that is read and written by a thread of its own, so that a loop which must keep time never waits for a driver.
// Room: harness/link. Boost and POSIX calls in the .cc file.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "harness/link/serial_stream.h"

namespace dawnrig::link {

/// Even a read that does not wait may be held up in the kernel, for as long as some other thread that holds the
/// driver's lock is not let run. Here that only makes bytes late; read() and write() themselves look at memory and no
/// more.
class PumpedStream final : public ByteStream {
 public:
  /// `prepare`: called first by the thread, as for its priority; may be empty.
  PumpedStream(std::unique_ptr<SerialStream> inner, std::function<void()> prepare);
  ~PumpedStream() override;
  PumpedStream(const PumpedStream&) = delete;
  PumpedStream& operator=(const PumpedStream&) = delete;

  [[nodiscard]] std::size_t read(std::span<std::uint8_t> into) override;
  [[nodiscard]] std::size_t write(std::span<const std::uint8_t> bytes) override;
  [[nodiscard]] LineState state() const override;
  bool reopen() override;
  [[nodiscard]] const std::string& name() const override;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::link
