#include "harness/rig/twin.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>
#include <optional>

#include "harness/base/bad_input.h"
#include "harness/device/virtual_device.h"
#include "harness/rig/pin_level.h"
#include "harness/rig/twin_filter.h"
#include "plant/sense/adc_input.h"

namespace dawnrig::rig {

namespace {

constexpr Nanos kSlice{250'000};
constexpr double kNanosPerSecond = 1e9;
constexpr const char* kBoardPart = "atmega2560";
constexpr std::int64_t kBoardClockHz = 16'000'000;
constexpr int kLoad1Output = 0, kFaultOutput = 2;  // places among the interface board's inputs for a device's outputs

/// Between true time and the cycles of a processor whose crystal is a little off.
class Crystal {
 public:
  Crystal(std::int64_t clock_hz, double error_frac) : hz_{static_cast<double>(clock_hz) * (1.0 + error_frac)} {}
  [[nodiscard]] device::Cycle cycle_at(Nanos time) const {
    return static_cast<device::Cycle>(std::ceil(static_cast<double>(time.count()) * hz_ / kNanosPerSecond));
  }
  [[nodiscard]] Nanos time_at(device::Cycle cycle) const {
    return Nanos{std::llround(static_cast<double>(cycle) * kNanosPerSecond / hz_)};
  }

 private:
  double hz_;
};

/// What drives the pin: of a divider both arms side by side.
double source_ohm(const plant::SenseParams& sense) {
  const auto parallel = [](double a, double b) { return a * b / (a + b); };
  if (const auto* divider = std::get_if<plant::DividerParams>(&sense.network)) {
    return parallel(divider->r_top_ohm, divider->r_bottom_ohm);
  }
  if (const auto* offset = std::get_if<plant::OffsetDividerParams>(&sense.network)) {
    return parallel(offset->r_top_ohm, offset->r_bottom_ohm);
  }
  if (const auto* thermistor = std::get_if<plant::ThermistorInputParams>(&sense.network)) {
    return parallel(thermistor->r_fixed_ohm, thermistor->r_fixed_ohm);
  }
  return std::get<plant::ShuntAmplifierParams>(sense.network).r_out_ohm;
}
double capacitance_f(const plant::SenseParams& sense) {
  return std::visit([](const auto& network) { return network.capacitance_f; }, sense.network);
}

struct TimedByte {
  Nanos due{0};
  std::uint8_t byte{0};
};

}  // namespace

struct Twin::Impl final : device::Surroundings {
  Impl(const TwinSetup& given, link::ByteStream& host_line)
      : setup{given},
        line{host_line},
        channels{setup.board, setup.injection},
        board_crystal{kBoardClockHz, setup.board_clock_error_frac},
        device_crystal{setup.board.device.clock_hz, setup.device_clock_error_frac},
        circuit{circuit_params(setup)} {
    device::DeviceParams board_params;
    board_params.part = kBoardPart;
    board_params.clock_hz = kBoardClockHz;
    board_params.aref_v = setup.circuit.board_reference_v;
    board_params.seed = setup.seed ^ 0x626F'6172'64ULL;
    board_params.watched = device::BoardCircuit::watched_pins();
    board = std::make_unique<device::VirtualDevice>(board_params, setup.board_image, circuit);
    if (!setup.board_eeprom.empty()) board->set_eeprom(setup.board_eeprom);
    circuit.attach(*board);
    listen();

    device::DeviceParams device_params = setup.board.device;
    device_params.seed = setup.seed;
    dut = std::make_unique<device::VirtualDevice>(device_params, setup.image, *this);
    if (setup.board.eeprom) dut->set_eeprom(*setup.board.eeprom);
    dut->power_off();
    resets.clear();
    for (std::size_t c = 0; c < link::kChannels; ++c) {
      if (!channels.sense()[c]) continue;
      const plant::SenseParams& sense = setup.board.sense[*channels.sense()[c]].network;
      const double ohm = setup.injection == Injection::kAtPin ? setup.circuit.filter_ohm : source_ohm(sense);
      filters[c].set_tau_s(ohm * capacitance_f(sense));
    }
    show_pins();
  }

  static device::BoardCircuitParams circuit_params(const TwinSetup& setup) {
    device::BoardCircuitParams params = setup.circuit;
    params.clock_hz = kBoardClockHz;
    params.device_supply_v = setup.board.device.supply_v;
    return params;
  }

  void listen() {
    circuit.on_host_byte = [this](device::Cycle at, std::uint8_t byte) {
      to_host.push_back({board_crystal.time_at(at) + setup.latency, byte});
    };
    circuit.on_device_byte = [this](device::Cycle /*at*/, std::uint8_t byte) { to_device.push_back(byte); };
    circuit.on_levels_taken_over = [this](device::Cycle at) { filter_until(board_crystal.time_at(at)); };
    circuit.on_lines = [this](device::Cycle at) { filter_until(board_crystal.time_at(at)); };
  }

