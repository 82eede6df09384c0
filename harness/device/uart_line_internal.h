// One serial port, byte by byte: when bytes leave, when they arrive, and which ones a slow firmware loses.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

#include <array>
#include <cstdint>
#include <deque>
#include <span>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {

class UartLine : public Peripheral {
 public:
  UartLine(SimulatorCore& core, Surroundings& listener, avr_uart_t& io);

  void reset() override;
  void interrupt_entered() override;
  void send(std::span<const std::uint8_t> bytes);
  [[nodiscard]] int number() const { return io_.name - '0'; }
  [[nodiscard]] std::int64_t overruns() const { return overruns_; }

 private:
  void write_data(avr_io_addr_t address, std::uint8_t value);
  std::uint8_t read_data(avr_io_addr_t address);
  void write_status(avr_io_addr_t address, std::uint8_t value);
  void write_control(avr_io_addr_t address, std::uint8_t value);
  void on_sent(Cycle when);
  void on_arrived(Cycle when);

  void begin_sending(Cycle at, std::uint8_t byte);
  void begin_arriving(Cycle at);
  void take_from_shift_register();
  void show_flags();
  [[nodiscard]] Cycle frame_cycles() const;

  SimulatorCore& core_;
  Surroundings& listener_;
  avr_uart_t& io_;

  bool sending_{false};
  bool waiting_{false};  ///< a second byte stands in the transmit buffer
  std::uint8_t leaving_{0};
  std::uint8_t next_out_{0};

  std::deque<std::uint8_t> on_the_wire_;  ///< what the outside still has to send
  bool arriving_{false};
  std::array<std::uint8_t, 2> received_{};
  std::array<bool, 2> after_loss_{};  ///< the overrun flag travels with the byte that follows the loss
  std::size_t received_count_{0};
  bool shift_full_{false};
  std::uint8_t shift_{0};
  bool lost_before_shift_{false};
  std::int64_t overruns_{0};
};

}  // namespace dawnrig::device
