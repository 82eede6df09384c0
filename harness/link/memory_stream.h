// Two ends of a line in memory, without time: what one end writes, the other can read at once.
// Room: harness/link. Uses the standard library only.
#pragma once

#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "harness/link/byte_stream.h"

namespace dawnrig::link {

/// One end. Bounded like a driver's buffer: a full line takes no more. For one thread.
class MemoryStream final : public ByteStream {
 public:
  /// The two ends of a line that holds `capacity_bytes` each way.
  static std::pair<std::unique_ptr<MemoryStream>, std::unique_ptr<MemoryStream>> line(
      std::size_t capacity_bytes = 4096);

  [[nodiscard]] std::size_t read(std::span<std::uint8_t> into) override;
  [[nodiscard]] std::size_t write(std::span<const std::uint8_t> bytes) override;
  [[nodiscard]] LineState state() const override;
  /// Succeeds once the cable is plugged in again.
  bool reopen() override;
  [[nodiscard]] const std::string& name() const override;

  /// Of the line, from either end: pulls the cable (what was under way is lost) or plugs it in.
  void unplug();
  void plug_in();

 private:
  class Ring {
   public:
    explicit Ring(std::size_t capacity_bytes) : bytes_(capacity_bytes) {}
    std::size_t put(std::span<const std::uint8_t> bytes);
    std::size_t take(std::span<std::uint8_t> into);
    void clear() { size_ = 0; }

   private:
    std::vector<std::uint8_t> bytes_;
    std::size_t first_{0}, size_{0};
  };
  struct Line {
    explicit Line(std::size_t capacity_bytes) : way{Ring{capacity_bytes}, Ring{capacity_bytes}} {}
    Ring way[2];
    bool plugged{true};
    int cuts{0};
  };
  MemoryStream(std::shared_ptr<Line> line, int end) : line_{std::move(line)}, end_{end} {}

  std::shared_ptr<Line> line_;
  int end_;
  int cuts_known_{0};  // a cut is noticed by each end, and over only when that end has reopened
};

}  // namespace dawnrig::link
