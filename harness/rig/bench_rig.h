// The rig with a real device, or what stands for one, behind an interface board. Room: harness/rig. May use
// harness/link and the rooms below harness/rig.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "harness/link/session.h"
#include "harness/rig/bench_loop.h"
#include "harness/rig/bench_trust.h"
#include "harness/rig/rig.h"

namespace dawnrig::rig {

/// What can be done to a device that is simulated, and only to that.
class DeviceAccess {
 public:
  virtual ~DeviceAccess() = default;
  struct Reset {
    Nanos host{0};  ///< when, by the clock of whoever asks
    std::string cause;
  };
  virtual void stall() = 0;
  virtual bool set_counter(const profile::Counter& counter, std::uint64_t value) = 0;
  [[nodiscard]] virtual const std::string& crash() const = 0;
  [[nodiscard]] virtual Rig::SettingsMemory settings_memory() const = 0;
  /// All so far, the power-up included.
  [[nodiscard]] virtual const std::vector<Reset>& resets() const = 0;
};

struct BenchRigSetup {
  profile::BoardProfile board;
  profile::SiteProfile site;
  scenario::Initial initial;
  std::uint64_t seed{0};
  BenchSettings settings;
  TrustBounds trust;
  /// The loop in a thread of its own, with whatever real-time rights there are. Without, time passes only in calls of
  /// the rig: for a clock that a simulation moves.
  bool in_real_time{true};
  /// Where the last seconds are written if the run becomes invalid; empty: nowhere.
  std::filesystem::path flight_file;
  /// Lead as the round trip asks for that was found when the bench was examined, in place of the settings'.
  bool lead_from_round_trip{false};
  std::vector<std::string> notes;          ///< what is known of the bench beforehand, for rig_notes()
  std::shared_ptr<const void> kept_alive;  ///< what the stream and the clock belong to, if that is to go with the rig
};

class BenchRig final : public Rig {
 public:
  /// Examines the bench and configures the board; the device gets its supply with the first time that passes. What
  /// is wrong with the bench makes the run invalid from its beginning. Throws base::BadInput where the profile does
  /// not suit an interface board. `access`: of a simulated device, or null. Stream and clock must outlive the rig.
  BenchRig(BenchRigSetup setup, link::ByteStream& stream, link::Clock& clock, DeviceAccess* access);
  /// Leaves the board in its safe state, the device without supply.
  ~BenchRig() override;

  [[nodiscard]] Nanos now() const override;
  /// Everything up to `until` has been told when it returns.
  void run_until(Nanos until) override;
  void check(const scenario::Change& change) const override;
  /// Acts at the next instant for which no level has been sent to the board yet, some milliseconds from now(): the
  /// device sees the change when the plant makes it. Sinks that are attached before time goes on see it happen.
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
  /// These two end the run: the plant is looked at when it stands still.
  [[nodiscard]] double books_residual_j() const override;
  [[nodiscard]] const plant::CircuitState& plant_state() const override;
  /// As it is at this instant, some milliseconds ahead of now().
  [[nodiscard]] std::optional<SettingsMemory> settings_memory() const override;
  [[nodiscard]] bool sees_fault_output() const override { return true; }
  [[nodiscard]] std::vector<std::string> rig_notes() const override;
  [[nodiscard]] double voltage_uncertainty_v() const override;

  [[nodiscard]] const Trust& trust() const;
  [[nodiscard]] Nanos zero() const;  ///< of the run, on the board's clock

 private:
  class Impl;
  std::shared_ptr<const void> kept_alive_;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::rig
