// What the tests of this room share: a device with something watching it, and scripts for the register player.
// Room: tests/device.
#pragma once

#include <gtest/gtest.h>

#include <cstdint>
#include <functional>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "harness/device/virtual_device.h"

namespace dawnrig::device {

struct PinEvent {
  Cycle at;
  Pin pin;
  Drive drive;
};
struct ByteEvent {
  Cycle at;
  std::uint8_t byte;
};
struct SampleEvent {
  Cycle at;
  int channel;
};
struct ResetEvent {
  Cycle at;
  ResetCause cause;
};

/// Records everything a device does, complains when time runs backwards, and answers the ADC from `adc_v`.
class Witness : public Surroundings {
 public:
  void on_pin(Cycle at, Pin pin, Drive drive) override {
    in_order(at);
    pins.push_back({at, pin, drive});
  }
  double adc_pin_v(Cycle at, int channel) override {
    in_order(at);
    samples.push_back({at, channel});
    return adc_v(at, channel);
  }
  void on_serial_byte(Cycle at, std::uint8_t byte) override {
    in_order(at);
    bytes.push_back({at, byte});
  }
  void on_other_serial_byte(Cycle at, int uart, std::uint8_t byte) override {
    in_order(at);
    other_bytes.push_back({uart, {at, byte}});
  }
  void on_reset(Cycle at, ResetCause cause) override {
    in_order(at);
    resets.push_back({at, cause});
  }
  std::uint8_t on_spi_byte(Cycle at, std::uint8_t out) override {
    in_order(at);
    spi.push_back({at, out});
    return static_cast<std::uint8_t>(~out);
  }
  [[nodiscard]] std::string text() const {
    std::string said;
    for (const ByteEvent& one : bytes) {
      said += static_cast<char>(one.byte);
    }
    return said;
  }
  [[nodiscard]] std::vector<PinEvent> of(Pin pin) const {
    std::vector<PinEvent> chosen;
    for (const PinEvent& one : pins) {
      if (one.pin == pin) {
        chosen.push_back(one);
      }
    }
    return chosen;
  }

  std::vector<PinEvent> pins;
  std::vector<ByteEvent> bytes;
  std::vector<std::pair<int, ByteEvent>> other_bytes;  ///< of lines 1 to 3
  std::vector<SampleEvent> samples;
  std::vector<ResetEvent> resets;
  std::vector<ByteEvent> spi;
  std::function<double(Cycle, int)> adc_v{[](Cycle, int) { return 0.0; }};

