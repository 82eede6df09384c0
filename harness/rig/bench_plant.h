// The plant of a bench run, in three places at once: what is known to have happened, what the world has been decided to
// be ahead of that, and what the device is expected to need by then. Room: harness/rig. May use plant, harness/profile,
// harness/scenario, harness/trace, harness/link.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <string>
#include <variant>

#include "harness/rig/bench_channels.h"
#include "harness/rig/bench_gate.h"
#include "harness/rig/world.h"
#include "harness/trace/signal.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

/// What happens at an instant of the run beside the plant's own course. Points at what the rig keeps for the run.
struct BenchNote {
  trace::EventKind kind{trace::EventKind::kMark};
  const std::string* text{nullptr};
};

/// Whoever the known plant is told to.
class BenchListener {
 public:
  virtual ~BenchListener() = default;
  virtual void on_sample(const trace::Sample& sample) = 0;
  virtual void on_note(Nanos time, const BenchNote& note) = 0;
  /// `sink` sees samples from here on.
  virtual void on_attach(Nanos time, trace::Sink& sink) = 0;
};

/// Times count from the device's power-up by the board's clock. After its construction nothing allocates, but for a sky
/// or a bouncing connector when it begins.
class BenchPlant final : public plant::StepObserver {
 public:
  /// `board` and `site` must outlive it.
  BenchPlant(const profile::BoardProfile& board, const profile::SiteProfile& site, const scenario::Initial& initial,
             std::uint64_t seed, Injection injection, BenchListener& listener);

  // --- ahead: what the world will be ---
  [[nodiscard]] const World& world() const { return world_; }
  [[nodiscard]] Nanos decided_until() const { return decided_until_; }
  /// Lets the world change by itself until `time`. False: more changes are waiting than can be kept.
  [[nodiscard]] bool decide_until(Nanos time);
  /// Changes the world at decided_until().
  [[nodiscard]] bool change(const scenario::Change& change, const BenchNote& note);
  [[nodiscard]] bool note(const BenchNote& note);
  [[nodiscard]] bool attach(trace::Sink& sink);

  // --- behind: what is known ---
  [[nodiscard]] Nanos known_until() const { return state_.now; }
  [[nodiscard]] const plant::CircuitState& state() const { return state_; }
  [[nodiscard]] const plant::Conditions& conditions() const { return conditions_; }
  [[nodiscard]] const plant::Circuit& circuit() const { return circuit_; }
  [[nodiscard]] const ChannelMap& channels() const { return channels_; }
  /// Follows the captured edges (in the plant's time) up to `to`, and tells the listener.
  [[nodiscard]] plant::AdvanceStatus advance(Nanos to, std::span<const GateEdge> edges);
  /// What the board reports of the device's other outputs, a sum of link::pin: load switch and fault output, as the
  /// profile wires them. Known once a millisecond.
  void follow_pins(std::uint32_t pins);
  /// Tells the listener of the present instant.
  void publish();

  // --- and between them ---
  /// What the outputs have to carry from `from` to `to`, both at or after known_until() and not after decided_until(),
  /// if the gate goes on as `pattern` has it: for either position of the gate the voltage in the middle of the longest
  /// stretch that it is expected to stand so. For a position that is not expected, the voltage in the
  /// middle had the gate gone there at the beginning. Nothing is carried across an edge. False: the plant could not go
  /// on.
  [[nodiscard]] bool expect(const GatePattern& pattern, Nanos from, Nanos to, ChannelLevels& levels) const;

  void on_step(const plant::CircuitState& state, const plant::Conditions& conditions,
               const plant::Probes& probes) override;
  void on_jump(const plant::CircuitState& state, const plant::Conditions& conditions) override;

 private:
  struct Entry {
    Nanos at{0};
    bool changes{false};
    plant::Conditions conditions;  // of `changes`; gate and load switch are not of it
    BenchNote note;
    trace::Sink* sink{nullptr};
  };
  static constexpr std::size_t kEntries = 256;
  [[nodiscard]] Entry* append(Nanos at);
  [[nodiscard]] const Entry& entry(std::size_t age) const { return entries_[(first_ + age) % kEntries]; }
  void meet(const Entry& entry);
  void tell(const plant::Probes& probes);
  struct Look;
  void look(Look& look, const plant::CircuitState& state, const plant::Conditions& conditions) const;
  [[nodiscard]] bool walk(Look& look, plant::CircuitState& state, plant::Conditions& conditions, Nanos to) const;

  const profile::BoardProfile& board_;
  plant::Circuit circuit_;
  World world_;
  ChannelMap channels_;
  BenchListener& listener_;
  Nanos decided_until_{0};
  std::array<Entry, kEntries> entries_;
  std::size_t first_{0}, count_{0};
  plant::Conditions conditions_;
  plant::CircuitState state_;
  bool fault_shown_{false};
  trace::Sample sample_;
};

}  // namespace dawnrig::rig
