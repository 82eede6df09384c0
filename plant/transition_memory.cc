#include "plant/transition_memory.h"

#include <algorithm>
#include <cmath>

#include "plant/gate_stepper.h"

namespace dawnrig::plant {
namespace {

using Vector = CircuitSystem::Vector;

// What is worth remembering: from the edge until the integrator would take steps as long as this.
constexpr double kQuietStepS = 5e-5;
constexpr Nanos kLongestTransition{500'000};
// Built at this visit: what comes by more seldom is cheaper to integrate.
constexpr int kVisitsToBuild = 8;
// In less light what is allowed to bend would be much of what flows.
constexpr double kLeastPoaWpm2 = 50.0;

constexpr double kFeltK = 0.25;

// Where a circuit stands, for this purpose: a vector of unknowns in which kFast is the battery's inner voltage, which
// is what matters of it, kBus how far the bus is above that, and kInput, while the gate is off, how far the input is
// above the bus. A battery that fills moves all of them together, and then hardly anything changes.
//
// The grid over them: with the charge, the rate of the battery's polarisation changes, and with the rest of its state
// very little.
constexpr double kInputGridV = 0.2;
constexpr double kBusGridV = 0.02;
constexpr double kInnerGridV = 0.1;
constexpr double kSocGrid = 0.0005;
constexpr double kSlowGridV = 0.5;
constexpr double kHysteresisGrid = 0.2;
constexpr double kBatteryGridK = 1.0;
constexpr double kCellGridK = 1.0;
constexpr double kPoaGridWpm2 = 10.0;
constexpr double kLoadGrid = 0.05;
constexpr double kPinGridV = 0.1;

// How far a figure may bend between the middle of a cell and its edge.
constexpr double kMostBusBendV = 5e-5;
constexpr double kMostInputBendV = 5e-3;
constexpr double kMostPinBendV = 2e-4;
constexpr double kMostBendA = 0.01;
constexpr double kMostSpikeBendA = 1.0;  // of what flows while the capacitors level out
constexpr double kMostBookBendJ = 1e-6;
constexpr double kMostBendAh = 5e-11;
constexpr double kMostSlowBend = 2e-7;  // volts, shares and kelvin alike
constexpr double kMostLoadBend = 1e-4;

constexpr std::array kColumns{Slot::kInput,      Slot::kBus,         Slot::kFast, Slot::kSlow,    Slot::kSoc,
                              Slot::kHysteresis, Slot::kBatteryDegc, Slot::kPoa,  Slot::kCellDegc};

// Where the figures of a Sample stand in a row of them.
constexpr std::size_t kBusShown = 1;
constexpr std::size_t kNetShown = 7;

constexpr std::size_t kOfBoth = Transition::kOfStep + Transition::kOfEnd;  // what a step shows, and what it has moved

double grid(std::size_t slot, std::size_t first_sense) {
  switch (slot) {
    case Slot::kInput:
      return kInputGridV;
    case Slot::kBus:
      return kBusGridV;
    case Slot::kFast:
      return kInnerGridV;
    case Slot::kSlow:
      return kSlowGridV;
    case Slot::kSoc:
      return kSocGrid;
    case Slot::kHysteresis:
      return kHysteresisGrid;
    case Slot::kBatteryDegc:
      return kBatteryGridK;
    case Slot::kCellDegc:
      return kCellGridK;
    case Slot::kPoa:
      return kPoaGridWpm2;
    default:
      return slot < first_sense ? kLoadGrid : kPinGridV;
  }
}

// A full battery, darkness and a cold lamp lie on the rim of a cell, not in its middle: there are bends just there.
std::int32_t cell_of(double x, double per_width) {
  const double of_width = x * per_width;
  const double at = of_width > -1e9 ? std::min(of_width, 1e9) : -1e9;  // also what is not a number
  const auto towards_zero = static_cast<std::int32_t>(at);
  return towards_zero - (at > static_cast<double>(towards_zero) ? 0 : 1);
}
double middle_of(double x, double width) {
  return (cell_of(x, 1.0 / width) + 0.5) * width;
}

bool has_cell(std::size_t slot) {
  return slot != Slot::kInductor && (slot < Slot::kPanelJ || slot >= Slot::kFirstLoad);
}

// What a Sample shows, of a system that was just evaluated at y.
std::array<Figure, Transition::kOfStep> shown(const CircuitSystem& system, const Vector& y) {
  const CircuitPoint& q = system.point();
  std::array<Figure, Transition::kOfStep> figures{y[Slot::kInput],     y[Slot::kBus],  q.panel.current_a,
                                                  system.charge_a(),   q.load_a,       q.load_v,
                                                  q.battery.gassing_a, y[Slot::kNetAh]};
  std::copy(y.begin() + system.first_sense(), y.begin() + system.size(), figures.begin() + Transition::kShown);
  return figures;
}

// What the place says, as unknowns.
Vector unknowns_at(const CircuitSystem& system, const Vector& place, bool gate_on) {
  Vector y = place;
  y[Slot::kFast] = 0.0;
  y[Slot::kFast] = place[Slot::kFast] - system.parts().battery.inner_v(CircuitSystem::battery_of(y));
  y[Slot::kBus] += place[Slot::kFast];
  if (!gate_on) y[Slot::kInput] += y[Slot::kBus];
  return y;
}

}  // namespace

TransitionMemory::TransitionMemory(const CircuitParams& checked) : entries_(kSets * kWays) {
  static_assert(Transition::kMoving.size() + kMaxLoads <= Transition::kOfEnd);
  const std::size_t first_sense = Slot::kFirstLoad + checked.loads.size();
  for (std::size_t slot = 0; slot < first_sense + checked.sense.size(); ++slot) {
    if (has_cell(slot)) sides_[side_count_++] = {slot, 1.0 / grid(slot, first_sense)};
  }
  const std::size_t blocks = kColumns.size() + checked.loads.size() + 2;
  for (Entry& entry : entries_) {
    entry.transition.blocks_.resize(blocks * Transition::kMostSteps * kOfBoth);
    entry.transition.charged_.resize(blocks);
    entry.transition.loads_ = checked.loads.size();
    entry.transition.pins_ = checked.sense.size();
  }
  for (std::vector<double>* out : {&middle_out_, &more_out_, &less_out_, &bend_}) {
    out->resize(Transition::kMostSteps * kOfBoth);
  }
}

TransitionMemory::Key TransitionMemory::key_of(const Vector& place, bool gate_on) const {
  Key key{};
  for (std::size_t i = 0; i < side_count_; ++i) {
    key[i] = cell_of(place[sides_[i].slot], sides_[i].per_width);
  }
  key[side_count_] = gate_on ? 1 : 0;
  return key;
}

TransitionMemory::Entry& TransitionMemory::entry_of(const Key& key) {
  std::size_t& last = last_entry_[static_cast<std::size_t>(key[side_count_])];
  if (entries_[last].taken && entries_[last].key == key) return entries_[last];
  std::uint64_t hash = 14695981039346656037ULL;  // FNV-1a over whole numbers in place of bytes
  for (std::size_t i = 0; i <= side_count_; ++i) hash = (hash ^ static_cast<std::uint32_t>(key[i])) * 1099511628211ULL;
  hash ^= hash >> 32;
  Entry* const set = entries_.data() + (hash % kSets) * kWays;
  Entry* oldest = set;
  for (Entry* e = set; e != set + kWays; ++e) {
    if (e->taken && e->key == key) {
      last = static_cast<std::size_t>(e - entries_.data());
      return *e;
    }
    if (!oldest->taken) continue;
    if (!e->taken || e->last < oldest->last) oldest = e;
  }
  oldest->key = key;
  oldest->taken = true;
  oldest->visits = 0;
  oldest->use = Use::kNone;
  last = static_cast<std::size_t>(oldest - entries_.data());
  return *oldest;
}

void TransitionMemory::meet(const CircuitRun& run) {
  conditions_.sun = run.conditions.sun;
  conditions_.gate_on = run.conditions.gate_on;
  const std::size_t side = run.conditions.gate_on ? 1 : 0;
  if (met_run_[side]) return;
  met_run_[side] = true;
  if (met_ && standing_ == run.standing && conditions_ == run.conditions) return;
  met_run_[1 - side] = false;
  for (Entry& entry : entries_) entry.taken = false;
  conditions_ = run.conditions;
  standing_ = run.standing;
  met_ = true;
}

double TransitionMemory::felt_degc(double stage_degc) {
  if (!(std::abs(stage_degc - felt_degc_) <= kFeltK)) felt_degc_ = stage_degc;
  return felt_degc_;
}

CircuitRun& TransitionMemory::run_under(const CircuitParams& params, const CircuitParts& parts,
                                        const Conditions& conditions, const Standing& with) {
  const std::size_t side = conditions.gate_on ? 1 : 0;
  std::optional<CircuitRun>& run = runs_[side];
  if (!run || !run->serves(params, conditions, with)) {
    run.emplace(params, parts, conditions, with);
    met_run_[side] = false;
  }
  return *run;
}

TransitionMemory::Recalled TransitionMemory::recall(CircuitRun& run, const Vector& y, Nanos left) {
  CircuitSystem& system = run.system;
  if (!system.battery_connected() || !system.panel_connected() || y[Slot::kPoa] < kLeastPoaWpm2) return {};
  meet(run);
  const bool gate_on = run.conditions.gate_on;
  const Vector place = Transition::place_of(system, y, gate_on);
  Entry& entry = entry_of(key_of(place, gate_on));
  entry.last = ++clock_;
  if (entry.use == Use::kNone) {
    if (++entry.visits < kVisitsToBuild) return {};
    const double slope = system.sun_slope_wpm2_per_s();
    system.set_sun_slope(0.0);
    build(system, place, run.inverse_tolerance, entry);
    system.set_sun_slope(slope);
    system.follow_battery(y);
    run.stepper.forget();
  }
  if (entry.use == Use::kBent || entry.transition.length() > left) return {};
  ++recalled_;
  return {&entry.transition, entry.transition.away(place)};
}

void TransitionMemory::build(CircuitSystem& system, const Vector& place, const Vector& inverse_tolerance,
                             Entry& entry) {
  Transition& t = entry.transition;
  t.middle_ = place;
  const auto to_middle = [&](std::size_t slot) {
    t.middle_[slot] = middle_of(place[slot], grid(slot, system.first_sense()));
  };
  t.columns_ = 0;
  for (const std::size_t slot : kColumns) {
    if (slot == Slot::kHysteresis && system.parts().battery.hysteresis_v() == 0.0) continue;
    t.column_slot_[t.columns_++] = slot;
    to_middle(slot);
  }
  for (std::size_t i = 0; i < t.loads_; ++i) {
    const std::size_t slot = Slot::kFirstLoad + i;
    if (idle_when_off(system.params().loads[i]) || (!conditions_.loads[i].on && place[slot] == 0.0)) continue;
    t.column_slot_[t.columns_++] = slot;
    to_middle(slot);
  }
  for (std::size_t k = system.first_sense(); k < system.size(); ++k) to_middle(k);
  entry.use = lay_out(system, inverse_tolerance, t) ? Use::kStraight : Use::kBent;
  if (entry.use == Use::kStraight) ++built_;
}

bool TransitionMemory::lay_out(CircuitSystem& system, const Vector& inverse_tolerance, Transition& t) {
  // Which steps the integrator takes from the middle.
  GateStepper stepper{system, inverse_tolerance, 0.0};
  Vector y = unknowns_at(system, t.middle_, conditions_.gate_on);
  system.follow_battery(y);
  Nanos at{0};
  for (t.steps_ = 0; t.steps_ < Transition::kMostSteps && at < kLongestTransition;) {
    const Nanos took = stepper.step(y, 4 * kLongestTransition);
    if (took.count() == 0) return false;
    at += took;
    t.ends_[t.steps_++] = at;
    if (stepper.proposed_s() > kQuietStepS) break;
  }
  if (!run(system, inverse_tolerance, t, t.middle_, middle_out_)) return false;
  std::fill(bend_.begin(), bend_.end(), 0.0);
  std::fill(t.blocks_.begin(), t.blocks_.end(), 0.0);
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double* const figures = middle_out_.data() + i * kOfBoth;
    std::copy_n(figures, Transition::kOfStep, t.blocks_.data() + t.block_at(i));
    std::copy_n(figures + Transition::kOfStep, Transition::kOfEnd, t.blocks_.data() + t.end_at(i));
  }
  const double start_v = unknowns_at(system, t.middle_, conditions_.gate_on)[Slot::kBus];
  t.lowest_v_ = t.highest_v_ = 0.0;
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double moved_v = middle_out_[i * kOfBoth + kBusShown] - start_v;
    t.lowest_v_ = std::min(t.lowest_v_, moved_v);
    t.highest_v_ = std::max(t.highest_v_, moved_v);
  }
  t.lowest_v_ -= kBusGridV;
  t.highest_v_ += kBusGridV;
  for (std::size_t c = 0; c <= t.columns_; ++c) {
    double width = 0.0;
    const Vector more = beside_middle(system, t, c, 0.5, width);
    const Vector less = beside_middle(system, t, c, -0.5, width);
    if (!run(system, inverse_tolerance, t, more, more_out_) || !run(system, inverse_tolerance, t, less, less_out_)) {
      return false;
    }
    differentiate(t, c, width);
  }
  for (std::size_t i = 0; i < t.steps_; ++i) {
    for (std::size_t c = 0; c <= t.columns_; ++c) {
      const double* const row = t.blocks_.data() + t.block_at(i) + c * Transition::kOfStep;
      t.charged_[c].bus_v[i] = row[kBusShown];
      t.charged_[c].net_ah[i] = row[kNetShown];
    }
  }
  return straight_enough(t);
}