 private:
  void in_order(Cycle at) {
    EXPECT_GE(at, latest_) << "an event was reported after a later one";
    latest_ = at;
  }
  Cycle latest_{0};
};

inline Image test_image(const std::string& name, const std::string& part) {
  return load_image(std::string(DAWNRIG_TEST_IMAGE_DIR) + "/" + name + "-" + part + ".elf", part);
}

/// An image made of instruction words.
inline Image words_image(const std::vector<std::uint16_t>& words) {
  Image image;
  image.file = "words";
  for (const std::uint16_t word : words) {
    image.flash.push_back(static_cast<std::uint8_t>(word & 0xFF));
    image.flash.push_back(static_cast<std::uint8_t>(word >> 8));
  }
  return image;
}

/// Whether runs of instructions are translated at all here.
inline constexpr bool kKnowsThisMachine =
#if defined(__x86_64__)
    true;
#else
    false;
#endif

/// For tests over many programs: runs of instructions are translated at once, never, or after a while.
inline std::uint16_t translation_of(unsigned seed) {
  constexpr std::uint16_t kAfter[] = {0, 1, 30};
  return kAfter[seed % 3];
}

/// One image in two devices: with all that is done without the simulator, and left to it instruction by instruction.
struct BothWays {
  BothWays(DeviceParams params, const Image& image)
      : ours{params, image, witness}, simulators{left_alone(params), image, other} {}
  static DeviceParams left_alone(DeviceParams params) {
    params.skip_idle = false;
    return params;
  }
  /// Runs both. Returns the first difference in what can be seen of them then; empty: there is none.
  [[nodiscard]] std::string first_difference_at(Cycle until) {
    const RunStatus status = ours.run_until(until);
    const auto differs = [this](const std::string& what, auto own, auto theirs) {
      return what + ": " + std::to_string(own) + ", and not " + std::to_string(theirs) + ", before address " +
             std::to_string(simulators.next_address());
    };
    if (status != simulators.run_until(until) || ours.crash_reason() != simulators.crash_reason()) {
      return "crash '" + ours.crash_reason() + "', and not '" + simulators.crash_reason() + "'";
    }
    if (ours.now() != simulators.now()) return differs("cycle", ours.now(), simulators.now());
    if (ours.next_address() != simulators.next_address()) {
      return differs("next address", ours.next_address(), simulators.next_address());
    }
    if (ours.flags() != simulators.flags()) return differs("flags", ours.flags(), simulators.flags());
    for (std::uint32_t at = 0; at < kCompared; ++at) {
      if (ours.peek(at) != simulators.peek(at)) {
        return differs("memory at " + std::to_string(at), ours.peek(at), simulators.peek(at));
      }
    }
    return "";
  }
  static constexpr std::uint32_t kCompared = 0x900;  // all of the smaller part's memory
  Witness witness, other;
  VirtualDevice ours, simulators;
};

/// A script for images/register_player.c.
class Script {
 public:
  Script& write(unsigned address, unsigned value) { return step('w', address, value); }
  Script& write_word(unsigned address, unsigned value) {
    return write(address + 1, value >> 8U).write(address, value & 0xFFU);
  }
  Script& read(unsigned address) { return step('r', address, 0); }
  Script& wait(unsigned rounds_of_256) { return step('d', 0, rounds_of_256); }
  Script& until_set(unsigned address, unsigned mask) { return step('u', address, mask); }
  Script& until_clear(unsigned address, unsigned mask) { return step('c', address, mask); }
  Script& enable_interrupts() { return step('i', 0, 0); }
  Script& sleep() { return step('z', 0, 0); }
  Script& back_to(unsigned step_number) { return step('b', 0, step_number); }
  [[nodiscard]] const std::vector<std::uint8_t>& bytes() const { return bytes_; }

 private:
  Script& step(char what, unsigned address, unsigned value) {
    for (const unsigned byte : {static_cast<unsigned>(what), address & 0xFFU, address >> 8U, value}) {
      bytes_.push_back(static_cast<std::uint8_t>(byte));
    }
    return *this;
  }
  std::vector<std::uint8_t> bytes_;
};

/// A register player with its script, ready to run from cycle 0.
struct Player {
  Player(const Script& script, const std::vector<Pin>& watched, const std::string& part = "atmega328p")
      : device(params(watched, part), image_for(script, part), witness) {}
  [[nodiscard]] std::vector<std::uint8_t> results() const {
    std::vector<std::uint8_t> read;
    const std::uint32_t base = device.address_of("results").value();
    const int count = device.peek(device.address_of("result_count").value());
    for (int i = 0; i < count; ++i) {
      read.push_back(device.peek(base + static_cast<std::uint32_t>(i)));
    }
    return read;
  }
  [[nodiscard]] int entries(int routine) const {
    const std::uint32_t at = device.address_of("entries").value() + 2U * static_cast<std::uint32_t>(routine);
    return device.peek(at) | (device.peek(at + 1) << 8);
  }

  Witness witness;
  VirtualDevice device;

 private:
  static DeviceParams params(const std::vector<Pin>& watched, const std::string& part) {
    DeviceParams params;
    params.part = part;
    params.startup_delay_s = 0;
    params.watched = watched;
    return params;
  }
  static Image image_for(const Script& script, const std::string& part) {
    Image image = test_image("register_player", part);
    image.eeprom = script.bytes();
    return image;
  }
};

}  // namespace dawnrig::device