  // --- the device's surroundings -------------------------------------------------------------------------------------

  void on_pin(device::Cycle at, device::Pin pin, device::Drive /*drive*/) override {
    if (!dut) return;  // it is being made
    const Nanos time = device_crystal.time_at(at);
    bring_board_to(time);
    if (pin == setup.board.gate.pin) show_gate(time);
    if (setup.board.load_output && pin == setup.board.load_output->pin) show_load(time);
    if (setup.board.fault_output && pin == setup.board.fault_output->pin) show_fault();
  }

  double adc_pin_v(device::Cycle at, int channel) override {
    const Nanos time = device_crystal.time_at(at);
    bring_board_to(time);
    filter_until(time);
    for (std::size_t c = 0; c < link::kChannels; ++c) {
      if (!channels.sense()[c] || setup.board.sense[*channels.sense()[c]].adc_channel != channel) continue;
      const std::size_t sense = *channels.sense()[c];
      const plant::SenseParams& network = setup.board.sense[sense].network;
      const double ohm = setup.injection == Injection::kAtPin ? setup.circuit.filter_ohm : source_ohm(network);
      const plant::Sampled sampled =
          plant::sample_pin(setup.board.adc_input, {filters[c].v(), capacitance_f(network), 1.0 / ohm}, held_v);
      filters[c].pull(sampled.pin_step_v);
      held_v = sampled.held_v;
      if (owner->on_conversion) owner->on_conversion(time, sense, held_v);
      return held_v;
    }
    held_v = own_pin_v(channel);
    return held_v;
  }

  /// What the device measures of itself with no output of the interface board to say otherwise: a heat sink in a room.
  [[nodiscard]] double own_pin_v(int adc_channel) const {
    constexpr double kRoomDegc = 25.0;
    for (const profile::SenseChannel& sense : setup.board.sense) {
      if (sense.adc_channel != adc_channel || sense.quantity != profile::Quantity::kHeatSinkTemperature) continue;
      return plant::resting_pin_v(sense.network, kRoomDegc, setup.board.device.supply_v, kRoomDegc);
    }
    return 0.0;
  }

  void on_serial_byte(device::Cycle at, std::uint8_t byte) override {
    bring_board_to(device_crystal.time_at(at));
    board->send_serial({&byte, 1}, 1);
  }

  void on_reset(device::Cycle at, device::ResetCause cause) override {
    static constexpr const char* kCauses[] = {"power-on reset", "reset pin", "brown-out reset", "watchdog reset"};
    resets.push_back({device_crystal.time_at(at), kCauses[static_cast<std::size_t>(cause)]});
  }

  // --- wires ---------------------------------------------------------------------------------------------------------

  void show_gate(Nanos time) {
    const bool level = joined.value_or(level_of(dut->drive_of(setup.board.gate.pin), setup.board.gate.pull));
    const bool conducts = commanded_on(dut->drive_of(setup.board.gate.pin), setup.board.gate);
    if (gate_level && *gate_level == level) return;
    gate_level = level;
    filter_until(time);
    circuit.set_gate(0, level);
    if (owner != nullptr && owner->on_gate) owner->on_gate(time, conducts);
  }

  void show_load(Nanos time) {
    const device::Drive drive = dut->drive_of(setup.board.load_output->pin);
    circuit.set_device_output(kLoad1Output, level_of(drive, setup.board.load_output->pull));
    if (owner != nullptr && owner->on_load_switch) {
      owner->on_load_switch(time, commanded_on(drive, *setup.board.load_output));
    }
  }

  void show_fault() {
    const profile::SwitchPin& output = *setup.board.fault_output;
    circuit.set_device_output(kFaultOutput, level_of(dut->drive_of(output.pin), output.pull));
  }

  void show_pins() {
    show_gate(now);
    if (setup.board.load_output) show_load(now);
    if (setup.board.fault_output) show_fault();
  }

  void bring_board_to(Nanos time) { static_cast<void>(board->run_until(board_crystal.cycle_at(time))); }

  void filter_until(Nanos time) {
    for (std::size_t c = 0; c < link::kChannels; ++c) {
      if (!channels.sense()[c]) continue;
      filters[c].advance(time, [this, c](Nanos at) {
        return circuit.sense_v(board_crystal.cycle_at(at), static_cast<int>(c)).value_or(0.0);
      });
    }
  }

  void exchange_with_host() {
    std::array<std::uint8_t, 256> chunk;
    for (std::size_t got = line.read(chunk); got > 0; got = line.read(chunk)) {
      for (std::size_t i = 0; i < got; ++i) from_host.push_back({now + setup.latency, chunk[i]});
    }
    while (!from_host.empty() && from_host.front().due <= now) {
      board->send_serial({&from_host.front().byte, 1});
      from_host.pop_front();
    }
    while (!to_host.empty() && to_host.front().due <= now) {
      const std::uint8_t byte = to_host.front().byte;
      static_cast<void>(line.write({&byte, 1}));  // a line that is full or gone loses it, as a wire would
      to_host.pop_front();
    }
  }