// As many grid widths off the middle in one column; the one after the last is that of all pins at once, of which each
// moves only itself.
Vector TransitionMemory::beside_middle(const CircuitSystem& system, const Transition& t, std::size_t column, double by,
                                       double& width) {
  Vector place = t.middle_;
  if (column == t.columns_) {
    width = kPinGridV;
    for (std::size_t k = system.first_sense(); k < system.size(); ++k) place[k] += by * width;
    return place;
  }
  const std::size_t slot = t.column_slot_[column];
  width = grid(slot, system.first_sense());
  place[slot] += by * width;
  return place;
}

// The circuit at the end of each of t's steps from a place, and by how much the rest has moved until there.
bool TransitionMemory::run(CircuitSystem& system, const Vector& inverse_tolerance, const Transition& t,
                           const Vector& place, std::vector<double>& out) const {
  Vector y = unknowns_at(system, place, conditions_.gate_on);
  GateStepper stepper{system, inverse_tolerance, 0.0};
  system.follow_battery(y);
  const Vector start = y;
  std::fill(out.begin(), out.end(), 0.0);
  Nanos at{0};
  for (std::size_t i = 0; i < t.steps_; ++i) {
    if (!stepper.forced(y, t.ends_[i] - at)) return false;
    at = t.ends_[i];
    if (!stepper.look(y)) return false;
    const auto figures = shown(system, y);
    double* moved = std::copy(figures.begin(), figures.end(), out.data() + i * kOfBoth);
    for (const std::size_t slot : Transition::kMoving) *moved++ = y[slot] - start[slot];
    for (std::size_t k = 0; k < t.loads_; ++k) *moved++ = y[Slot::kFirstLoad + k] - start[Slot::kFirstLoad + k];
  }
  return true;
}

