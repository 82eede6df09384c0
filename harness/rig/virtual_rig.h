// The rig without hardware: the firmware image in the instruction simulator, closed over the plant by function calls,
// exact to the CPU cycle. Same image, profiles, stimuli and seed: same samples, bit for bit. Room: harness/rig.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "harness/device/image.h"
#include "harness/profile/profile.h"
#include "harness/rig/rig.h"
#include "harness/scenario/stimulus.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

/// What is clamped in. Copied; nothing of it need outlive the rig.
struct VirtualRigSetup {
  profile::BoardProfile board;
  profile::SiteProfile site;
  device::Image image;
  scenario::Initial initial;
  std::uint64_t seed{0};  ///< SRAM at power-up, converter noise
  /// Of the plant's solver, in a simulated second; beyond, the run is invalid. A step-down stage at 31 kHz takes one to
  /// two million, a series stage ten to twenty thousand.
  std::int64_t most_steps_per_s{20'000'000};
};

class VirtualRig final : public Rig {
 public:
  /// Powers the device up at time zero. Throws base::BadInput where image and board do not fit.
  explicit VirtualRig(const VirtualRigSetup& setup);
  ~VirtualRig() override;

  [[nodiscard]] Nanos now() const override;
  void run_until(Nanos until) override;
  void check(const scenario::Change& change) const override;
  void apply(const scenario::Change& change) override;
  void schedule(const scenario::Stimulus& stimulus) override;
  void attach(trace::Sink& sink) override;
  void detach(trace::Sink& sink) override;
  [[nodiscard]] const trace::Sample& latest() const override;
  void mark(const std::string& text) override;
  [[nodiscard]] const std::string& invalid_because() const override;
  [[nodiscard]] const std::string& device_crash() const override;
  bool set_counter(const profile::Counter& counter, std::uint64_t value) override;
  bool stall_processor() override;
  [[nodiscard]] std::int64_t resets() const override;
  [[nodiscard]] std::optional<SettingsMemory> settings_memory() const override;
  [[nodiscard]] bool sees_fault_output() const override { return true; }

  /// Energy that the plant's books cannot account for since power-up. A run in which that is more than a thousandth of
  /// what was turned over is invalid.
  [[nodiscard]] double books_residual_j() const override;
  [[nodiscard]] std::vector<std::uint8_t> eeprom() const;
  [[nodiscard]] std::int64_t idle_cycles() const;  ///< of the device: see VirtualDevice
  [[nodiscard]] const plant::CircuitState& plant_state() const override;

 private:
  class Loop;
  std::unique_ptr<Loop> loop_;
};

}  // namespace dawnrig::rig
