#include "harness/rig/bench_plant.h"

#include <algorithm>

#include "harness/rig/plant_sample.h"

namespace dawnrig::rig {

namespace {

const std::string load_output_on{"load output on"};
const std::string load_output_off{"load output off"};

/// Gate and load switch are the device's doing; everything else is the world's.
void take_over(plant::Conditions& conditions, const plant::Conditions& world) {
  const bool gate_on = conditions.gate_on;
  const bool load_switch_on = conditions.load_switch_on;
  conditions = world;
  conditions.gate_on = gate_on;
  conditions.load_switch_on = load_switch_on;
}

}  // namespace

BenchPlant::BenchPlant(const profile::BoardProfile& board, const profile::SiteProfile& site,
                       const scenario::Initial& initial, std::uint64_t seed, Injection injection,
                       BenchListener& listener)
    : board_{board},
      circuit_{profile::circuit_of(board, site)},
      world_{board, site, initial, seed},
      channels_{board, injection},
      listener_{listener},
      conditions_{world_.conditions()} {
  // Nobody drives the pins yet: the board's resistors decide.
  const auto floating = [](const profile::SwitchPin& pin) {
    return (pin.pull == profile::Pull::kUp) == (pin.polarity == profile::Polarity::kActiveHigh);
  };
  conditions_.gate_on = floating(board.gate);
  conditions_.load_switch_on = board.load_output && floating(*board.load_output);
  fault_shown_ = board.fault_output && floating(*board.fault_output);
  state_ = circuit_.at_rest(world_.at_rest(), conditions_);
}

// --- ahead -----------------------------------------------------------------------------------------------------------

BenchPlant::Entry* BenchPlant::append(Nanos at) {
  if (count_ == kEntries) {
    return nullptr;
  }
  Entry& entry = entries_[(first_ + count_++) % kEntries];
  entry.at = at;
  entry.changes = false;
  entry.note = {};
  entry.sink = nullptr;
  return &entry;
}

bool BenchPlant::decide_until(Nanos time) {
  for (auto next = world_.next_change(); next && *next <= time; next = world_.next_change()) {
    const Nanos at = std::max(*next, decided_until_);
    world_.change_by(at);
    Entry* entry = append(at);
    if (entry == nullptr) {
      return false;
    }
    entry->changes = true;
    entry->conditions = world_.conditions();
  }
  decided_until_ = std::max(decided_until_, time);
  return true;
}

bool BenchPlant::change(const scenario::Change& change, const BenchNote& note) {
  world_.apply(change, decided_until_);
  Entry* entry = append(decided_until_);
  if (entry == nullptr) {
    return false;
  }
  entry->changes = true;
  entry->conditions = world_.conditions();
  entry->note = note;
  return true;
}

bool BenchPlant::note(const BenchNote& note) {
  Entry* entry = append(decided_until_);
  if (entry != nullptr) {
    entry->note = note;
  }
  return entry != nullptr;
}

bool BenchPlant::attach(trace::Sink& sink) {
  Entry* entry = append(decided_until_);
  if (entry != nullptr) {
    entry->sink = &sink;
  }
  return entry != nullptr;
}

// --- behind ----------------------------------------------------------------------------------------------------------

void BenchPlant::publish() {
  tell(circuit_.probe(state_, conditions_));
}

void BenchPlant::tell(const plant::Probes& probes) {
  fill_sample(sample_, state_.now, conditions_, probes, board_.charges_while_on());
  sample_[trace::Signal::kFault] = fault_shown_ ? 1.0 : 0.0;
  listener_.on_sample(sample_);
}

void BenchPlant::on_step(const plant::CircuitState& /*state*/, const plant::Conditions& /*conditions*/,
                         const plant::Probes& probes) {
  tell(probes);
}

void BenchPlant::on_jump(const plant::CircuitState& /*state*/, const plant::Conditions& /*conditions*/) {
  publish();
}

void BenchPlant::meet(const Entry& entry) {
  if (entry.sink != nullptr) {
    listener_.on_attach(state_.now, *entry.sink);
    publish();
  }
  if (entry.note.text != nullptr) {
    listener_.on_note(state_.now, entry.note);
  }
  if (entry.changes) {
    take_over(conditions_, entry.conditions);
    publish();
  }
}

void BenchPlant::follow_pins(std::uint32_t pins) {
  const auto commanded = [pins](std::uint32_t pin, const profile::SwitchPin& output) {
    return ((pins & pin) != 0) == (output.polarity == profile::Polarity::kActiveHigh);
  };
  if (board_.load_output) {
    const bool on = commanded(link::pin::kLoad1, *board_.load_output);
    if (on != conditions_.load_switch_on) {
      conditions_.load_switch_on = on;
      publish();
      listener_.on_note(state_.now, {trace::EventKind::kLoadSwitch, on ? &load_output_on : &load_output_off});
    }
  }
  if (board_.fault_output) {
    const bool shown = commanded(link::pin::kFault, *board_.fault_output);
    if (shown != fault_shown_) {
      fault_shown_ = shown;
      publish();
    }
  }
}

plant::AdvanceStatus BenchPlant::advance(Nanos to, std::span<const GateEdge> edges) {
  std::size_t next_edge = 0;
  for (;;) {
    Nanos stop = to;
    if (next_edge < edges.size()) stop = std::min(stop, edges[next_edge].time);
    if (count_ > 0) stop = std::min(stop, entry(0).at);
    stop = std::max(stop, state_.now);
    if (const auto status = circuit_.advance(state_, conditions_, stop, this); status != plant::AdvanceStatus::kOk) {
      return status;
    }
    if (count_ > 0 && entry(0).at <= state_.now) {
      meet(entry(0));
      first_ = (first_ + 1) % kEntries;
      --count_;
    } else if (next_edge < edges.size() && edges[next_edge].time <= state_.now) {
      const bool on = edges[next_edge++].on;
      if (on != conditions_.gate_on) {
        conditions_.gate_on = on;
        publish();
      }
    } else {
      return plant::AdvanceStatus::kOk;
    }
  }
}

// --- between ---------------------------------------------------------------------------------------------------------

/// What is sought while the expected course is walked.
struct BenchPlant::Look {
  Nanos from{0}, to{0};
  std::array<Nanos, 2> longest{Nanos{-1}, Nanos{-1}};  // stretch seen so far, gate off and on
  ChannelLevels* levels{nullptr};
};

void BenchPlant::look(Look& look, const plant::CircuitState& state, const plant::Conditions& conditions) const {
  const auto volts = channels_.carried_v(state, circuit_.probe(state, conditions), conditions);
  (conditions.gate_on ? look.levels->on_v : look.levels->off_v) = volts;
}

/// Under constant conditions to `to`, looking at the middle of what falls within the slot.
bool BenchPlant::walk(Look& look, plant::CircuitState& state, plant::Conditions& conditions, Nanos to) const {
  const Nanos begin = std::max(state.now, look.from);
  const Nanos end = std::min(to, look.to);
  Nanos& longest = look.longest[conditions.gate_on ? 1 : 0];
  if (end - begin > longest && end >= begin) {
    longest = end - begin;
    if (circuit_.advance(state, conditions, begin + (end - begin) / 2, nullptr) != plant::AdvanceStatus::kOk) {
      return false;
    }
    this->look(look, state, conditions);
  }
  return circuit_.advance(state, conditions, to, nullptr) == plant::AdvanceStatus::kOk;
}

bool BenchPlant::expect(const GatePattern& pattern, Nanos from, Nanos to, ChannelLevels& levels) const {
  Look sought{from, to, {Nanos{-1}, Nanos{-1}}, &levels};
  plant::CircuitState state = state_;
  plant::Conditions conditions = conditions_;
  plant::CircuitState begin = state;
  plant::Conditions there = conditions;
  bool begun = false;
  std::size_t age = 0;
  std::optional<GateEdge> edge = pattern.next_after(state.now);
  while (state.now < to) {
    Nanos stop = begun ? to : std::max(from, state.now);
    if (edge) stop = std::min(stop, std::max(edge->time, state.now));
    if (age < count_) stop = std::min(stop, std::max(entry(age).at, state.now));
    if (!walk(sought, state, conditions, stop)) {
      return false;
    }
    if (!begun && state.now >= from) {
      begin = state;
      there = conditions;
      begun = true;
    }
    for (; age < count_ && entry(age).at <= state.now; ++age) {
      if (entry(age).changes) take_over(conditions, entry(age).conditions);
    }
    if (edge && edge->time <= state.now) {
      conditions.gate_on = edge->on;
      edge = pattern.next_after(state.now);
    }
  }
  for (const bool on : {false, true}) {
    if (sought.longest[on ? 1 : 0].count() >= 0) continue;
    plant::CircuitState other = begin;
    there.gate_on = on;
    if (circuit_.advance(other, there, other.now + (to - from) / 2, nullptr) != plant::AdvanceStatus::kOk) {
      return false;
    }
    look(sought, other, there);
  }
  return true;
}

}  // namespace dawnrig::rig