void TransitionMemory::differentiate(Transition& t, std::size_t column, double width) {
  const auto lay_down = [&](std::size_t first, std::size_t figures, double* block) {
    for (std::size_t k = 0; k < figures; ++k) {
      const std::size_t r = first + k;
      block[(1 + column) * figures + k] = (more_out_[r] - less_out_[r]) / width;
      bend_[r] += 0.5 * std::abs(more_out_[r] + less_out_[r] - 2.0 * middle_out_[r]);
    }
  };
  for (std::size_t i = 0; i < t.steps_; ++i) {
    lay_down(i * kOfBoth, Transition::kOfStep, t.blocks_.data() + t.block_at(i));
    lay_down(i * kOfBoth + Transition::kOfStep, Transition::kOfEnd, t.blocks_.data() + t.end_at(i));
  }
}

bool TransitionMemory::straight_enough(const Transition& t) const {
  bool straight = true;
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double* const bend = bend_.data() + i * kOfBoth;
    constexpr std::array kMost{kMostInputBendV, kMostBusBendV,   kMostBendA, kMostSpikeBendA,
                               kMostBendA,      kMostInputBendV, kMostBendA, kMostBendAh};
    for (std::size_t k = 0; k < kMost.size(); ++k) straight &= bend[k] <= kMost[k];
    for (std::size_t k = 0; k < t.pins_; ++k) straight &= bend[Transition::kShown + k] <= kMostPinBendV;
    const double* moved = bend + Transition::kOfStep;
    for (const std::size_t slot : Transition::kMoving) {
      const bool energy = slot >= Slot::kPanelJ && slot <= Slot::kSenseJ;
      const bool charge = slot == Slot::kGassingAh || slot == Slot::kUnstoredAh;
      straight &= *moved++ <= (energy ? kMostBookBendJ : charge ? kMostBendAh : kMostSlowBend);
    }
    for (std::size_t k = 0; k < t.loads_; ++k) straight &= *moved++ <= kMostLoadBend;
  }
  return straight;
}

}  // namespace dawnrig::plant
