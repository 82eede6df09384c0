// A rig: a device in a site, with time passing and the world changing by script. Suites are written against this and do
// not know whether an instruction simulator or a real board is behind it.
// Room: harness/rig. May use plant, harness/device, harness/profile, harness/scenario, harness/trace and what lies
// below.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "harness/profile/profile.h"
#include "harness/scenario/stimulus.h"
#include "harness/trace/signal.h"
#include "plant/circuit.h"
#include "plant/core/time.h"

namespace dawnrig::rig {

class Rig {
 public:
  virtual ~Rig() = default;

  /// Time since power-up.
  [[nodiscard]] virtual Nanos now() const = 0;

  /// Lets time pass until `until`; scheduled stimuli act on the way. Returns early only when the rig can no longer
  /// vouch for the run. A crashed device does not end the run: its pins are dead and the plant goes on.
  virtual void run_until(Nanos until) = 0;
  void run_for(Nanos duration) { run_until(now() + duration); }

  /// Throws base::BadInput, as apply() would, without changing anything: for stimuli that are due later.
  virtual void check(const scenario::Change& change) const = 0;
  /// Changes the world now. Throws base::BadInput for a load or channel that the profiles do not name, and for what
  /// this kind of rig cannot do.
  virtual void apply(const scenario::Change& change) = 0;
  /// Changes the world at `stimulus.time`, or now if that has passed.
  virtual void schedule(const scenario::Stimulus& stimulus) = 0;

  /// Sinks see every sample from here on, starting with the present one. They must outlive their attachment.
  virtual void attach(trace::Sink& sink) = 0;
  virtual void detach(trace::Sink& sink) = 0;

  /// The present sample: voltages, currents and pins as they are now.
  [[nodiscard]] virtual const trace::Sample& latest() const = 0;

  /// Puts a note into the trace.
  virtual void mark(const std::string& text) = 0;

  /// Why the run cannot be trusted; empty: it can.
  [[nodiscard]] virtual const std::string& invalid_because() const = 0;
  /// What the firmware did that no firmware may do (illegal instruction, access outside memory); empty: nothing.
  [[nodiscard]] virtual const std::string& device_crash() const = 0;

  /// Writes a counter of the firmware, through its declared hook. False: this rig or image offers no such way.
  virtual bool set_counter(const profile::Counter& counter, std::uint64_t value) = 0;
  /// Stops the processor from executing until its next reset; peripherals run on. False: this rig cannot.
  virtual bool stall_processor() = 0;

  [[nodiscard]] virtual std::int64_t resets() const = 0;
  /// The settings memory, and how many of its bytes have been written since power-up: in all, and each. nullopt: this
  /// rig cannot look.
  struct SettingsMemory {
    std::vector<std::uint8_t> bytes;
    std::int64_t writes{0};
    std::vector<std::int64_t> cell_writes;
  };
  [[nodiscard]] virtual std::optional<SettingsMemory> settings_memory() const { return std::nullopt; }
  /// Whether Signal::kFault follows the board's fault output; otherwise it stays 0.
  [[nodiscard]] virtual bool sees_fault_output() const { return false; }

  /// Energy that the plant's books cannot account for since power-up.
  [[nodiscard]] virtual double books_residual_j() const = 0;
  [[nodiscard]] virtual const plant::CircuitState& plant_state() const = 0;

  /// What the rig has to say about how the run went, a sentence each; for the trace and the report.
  [[nodiscard]] virtual std::vector<std::string> rig_notes() const { return {}; }
  /// How far a voltage at the battery terminals may be from what the device was shown (k = 2). Limits are narrowed by
  /// it.
  [[nodiscard]] virtual double voltage_uncertainty_v() const { return 0.0; }
};

}  // namespace dawnrig::rig
