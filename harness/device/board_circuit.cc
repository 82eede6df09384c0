#include "harness/device/board_circuit.h"

#include <algorithm>
#include <cmath>

namespace dawnrig::device {
namespace {

constexpr Pin kSync{'B', 0};
constexpr Pin kTestPattern{'B', 4};
constexpr Pin kTakeOver{'B', 5};
constexpr std::array<Pin, 2> kInvert{{{'C', 0}, {'C', 1}}};
constexpr Pin kSelectGate2{'C', 2};
constexpr Pin kTestGate{'C', 3};
constexpr Pin kSupplyOn{'G', 0};
constexpr Pin kSupplyGood{'J', 7};
/// Each gate goes to two capture units.
constexpr std::array<std::array<Pin, 2>, 2> kGateInputs{{{{{'L', 0}, {'L', 1}}}, {{{'D', 4}, {'E', 7}}}}};
constexpr int kFirstDeviceOutput = 2;  // J2 to J6
constexpr int kDeviceUart = 1;

constexpr std::uint32_t kLoad = 0;
constexpr std::uint32_t kReference = 8;

std::size_t port_index(Pin pin) {
  return static_cast<std::size_t>(pin.port - 'A');
}

}  // namespace

BoardCircuit::BoardCircuit(const BoardCircuitParams& params)
    : params_(params),
      time_constant_cycles_(params.filter_ohm * params.filter_f * static_cast<double>(params.clock_hz)),
      gate_delay_cycles_(std::llround(params.gate_delay_s * static_cast<double>(params.clock_hz))) {
  for (auto& port : drives_) {
    port.fill(Drive::kHighImpedance);
  }
}

std::vector<Pin> BoardCircuit::watched_pins() {
  std::vector<Pin> pins{kSync, kTestPattern, kTakeOver};
  for (const auto& [port, bits] : {std::pair{'A', 8}, {'C', 8}, {'G', 5}}) {
    for (int bit = 0; bit < bits; ++bit) {
      pins.push_back({port, bit});
    }
  }
  return pins;
}

void BoardCircuit::attach(VirtualDevice& processor) {
  processor_ = &processor;
  processor.set_pin_level(kSupplyGood, false);
  show_gates(processor.now());
}

bool BoardCircuit::driven_high(Pin pin) const {
  return drives_[port_index(pin)][static_cast<std::size_t>(pin.bit)] ==
         Drive::kHigh;  // otherwise a resistor pulls down
}

// The bias resistor of a gate's input hangs on the line that inverts it.
bool BoardCircuit::gate_level(int gate) const {
  if (gate == 0 && params_.gate_1_broken) {
    return false;
  }
  if (driven_high(kTestGate)) {
    return driven_high(kTestPattern);
  }
  const auto index = static_cast<std::size_t>(gate);
  return gates_[index].value_or(driven_high(kInvert[index]));
}
bool BoardCircuit::gate_is_on(int gate) const {
  return gate_level(gate) != driven_high(kInvert[static_cast<std::size_t>(gate)]);
}

double BoardCircuit::output_v(int output) const {
  if (!reference_on_) {
    return 0.0;
  }
  const auto index = static_cast<std::size_t>(output);
  const double ideal_v = params_.span_v * static_cast<double>(codes_[index]) / 65535.0;
  return params_.zero_v[index] + ideal_v * (1.0 + params_.gain_error_frac[index]);
}

double BoardCircuit::Tap::v_at(Cycle at, double time_constant_cycles) const {
  const auto passed = static_cast<double>(std::max<Cycle>(at - begin, 0));
  return target_v + (begin_v - target_v) * std::exp(-passed / time_constant_cycles);
}

double BoardCircuit::tap_v(Cycle at, int channel) const {
  const Channel& one = channels_[static_cast<std::size_t>(channel)];
  return (at >= one.now.begin ? one.now : one.before).v_at(at, time_constant_cycles_);
}

// Whatever moved, the switches follow after their delay. A second change within the delay of the first only moves where
// the first was going.
void BoardCircuit::retarget(Cycle at) {
  const bool on = gate_is_on(driven_high(kSelectGate2) ? 1 : 0) && !params_.level_switch_stuck;
  for (int channel = 0; channel < kChannels; ++channel) {
    Channel& one = channels_[static_cast<std::size_t>(channel)];
    const bool follows = driven_high({'A', channel + 4});
    const double target_v = output_v(2 * channel + (on && follows ? 1 : 0));
    if (target_v == one.now.target_v) {
      continue;
    }
    const Cycle begin = at + gate_delay_cycles_;
    if (at >= one.now.begin) {
      one.before = one.now;
    }
    one.now.begin_v = one.before.v_at(begin, time_constant_cycles_);
    one.now.begin = begin;
    one.now.target_v = target_v;
  }
}

void BoardCircuit::show_gates(Cycle at) {
  if (processor_ != nullptr) {
    for (int gate = 0; gate < 2; ++gate) {
      for (const Pin& input : kGateInputs[static_cast<std::size_t>(gate)]) {
        processor_->set_pin_level(input, gate_level(gate));
      }
    }
  }
  retarget(at);
}

void BoardCircuit::set_gate(int gate, std::optional<bool> level) {
  gates_[static_cast<std::size_t>(gate)] = level;
  show_gates(processor_ == nullptr ? 0 : processor_->now());
}

void BoardCircuit::set_device_output(int output, bool level) {
  if (processor_ != nullptr && output >= 0 && output < 5) {
    processor_->set_pin_level({'J', kFirstDeviceOutput + output}, level);
  }
}

std::optional<double> BoardCircuit::sense_v(Cycle at, int channel) {
  if (!driven_high({'A', channel}) || supply_v_ < params_.supply_good_v) {
    return std::nullopt;
  }
  return tap_v(at, channel);
}

void BoardCircuit::switch_supply(Cycle at) {
  supply_v_ = driven_high(kSupplyOn) ? params_.device_supply_v : 0.0;
  if (processor_ != nullptr) {
    processor_->set_pin_level(kSupplyGood, supply_v_ >= params_.supply_good_v);
  }
  retarget(at);
}

void BoardCircuit::on_pin(Cycle at, Pin pin, Drive drive) {
  const bool was_high = driven_high(pin);
  drives_[port_index(pin)][static_cast<std::size_t>(pin.bit)] = drive;
  const bool high = driven_high(pin);
  if (high == was_high) {
    return;
  }
  if (pin == kSync) {
    if (high && shifted_bytes_ == 4) {
      take_word(shifted_);
    } else if (high && shifted_bytes_ > 0) {
      ++bad_words_;
    }
    shifted_bytes_ = 0;
    shifted_ = 0;
  } else if (pin == kTakeOver) {
    if (!high) {
      codes_ = inputs_;
      retarget(at);
      if (on_levels_taken_over) {
        on_levels_taken_over(at);
      }
    }
  } else if (pin == kSupplyOn) {
    switch_supply(at);
  } else if (pin == kTestGate || pin == kInvert[0] || pin == kInvert[1]) {
    show_gates(at);
  } else if (pin == kTestPattern) {
    if (driven_high(kTestGate)) {
      show_gates(at);
    }
  } else {
    retarget(at);
  }
  if (on_lines && (pin.port == 'G' || (pin.port == 'A' && pin.bit < 4))) {
    on_lines(at);
  }
}

// Four bits that nobody reads, four of command, four of address, sixteen of data, four of tail.
void BoardCircuit::take_word(std::uint32_t word) {
  ++words_;
  const std::uint32_t command = (word >> 24) & 0xF;
  const std::uint32_t output = (word >> 20) & 0xF;
  if (command == kLoad && output < inputs_.size()) {
    inputs_[output] = static_cast<std::uint16_t>(word >> 4);
  } else if (command == kReference) {
    reference_on_ = (word & 1) != 0;
  } else {
    ++bad_words_;
  }
}

std::uint8_t BoardCircuit::on_spi_byte(Cycle /*at*/, std::uint8_t out) {
  shifted_ = (shifted_ << 8) | out;
  ++shifted_bytes_;
  return 0xFF;
}

// Read-backs of the channels and the converter's reference are halved, the supply is quartered.
double BoardCircuit::adc_pin_v(Cycle at, int channel) {
  if (channel < kChannels) {
    return tap_v(at, channel) / 2.0;
  }
  if (channel == kChannels) {
    return supply_v_ / 4.0;
  }
  return reference_on_ ? params_.dac_reference_v / 2.0 : 0.0;
}

void BoardCircuit::on_serial_byte(Cycle at, std::uint8_t byte) {
  if (on_host_byte) {
    on_host_byte(at, byte);
  }
}

void BoardCircuit::on_other_serial_byte(Cycle at, int uart, std::uint8_t byte) {
  if (uart == kDeviceUart && serial_connected() && on_device_byte) {
    on_device_byte(at, byte);
  }
}

// The processor lets every pin go by itself; the converter keeps what it shows.
void BoardCircuit::on_reset(Cycle /*at*/, ResetCause /*cause*/) {
  shifted_bytes_ = 0;
  shifted_ = 0;
}

}  // namespace dawnrig::device