  void act_on_device() {
    const bool supplied = circuit.device_supply_v() >= setup.circuit.supply_good_v;
    if (supplied != powered) {
      powered = supplied;
      supplied ? dut->power_on() : dut->power_off();
      show_pins();
    }
    if (circuit.reset_pulled() != reset_held) {
      reset_held = circuit.reset_pulled();
      dut->hold_reset(reset_held);
      show_pins();
    }
    if (!to_device.empty()) {
      dut->send_serial(to_device);
      to_device.clear();
    }
  }

  void run_until(Nanos until) {
    while (now < until) {
      exchange_with_host();
      const Nanos stop = std::min(until, now + kSlice);
      static_cast<void>(dut->run_until(device_crystal.cycle_at(stop)));
      bring_board_to(stop);
      filter_until(stop);
      now = stop;
      act_on_device();
    }
    exchange_with_host();
  }

  const TwinSetup setup;
  link::ByteStream& line;
  Twin* owner{nullptr};
  ChannelMap channels;
  Crystal board_crystal, device_crystal;
  device::BoardCircuit circuit;
  std::unique_ptr<device::VirtualDevice> board;
  std::unique_ptr<device::VirtualDevice> dut;
  std::array<PinFilter, link::kChannels> filters;
  double held_v{0};
  std::optional<bool> gate_level;
  std::optional<bool> joined;
  bool powered{false};
  bool reset_held{false};
  std::deque<TimedByte> from_host, to_host;
  std::vector<std::uint8_t> to_device;
  std::vector<Reset> resets;
  std::string no_crash;
  Nanos now{0};
};

Twin::Twin(const TwinSetup& setup, link::ByteStream& line) : impl_{std::make_unique<Impl>(setup, line)} {
  impl_->owner = this;
}
Twin::~Twin() = default;

Nanos Twin::now() const {
  return impl_->now;
}
void Twin::run_until(Nanos until) {
  impl_->run_until(until);
}
void Twin::stall() {
  impl_->dut->stall();
}

bool Twin::set_counter(const profile::Counter& counter, std::uint64_t value) {
  std::optional<std::uint32_t> address;
  if (const auto* symbol = std::get_if<std::string>(&counter.place)) {
    address = impl_->dut->address_of(*symbol);
  } else {
    address = std::get<std::uint32_t>(counter.place);
  }
  if (!address) return false;
  for (int i = 0; i < counter.width_bytes; ++i) {
    impl_->dut->poke(*address + static_cast<std::uint32_t>(i), static_cast<std::uint8_t>(value >> (8 * i)));
  }
  return true;
}

const std::string& Twin::crash() const {
  return impl_->dut->crash_reason();
}
Rig::SettingsMemory Twin::settings_memory() const {
  return {impl_->dut->eeprom(), impl_->dut->eeprom_writes(), impl_->dut->eeprom_cell_writes()};
}
const std::vector<DeviceAccess::Reset>& Twin::resets() const {
  return impl_->resets;
}
std::vector<std::uint8_t> Twin::board_eeprom() const {
  return impl_->board->eeprom();
}
bool Twin::device_powered() const {
  return impl_->powered;
}
double Twin::pin_v(std::size_t channel) const {
  return impl_->filters.at(channel).v();
}
std::optional<double> Twin::output_v(std::size_t channel) {
  return impl_->circuit.sense_v(impl_->board->now(), static_cast<int>(channel));
}
void Twin::join_gate(std::optional<bool> level) {
  impl_->joined = level;
  impl_->gate_level.reset();
  impl_->show_gate(impl_->now);
}

void TwinClock::sleep_until(Nanos time) {
  if (time > now_) {
    twin_.run_until(time);
    now_ = time;
  }
}

link::Calibration true_calibration(const device::BoardCircuitParams& circuit, std::uint32_t serial_number,
                                   std::uint32_t day) {
  link::Calibration calibration;
  calibration.serial_number = serial_number;
  calibration.calibrated_day = day;
  calibration.board_mdegc = 25'000;
  calibration.uncertainty_uv = 500;
  for (std::size_t i = 0; i < link::kOutputs; ++i) {
    calibration.output[i] = {
        static_cast<std::int32_t>(std::lround(1e6 * circuit.zero_v[i])),
        static_cast<std::uint32_t>(std::lround(1e6 * circuit.span_v * (1.0 + circuit.gain_error_frac[i]))), 0};
  }
  const auto span_uv = [&](double divided) {
    return static_cast<std::uint32_t>(std::lround(1e6 * circuit.board_reference_v * divided));
  };
  for (std::size_t i = 0; i < link::kReadbacks; ++i) calibration.readback[i] = {0, span_uv(i == 4 ? 4.0 : 2.0)};
  calibration.valid = true;
  return calibration;
}

}  // namespace dawnrig::rig
