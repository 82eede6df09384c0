// What is remembered of one transition: see transition.h. How it is found is in transition_memory.cc.
#include <Eigen/Core>

#include "plant/transition.h"

namespace dawnrig::plant {

static_assert(Transition::kOfStepOfFew % 2 == 0 && Transition::kOfEndOfFew % 2 == 0);  // for the sake of vectors

// The constants, and for every column so many slopes: of all figures at once.
template <std::size_t kFigures, std::size_t kUsed>
std::array<double, kFigures> Transition::figures(const double* block, const Away& away) const {
  using Row = Eigen::Array<double, kUsed, 1>;
  Row sum = Eigen::Map<const Row>{block};
  for (std::size_t c = 0; c < columns_; ++c) {
    block += kFigures;
    sum += Eigen::Map<const Row>{block} * away.of[c];
  }
  std::array<double, kFigures> figures;
  Eigen::Map<Row>{figures.data()} = sum;
  return figures;
}

CircuitSystem::Vector Transition::place_of(const CircuitSystem& system, const Vector& y, bool gate_on) {
  Vector place = y;
  if (!gate_on) place[Slot::kInput] -= y[Slot::kBus];
  place[Slot::kFast] = system.parts().battery.inner_v(CircuitSystem::battery_of(y));
  place[Slot::kBus] -= place[Slot::kFast];
  place[Slot::kNetAh] = 0.0;  // counts from the edge
  return place;
}

Transition::Away Transition::away(const Vector& place) const {
  Away away;
  for (std::size_t c = 0; c < columns_; ++c) away.of[c] = place[column_slot_[c]] - middle_[column_slot_[c]];
  const std::size_t first = Slot::kFirstLoad + loads_;
  for (std::size_t i = 0; i < kMaxSense; ++i) away.pin_v[i] = i < pins_ ? place[first + i] - middle_[first + i] : 0.0;
  return away;
}

Transition::Sample Transition::row(std::size_t at, const Away& away) const {
  const double* const block = blocks_.data() + at;
  const auto f = pins_ > kFewPins ? figures<kOfStep>(block, away) : figures<kOfStep, kOfStepOfFew>(block, away);
  Sample s{f[0], f[1], f[2], f[3], f[4], f[5], f[6], f[7], {}};
  const double* const own = block + (1 + columns_) * kOfStep + kShown;
  for (std::size_t k = 0; k < pins_; ++k) s.pin_v[k] = f[kShown + k] + own[k] * away.pin_v[k];
  return s;
}

Transition::Charged Transition::charged(const Away& away) const {
  using Row = Eigen::Array<double, 4, 1>;
  constexpr std::size_t kRow = Row::SizeAtCompileTime;
  static_assert(kMostSteps % kRow == 0);
  Charged all;
  for (std::size_t i = 0; i < steps_; i += kRow) {
    Row bus_v = Eigen::Map<const Row>{charged_[0].bus_v.data() + i};
    Row net_ah = Eigen::Map<const Row>{charged_[0].net_ah.data() + i};
    for (std::size_t c = 0; c < columns_; ++c) {
      const Charged& slope = charged_[1 + c];
      bus_v += Eigen::Map<const Row>{slope.bus_v.data() + i} * away.of[c];
      net_ah += Eigen::Map<const Row>{slope.net_ah.data() + i} * away.of[c];
    }
    Eigen::Map<Row>{all.bus_v.data() + i} = bus_v;
    Eigen::Map<Row>{all.net_ah.data() + i} = net_ah;
  }
  return all;
}

void Transition::finish(std::size_t i, const Away& away, Vector& y) const {
  const double* const block = blocks_.data() + end_at(i);
  const auto f = loads_ > kFewLoads ? figures<kOfEnd>(block, away) : figures<kOfEnd, kOfEndOfFew>(block, away);
  for (std::size_t k = 0; k < kMoving.size(); ++k) y[kMoving[k]] += f[k];
  for (std::size_t k = 0; k < loads_; ++k) y[Slot::kFirstLoad + k] += f[kMoving.size() + k];
}

Transition::Sample Transition::pass(std::size_t i, const Away& away, const CircuitSystem& system, Vector& y) const {
  const Sample end = sample(i, away);
  stand_at(end, system, y);
  move_cells(ends_[i], system, y);
  finish(i, away, y);
  return end;
}

void Transition::pass_but_for_sample(const Away& away, const CircuitSystem& system, Vector& y) const {
  move_cells(length(), system, y);
  finish(steps_ - 1, away, y);
}

void Transition::move_cells(Nanos length, const CircuitSystem& system, Vector& y) {
  const double h_s = in_seconds(length);
  y[Slot::kCellDegc] += h_s * (1.0 - 0.5 * h_s / SingleDiodePanel::kThermalLagS) *
                        system.cell_degc_per_s(y[Slot::kPoa], y[Slot::kCellDegc]);
}

double Transition::net_ah(const Away& away) const {
  const double* figure = blocks_.data() + block_at(steps_ - 1) + kNetShown;
  double sum = *figure;
  for (std::size_t c = 0; c < columns_; ++c) sum += *(figure += kOfStep) * away.of[c];
  return sum;
}

void Transition::ask_for(const Turning& turning, const Away& away, AtTurns& values) const {
  using Row = Eigen::Array<double, kTurnsAtOnce, 1>;
  std::size_t at = std::max(values.known, turning.first - turning.first % kTurnsAtOnce);
  for (; at < turning.end; at += kTurnsAtOnce) {
    const double* row = turn_rows_.data() + at * (1 + columns_);
    Row sum = Eigen::Map<const Row>{row};
    for (std::size_t c = 0; c < columns_; ++c) sum += Eigen::Map<const Row>{row += kTurnsAtOnce} * away.of[c];
    Eigen::Map<Row>{values.of.data() + at} = sum;
  }
  values.known = at;
  if (!turning.is_pin()) return;
  const double pin_v = away.pin_v[turning.figure - kShown];
  for (std::size_t i = turning.first; i < turning.end; ++i) values.of[i] += turn_pins_[i] * pin_v;
}

void Transition::stand_at(const Sample& at, const CircuitSystem& system, Vector& y) {
  y[Slot::kInput] = at.input_v;
  y[Slot::kBus] = at.bus_v;
  y[Slot::kNetAh] = at.net_ah;
  for (std::size_t k = system.first_sense(); k < system.size(); ++k) y[k] = at.pin_v[k - system.first_sense()];
}

}  // namespace dawnrig::plant
