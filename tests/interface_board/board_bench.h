// The interface board in the simulator with everything soldered around it, a host that speaks to it, and gates that
// switch as a device's would. Room: tests/interface_board.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "harness/device/board_circuit.h"
#include "harness/link/frame.h"
#include "proto/board_link.pb.h"

namespace dawnrig::interface_board {

using device::BoardCircuit;
using device::BoardCircuitParams;
using device::Cycle;

inline constexpr Cycle kMs = 16'000;
inline constexpr Cycle kUs = 16;
inline constexpr Cycle kTickCycles = 8;  ///< half a microsecond

/// A gate pin's square wave: up at `from + n * period`, down `high` later. 0 or `period`: no edges.
struct Wave {
  Cycle period{};
  Cycle high{};
  Cycle from{0};
  [[nodiscard]] bool level_at(Cycle at) const;
  [[nodiscard]] Cycle next_edge(Cycle after) const;
};

/// The firmware as it is built.
[[nodiscard]] const device::Image& board_image();

struct Heard {
  Cycle at{};
  proto::FromBoard message;
};

class BoardBench {
 public:
  explicit BoardBench(const BoardCircuitParams& circuit = {}, std::span<const std::uint8_t> eeprom = {},
                      std::uint64_t seed = 1);

  void run_until(Cycle until);
  void run_for(Cycle cycles) { run_until(processor().now() + cycles); }
  /// The gate pin follows `wave` from now on; nullopt: the device lets go of it.
  void drive_gate(int gate, std::optional<Wave> wave);
  /// From now on the host sends a tick each millisecond; `shape` is sent with the sequence number put in, and, if it
  /// has levels, a time `ahead` of now to take them over.
  void tick_each_ms(const proto::Tick& shape, Cycle ahead = 3 * kMs);
  void fall_silent() { next_tick_.reset(); }

  void send(const proto::ToBoard& message);
  void send(const proto::Tick& tick);
  void send(const proto::Configure& configure);
  void send(const proto::Calibration& calibration);
  void ask(proto::Ask::Question question);
  void send_raw(std::span<const std::uint8_t> bytes) { processor().send_serial(bytes); }

  /// Configures the board, and sees that it says yes.
  void configure(const proto::Configure& configure);
  [[nodiscard]] static proto::Configure usual_configuration();
  /// Four channels: levels for gate on and gate off.
  [[nodiscard]] static proto::Tick levels(std::array<std::uint16_t, 4> on, std::array<std::uint16_t, 4> off);

  [[nodiscard]] device::VirtualDevice& processor() { return *processor_; }
  [[nodiscard]] BoardCircuit& circuit() { return circuit_; }
  /// Everything that was heard, reports apart from answers.
  std::vector<Heard> reports, answers;
  std::string from_board_to_device;
  std::vector<Cycle> device_bytes_at;  ///< when each of them had come
  std::vector<Cycle> taken_over;
  [[nodiscard]] const proto::Report& last_report() const;
  [[nodiscard]] Cycle last_report_at() const { return reports.back().at; }
  /// Frames that were none.
  [[nodiscard]] std::int64_t broken() const { return decoder_.counts().bad(); }
  [[nodiscard]] std::uint32_t next_sequence() { return sequence_ = (sequence_ + 1) & 0xFFFF; }
  /// What the board's counter reads at an instant.
  [[nodiscard]] std::uint32_t ticks_at(Cycle at) const;
  /// The cycle at which it read zero, +-1 us.
  [[nodiscard]] static Cycle clock_zero();
  /// The part of the processor's time, from now on for so many cycles, in which it did not sleep.
  [[nodiscard]] double load_frac(Cycle over);

 private:
  void hear(Cycle at, std::uint8_t byte);
  void send_tick();

  BoardCircuit circuit_;
  std::unique_ptr<device::VirtualDevice> processor_;
  link::FrameDecoder decoder_;
  std::array<std::optional<Wave>, 2> waves_{};
  std::optional<Cycle> next_tick_;
  proto::Tick shape_;
  Cycle ahead_{0};
  std::uint32_t sequence_{0};
};

}  // namespace dawnrig::interface_board
