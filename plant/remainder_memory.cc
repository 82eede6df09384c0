// Finds what is left of a gate interval after a transition: see remainder.h.
#include <algorithm>
#include <cmath>

#include "plant/gate_stepper.h"
#include "plant/transition_memory.h"
#include "plant/transition_place.h"

namespace dawnrig::plant {
namespace {

using namespace place;

// Lengths of a cell. What quick modes a transition leaves are over in a long one.
constexpr Nanos kShortGrid{16'000};
constexpr Nanos kLongGrid{64'000};
constexpr Nanos kLong{8 * kLongGrid};
// A transition hardly feels these; what comes after it does, in the books and at a thermistor's pin.
bool wants_finer_cells(std::size_t slot) {
  return slot == Slot::kFast || slot == Slot::kBatteryDegc || slot == Slot::kCellDegc || slot >= Slot::kFirstLoad;
}
constexpr double kBooksOfLengthS = 4e-4;  // in a longer one the books may bend by more
constexpr double kFirstStepS = 2.5e-3;    // that the integrator tries
// Of a pin: what a polynomial may miss half way between nodes, and how far it may bend within the cell.
constexpr double kMostBetweenNodesV = 1e-5;
constexpr double kMostBendOfPinV = 3e-5;

// Where a polynomial through the nodes strays most.
Remainder::Shares between_nodes() {
  Remainder::Shares shares = remainder_nodes_frac();
  for (std::size_t k = 0; k + 1 < shares.size(); ++k) shares[k] = 0.5 * (shares[k] + shares[k + 1]);
  return shares;
}

// Where the circuit is after the transition, of which `start` is the edge.
Vector after_transition(const CircuitSystem& system, const Transition& t, const Vector& place, const Vector& start) {
  Vector y = start;
  static_cast<void>(t.pass(t.steps() - 1, t.away(place), system, y));
  return y;
}

}  // namespace

TransitionMemory::Interval TransitionMemory::interval(CircuitRun& run, const Vector& y, Nanos whole) {
  Found& found = find(run, y);
  if (!found.known) return {};
  const Entry& entry = entries_[found.entry];
  const Nanos length = whole - entry.transition.length();
  if (length < kShortGrid) return {};
  const Nanos grid = length < kLong ? kShortGrid : kLongGrid;
  const Nanos middle = length / grid * grid + grid / 2;
  KnownRemainder& known = remainder_of(entry, middle, part_of_cell(run.system, entry.transition, y));
  known.last = ++clock_;
  if (known.use == Use::kNone) {
    if (++known.visits < kVisitsToBuild) return {};
    build_under(run, y, [&] {
      known.remainder.middle_ = middle_of_part(run.system, entry.transition, known.part);
      known.use = lay_out(run, entry.transition, {middle, grid}, known.remainder) ? Use::kStraight : Use::kBent;
    });
  }
  if (known.use == Use::kBent) return {};
  ++recalled_;
  ++intervals_;
  found.remainder = static_cast<std::size_t>(&known - remainders_.data());
  found.span = known.remainder.span(entry.transition, found.away, length);
  found.rest_away = known.remainder.away(entry.transition, found.away);
  return last_interval(run.conditions.gate_on);
}

TransitionMemory::Interval TransitionMemory::last_interval(bool gate_on) const {
  const Found& found = found_[gate_on ? 1 : 0];
  return {&entries_[found.entry].transition, &remainders_[found.remainder].remainder, &found.away, &found.rest_away,
          found.span};
}

double TransitionMemory::pin_v(bool gate_on, std::size_t pin, Nanos after_edge) const {
  const Interval known = last_interval(gate_on);
  return known.remainder->pin_v(pin, *known.rest_away, known.span, after_edge - known.transition->length());
}

// The finer cell, by those unknowns that have one.
TransitionMemory::Part TransitionMemory::part_of_cell(const CircuitSystem& system, const Transition& t,
                                                      const Vector& y) const {
  Part part{};
  for (std::size_t c = 0; c < t.columns_; ++c) {
    const std::size_t slot = t.column_slot_[c];
    if (!wants_finer_cells(slot)) continue;
    const Figure at = slot == Slot::kFast ? system.parts().battery.inner_v(CircuitSystem::battery_of(y)) : y[slot];
    part[c] = cell_of(at, per_part_[slot]);
  }
  return part;
}

Vector TransitionMemory::middle_of_part(const CircuitSystem& system, const Transition& t, const Part& part) {
  Vector middle = t.middle_;
  for (std::size_t c = 0; c < t.columns_; ++c) {
    const std::size_t slot = t.column_slot_[c];
    if (wants_finer_cells(slot)) middle[slot] = (part[c] + 0.5) * kPartFrac * grid(slot, system.first_sense());
  }
  return middle;
}

TransitionMemory::KnownRemainder& TransitionMemory::remainder_of(const Entry& entry, Nanos middle, const Part& part) {
  // Neighbouring lengths are there together: they must not share a set.
  std::uint64_t hash =
      (entry.serial + static_cast<std::uint64_t>(middle.count()) * 0x9e3779b97f4a7c15ULL) * 0xbf58476d1ce4e5b9ULL;
  hash ^= hash >> 29U;
  KnownRemainder* const set = remainders_.data() + (hash % kRemainderSets) * kWays;
  KnownRemainder* oldest = set;
  for (KnownRemainder* each = set; each != set + kWays; ++each) {
    if (each->of == entry.serial && each->length == middle && each->part == part) return *each;
    if (each->last < oldest->last) oldest = each;
  }
  oldest->of = entry.serial;
  oldest->length = middle;
  oldest->part = part;
  oldest->visits = 0;
  oldest->use = Use::kNone;
  return *oldest;
}

bool TransitionMemory::lay_out(CircuitRun& run, const Transition& t, const LengthCell& cell, Remainder& r) {
  const Nanos middle = cell.middle;
  r.columns_ = t.columns();
  r.loads_ = t.loads();
  r.pins_ = run.system.params().sense.size();
  r.middle_length_ = middle;
  r.length_width_ = cell.width;
  std::fill_n(bend_.begin(), Remainder::kWide, 0.0);
  if (!find_steps(run, t, r) ||
      !run_remainder(run, t, {r.middle_, middle, remainder_nodes_frac(), true}, r, middle_out_))
    return false;
  std::copy_n(middle_out_.data(), Remainder::kWide, r.row(0));
  const double start_v = unknowns_at(run.system, r.middle_, run.conditions.gate_on)[Slot::kBus];
  r.lowest_v_ = r.highest_v_ = 0.0;
  for (std::size_t i = 0; i < r.steps_; ++i) {
    const double moved_v = middle_out_[i * Transition::kOfStep + Transition::kBusShown] - start_v;
    r.lowest_v_ = std::min(r.lowest_v_, moved_v - kBusGridV);
    r.highest_v_ = std::max(r.highest_v_, moved_v + kBusGridV);
  }
  for (std::size_t c = 0; c < r.columns_ + 2; ++c) {
    if (!differentiate(run, t, c, r)) return false;
  }
  const double of_books = std::max(1.0, in_seconds(middle) / kBooksOfLengthS);
  // Rates bend over the whole length.
  for (std::size_t k = Remainder::kMovedAt; k < Remainder::kPinsAt; ++k) bend_[k] *= in_seconds(middle);
  for (std::size_t i = 0; i < r.steps_; ++i) {
    bend_[i * Transition::kOfStep + Transition::kNetShown] *= r.share_frac_[i] * in_seconds(middle) / of_books;
  }
  bool straight = moved_straight(bend_.data() + Remainder::kMovedAt, r.loads_, of_books);
  for (std::size_t i = 0; i < r.steps_; ++i) straight &= shown_straight(bend_.data() + i * Transition::kOfStep);
  for (std::size_t pin = 0; pin < r.pins_; ++pin) {
    // One that forgets slowly adds up what it misses.
    const double forgets = std::min(1.0, -r.pin_start_[pin].pin_d_pin * in_seconds(middle));
    const double* const bends_v = bend_.data() + Remainder::node_at(pin, 0);
    straight &= *std::max_element(bends_v, bends_v + Remainder::kNodes) <= kMostBendOfPinV * forgets;
  }
  return straight && pins_between_nodes(run, t, r);
}

// Which steps the integrator takes from the middle of the cell.
bool TransitionMemory::find_steps(CircuitRun& run, const Transition& t, Remainder& r) {
  Vector y = after_transition(run.system, t, r.middle_, unknowns_at(run.system, r.middle_, run.conditions.gate_on));
  GateStepper stepper{run.system, run.inverse_tolerance, kFirstStepS};
  run.system.follow_battery(y);
  Nanos at{0};
  for (r.steps_ = 0; at < r.middle_length_; ++r.steps_) {
    const Nanos took = stepper.step(y, r.middle_length_ - at);
    if (took.count() == 0 || r.steps_ == Remainder::kMostSteps) return false;
    at += took;
    r.share_frac_[r.steps_] = in_seconds(at) / in_seconds(r.middle_length_);
  }
  return true;
}

// How fast pins fade is taken from the middle of the cell; any rate would do for the rest to lead through the nodes.
void TransitionMemory::begin_pins(const PinWays& ways, bool middle, Remainder& r, std::vector<double>& out) {
  for (std::size_t k = 0; k < kMaxSense; ++k) {
    const SensePoint& start = ways.of[k].start;
    if (middle) r.pin_start_[k] = start;
    const double rate_per_s = r.pin_start_[k].pin_d_pin;
    out[Remainder::fades_at(k)] = rate_per_s < 0.0 ? start.pin_per_s / rate_per_s : 0.0;
  }
}

// What there is to remember of it, from a place at the edge before.
bool TransitionMemory::run_remainder(CircuitRun& run, const Transition& t, const RemainderRun& how, Remainder& r,
                                     std::vector<double>& out) const {
  CircuitSystem& system = run.system;
  const Vector start = unknowns_at(system, how.place, run.conditions.gate_on);
  Vector y = after_transition(system, t, how.place, start);
  const std::size_t pins = system.params().sense.size();
  GateStepper stepper{system, run.inverse_tolerance, 0.0};
  system.follow_battery(y);
  std::fill_n(out.begin(), Remainder::kWide, 0.0);
  const Vector began = y;
  const Remainder::Span span{how.length, 0.0, 0.0};
  Nanos at{0};
  std::size_t node = 0;
  for (std::size_t i = 0; i < r.steps_; ++i) {
    const Nanos end = r.end_of(i, span);
    PinWays ways;
    for (std::size_t k = 0; k < pins; ++k) ways.of[k].start_v = y[system.first_sense() + k];
    if (!stepper.forced(y, end - at)) return false;
    stepper.tell_ways(ways);
    if (i == 0) begin_pins(ways, how.middle, r, out);
    const double most = i + 1 == r.steps_ ? 1.0 : in_seconds(end) / in_seconds(how.length);
    for (; node < how.nodes_frac.size() && how.nodes_frac[node] <= most; ++node) {
      const double since_s = how.nodes_frac[node] * in_seconds(how.length);
      const PinWays::Instant there = ways.instant(since_s - in_seconds(at));
      for (std::size_t k = 0; k < pins; ++k) {
        const double fading_v = out[Remainder::fades_at(k)] * r.faded_frac(k, since_s);
        out[Remainder::node_at(k, node)] = ways.of[k].start_v + ways.moved_by_phi_v(k, there) - fading_v;
      }
    }
    if (!stepper.look(y)) return false;
    const auto figures = shown(system, y);
    double* const shows = out.data() + i * Transition::kOfStep;
    std::copy(figures.begin(), figures.end(), shows);
    shows[Transition::kNetShown] = (y[Slot::kNetAh] - began[Slot::kNetAh]) / in_seconds(end);
    for (std::size_t k = 0; k < pins; ++k) {
      shows[Transition::kShown + k] -= out[Remainder::fades_at(k)] * r.faded_frac(k, in_seconds(end));
    }
    at = end;
  }
  moved_since(began, y, t, out.data() + Remainder::kMovedAt);
  for (std::size_t k = Remainder::kMovedAt; k < Remainder::kPinsAt; ++k) out[k] /= in_seconds(how.length);
  return true;
}

// In a column of the transition, in the length, or in all pins at once.
bool TransitionMemory::differentiate(CircuitRun& run, const Transition& t, std::size_t column, Remainder& r) {
  const bool length = column == r.columns_;
  const double part = column < r.columns_ && wants_finer_cells(t.column_slot_[column]) ? kPartFrac : 1.0;
  double width = in_seconds(r.length_width_);
  for (const double by : {0.5, -0.5}) {
    std::vector<double>& out = by > 0.0 ? more_out_ : less_out_;
    const Vector place =
        length ? r.middle_
               : beside(run.system, t, r.middle_, column > r.columns_ ? t.columns_ : column, by * part, width);
    const Nanos whole =
        r.middle_length_ + (length ? (by > 0.0 ? r.length_width_ / 2 : -r.length_width_ / 2) : Nanos{0});
    if (!run_remainder(run, t, {place, whole, remainder_nodes_frac()}, r, out)) return false;
  }
  double* const slopes = r.row(1 + column);
  for (std::size_t k = 0; k < Remainder::kWide; ++k) slopes[k] = (more_out_[k] - less_out_[k]) / (part * width);
  const auto bends = [this](std::size_t k) { return 0.5 * (more_out_[k] + less_out_[k] - 2.0 * middle_out_[k]); };
  for (std::size_t k = 0; k < Remainder::kPinsAt; ++k) bend_[k] += std::abs(bends(k));
  for (std::size_t pin = 0; pin < r.pins_; ++pin) {  // both parts together
    const double fades_v = bends(Remainder::fades_at(pin));
    const auto both = [&](std::size_t at, double share) {
      return std::abs(bends(at) + r.faded_frac(pin, share * in_seconds(r.middle_length_)) * fades_v);
    };
    for (std::size_t i = 0; i < r.steps_; ++i) {
      const std::size_t at = i * Transition::kOfStep + Transition::kShown + pin;
      bend_[at] += both(at, r.share_frac_[i]) - std::abs(bends(at));
    }
    for (std::size_t i = 0; i < Remainder::kNodes; ++i) {
      bend_[Remainder::node_at(pin, i)] += both(Remainder::node_at(pin, i), remainder_nodes_frac()[i]);
    }
  }
  return true;
}

// Whether the polynomial leads there.
bool TransitionMemory::pins_between_nodes(CircuitRun& run, const Transition& t, Remainder& r) {
  const auto shares = between_nodes();
  if (!run_remainder(run, t, {r.middle_, r.middle_length_, shares}, r, more_out_)) return false;
  const Transition::Away middle{};
  const Remainder::Span span{r.middle_length_, 0.0, 0.0};
  for (std::size_t node = 0; node < shares.size(); ++node) {
    const double after_s = shares[node] * in_seconds(r.middle_length_);
    for (std::size_t k = 0; k < run.system.params().sense.size(); ++k) {
      const double found_v =
          more_out_[Remainder::node_at(k, node)] + more_out_[Remainder::fades_at(k)] * r.faded_frac(k, after_s);
      const double drawn_v = r.pin_v(k, middle, span, from_seconds(after_s));
      if (!(std::abs(drawn_v - found_v) <= kMostBetweenNodesV)) return false;
    }
  }
  return true;
}

}  // namespace dawnrig::plant
