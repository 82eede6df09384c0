#include "plant/transition_memory.h"

#include <algorithm>
#include <cmath>

#include "plant/gate_stepper.h"
#include "plant/transition_place.h"

namespace dawnrig::plant {
namespace {

using namespace place;

// What is worth remembering: from the edge until the integrator would take steps as long as this.
constexpr double kQuietStepS = 5e-5;
constexpr Nanos kLongestTransition{500'000};
// In less light what is allowed to bend would be much of what flows.
constexpr double kLeastPoaWpm2 = 50.0;

constexpr double kFeltK = 0.25;

constexpr std::array kColumns{Slot::kInput,      Slot::kBus,         Slot::kFast, Slot::kSlow,    Slot::kSoc,
                              Slot::kHysteresis, Slot::kBatteryDegc, Slot::kPoa,  Slot::kCellDegc};

constexpr std::size_t kOfBoth = Transition::kOfStep + Transition::kOfEnd;  // what a step shows, and what it has moved

constexpr std::size_t kEdgeAt = Transition::kMostSteps * kOfBoth;  // after those of all steps, what the edge shows

bool has_cell(std::size_t slot) {
  return slot != Slot::kInductor && (slot < Slot::kPanelJ || slot >= Slot::kFirstLoad);
}

}  // namespace

TransitionMemory::TransitionMemory(const CircuitParams& checked)
    : entries_(kSets * kWays), remainders_(kRemainderSets * kWays) {
  static_assert(Transition::kMoving.size() + kMaxLoads <= Transition::kOfEnd);
  const std::size_t first_sense = Slot::kFirstLoad + checked.loads.size();
  for (std::size_t slot = 0; slot < first_sense + checked.sense.size(); ++slot) {
    if (has_cell(slot)) sides_[side_count_++] = {slot, 1.0 / grid(slot, first_sense)};
    per_part_[slot] = 1.0 / (kPartFrac * grid(slot, first_sense));
  }
  const std::size_t blocks = kColumns.size() + checked.loads.size() + 2;
  for (Entry& entry : entries_) {
    entry.transition.blocks_.resize(blocks * (Transition::kMostSteps * kOfBoth + 2 * Transition::kOfStep));
    entry.transition.charged_.resize(blocks);
    entry.transition.turn_rows_.resize((blocks - 1) * Transition::kMostTurns);
    entry.transition.turn_pins_.resize(Transition::kMostTurns);
    entry.transition.loads_ = checked.loads.size();
    entry.transition.pins_ = checked.sense.size();
  }
  for (KnownRemainder& known : remainders_) known.remainder.make_room(blocks + 1);
  for (std::vector<Figure>* out : {&middle_out_, &more_out_, &less_out_, &bend_}) {
    out->resize(kEdgeAt + Transition::kOfStep);
  }
  static_assert(Remainder::kWide <= kEdgeAt);
}

TransitionMemory::Key TransitionMemory::key_of(const Vector& place, bool gate_on) const {
  Key key{};
  for (std::size_t i = 0; i < side_count_; ++i) {
    key[i] = cell_of(place[sides_[i].slot], sides_[i].per_width);
  }
  key[side_count_] = gate_on ? 1 : 0;
  return key;
}

// Whether that is the key of a place; without working it out.
bool TransitionMemory::is_key_of(const Key& key, const Vector& place, bool gate_on) const {
  for (std::size_t i = 0; i < side_count_; ++i) {
    if (!in_cell(place[sides_[i].slot], sides_[i].per_width, key[i])) return false;
  }
  return key[side_count_] == (gate_on ? 1 : 0);
}

TransitionMemory::Entry& TransitionMemory::entry_at(const Vector& place, bool gate_on) {
  std::size_t& last = last_entry_[gate_on ? 1 : 0];
  if (entries_[last].taken && is_key_of(entries_[last].key, place, gate_on)) return entries_[last];
  const Key key = key_of(place, gate_on);
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
  oldest->serial = ++clock_;
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
  found_ = {};
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
    found_[side].any = false;
  }
  return *run;
}

TransitionMemory::Found& TransitionMemory::find(CircuitRun& run, const Vector& y) {
  CircuitSystem& system = run.system;
  const bool gate_on = run.conditions.gate_on;
  Found& found = found_[gate_on ? 1 : 0];
  const bool still =
      found.any && met_run_[gate_on ? 1 : 0] && (!found.known || entries_[found.entry].serial == found.serial);
  if (still && std::equal(y.begin(), y.begin() + system.size(), found.y.begin())) return found;
  const bool worth_it = system.battery_connected() && system.panel_connected() && !(y[Slot::kPoa] < kLeastPoaWpm2);
  if (worth_it) meet(run);  // conditions that are new, and what was found is forgotten
  found.any = true;
  found.known = false;
  found.shown.reset();
  found.y = y;
  if (!worth_it) return found;
  const Vector place = Transition::place_of(system, y, gate_on);
  Entry& entry = entry_at(place, gate_on);
  entry.last = ++clock_;
  if (entry.use == Use::kNone && ++entry.visits >= kVisitsToBuild) {
    build_under(run, y, [&] { build(system, place, run.inverse_tolerance, entry); });
  }
  if (entry.use != Use::kStraight) return found;
  found.known = true;
  found.entry = static_cast<std::size_t>(&entry - entries_.data());
  found.serial = entry.serial;
  found.away = entry.transition.away(place);
  return found;
}

TransitionMemory::Recalled TransitionMemory::look_up(CircuitRun& run, const Vector& y) {
  const Found& found = find(run, y);
  return found.known ? Recalled{&entries_[found.entry].transition, &found.away} : Recalled{};
}

TransitionMemory::Recalled TransitionMemory::recall(CircuitRun& run, const Vector& y, Nanos left) {
  const Recalled known = look_up(run, y);
  if (known.transition == nullptr || known.transition->length() > left) return {};
  ++recalled_;
  return known;
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
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double* const figures = middle_out_.data() + i * kOfBoth;
    std::copy_n(figures, Transition::kOfStep, t.blocks_.data() + t.block_at(i));
    std::copy_n(figures + Transition::kOfStep, Transition::kOfEnd, t.blocks_.data() + t.end_at(i));
  }
  std::copy_n(middle_out_.data() + kEdgeAt, Transition::kOfStep, t.blocks_.data() + t.beside_at(0));
  const double start_v = middle_out_[kEdgeAt + Transition::kBusShown];
  t.lowest_v_ = t.highest_v_ = 0.0;
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double moved_v = middle_out_[i * kOfBoth + Transition::kBusShown] - start_v;
    t.lowest_v_ = std::min(t.lowest_v_, moved_v);
    t.highest_v_ = std::max(t.highest_v_, moved_v);
  }
  t.lowest_v_ -= kBusGridV;
  t.highest_v_ += kBusGridV;
  for (std::size_t c = 0; c <= t.columns_; ++c) {
    double width = 0.0;
    const Vector more = beside(system, t, t.middle_, c, 0.5, width);
    const Vector less = beside(system, t, t.middle_, c, -0.5, width);
    if (!run(system, inverse_tolerance, t, more, more_out_) || !run(system, inverse_tolerance, t, less, less_out_)) {
      return false;
    }
    differentiate(t, c, width);
  }
  std::fill(t.charged_.begin(), t.charged_.end(), Transition::Charged{});
  for (std::size_t i = 0; i < t.steps_; ++i) {
    for (std::size_t c = 0; c <= t.columns_; ++c) {
      const double* const row = t.blocks_.data() + t.block_at(i) + c * Transition::kOfStep;
      t.charged_[c].bus_v[i] = row[Transition::kBusShown];
      t.charged_[c].net_ah[i] = row[Transition::kNetShown];
    }
  }
  take_means(t);
  find_turns(t, system);
  return straight_enough(t);
}

// The mean of what runs straight between the steps is a sum of what the steps show, column by column.
void TransitionMemory::take_means(Transition& t) {
  double* const mean = t.blocks_.data() + t.beside_at(1);
  const std::size_t figures = (t.columns_ + 2) * Transition::kOfStep;
  std::fill_n(mean, figures, 0.0);
  const double* before = t.blocks_.data() + t.beside_at(0);
  Nanos from{0};
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double* const at = t.blocks_.data() + t.block_at(i);
    const double half = 0.5 * in_seconds(t.ends_[i] - from) / in_seconds(t.length());
    for (std::size_t k = 0; k < figures; ++k) mean[k] += half * (before[k] + at[k]);
    before = at;
    from = t.ends_[i];
  }
}

// As many grid widths off the middle in one column; the one after the last is that of all pins at once, of which each
// moves only itself.
Vector TransitionMemory::beside(const CircuitSystem& system, const Transition& t, const Vector& middle,
                                std::size_t column, double by, double& width) {
  Vector place = middle;
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
  if (!stepper.look(y)) return false;
  const auto at_edge = shown(system, y);
  std::copy(at_edge.begin(), at_edge.end(), out.data() + kEdgeAt);
  Nanos at{0};
  for (std::size_t i = 0; i < t.steps_; ++i) {
    if (!stepper.forced(y, t.ends_[i] - at)) return false;
    at = t.ends_[i];
    if (!stepper.look(y)) return false;
    const auto figures = shown(system, y);
    moved_since(start, y, t, std::copy(figures.begin(), figures.end(), out.data() + i * kOfBoth));
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
  lay_down(kEdgeAt, Transition::kOfStep, t.blocks_.data() + t.beside_at(0));
  for (std::size_t i = 0; i < t.steps_; ++i) {
    lay_down(i * kOfBoth, Transition::kOfStep, t.blocks_.data() + t.block_at(i));
    lay_down(i * kOfBoth + Transition::kOfStep, Transition::kOfEnd, t.blocks_.data() + t.end_at(i));
  }
}

bool TransitionMemory::straight_enough(const Transition& t) const {
  bool straight = shown_straight(bend_.data() + kEdgeAt);
  for (std::size_t i = 0; i < t.steps_; ++i) {
    const double* const bend = bend_.data() + i * kOfBoth;
    straight &= shown_straight(bend) && moved_straight(bend + Transition::kOfStep, t.loads());
  }
  return straight;
}

}  // namespace dawnrig::plant
