// Edges of a gate out of the totals that an interface board reports, against the gate as it was.
#include "harness/rig/bench_gate.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

namespace dawnrig::rig {
namespace {

using namespace std::chrono_literals;

/// A gate that switches as a list says, and reports as a board would: to the half microsecond.
class Captured {
 public:
  explicit Captured(std::vector<GateEdge> edges) : edges_{std::move(edges)} {}

  [[nodiscard]] link::GateReport at(Nanos time) const {
    link::GateReport report;
    Nanos on_time{0};
    Nanos last{0};
    bool on = false;
    Nanos rise{-1};
    std::vector<Nanos> periods;
    Nanos pulse{0};
    Nanos complete_pulse{0};
    for (const GateEdge& edge : edges_) {
      if (edge.time > time) break;
      ++report.edges;
      if (on) on_time += edge.time - last;
      if (edge.on) {
        if (rise.count() >= 0) {
          periods.push_back(edge.time - rise);
          complete_pulse = pulse;
        }
        rise = edge.time;
      } else if (rise.count() >= 0) {
        pulse = edge.time - rise;
      }
      on = edge.on;
      last = edge.time;
    }
    if (on) on_time += time - last;
    report.edges &= 0xFFFFU;
    report.on = on;
    report.on_ticks = ticks(on_time);
    report.last_edge_ticks = ticks(last);
    if (!periods.empty()) {
      report.longest_period_ticks = report.shortest_period_ticks = ticks(periods.back());
      report.on_pulse_ticks = ticks(complete_pulse);
    }
    report.is_static = time - last > 30ms;
    return report;
  }
  [[nodiscard]] const std::vector<GateEdge>& edges() const { return edges_; }

 private:
  static std::uint32_t ticks(Nanos time) { return static_cast<std::uint32_t>(time.count() / 500); }
  std::vector<GateEdge> edges_;
};

std::vector<GateEdge> pwm(Nanos from, Nanos to, Nanos period, double duty_frac) {
  std::vector<GateEdge> edges;
  for (Nanos rise = from; rise < to; rise += period) {
    edges.push_back({rise, true});
    edges.push_back({rise + Nanos{std::llround(duty_frac * static_cast<double>(period.count()))}, false});
  }
  return edges;
}

std::vector<GateEdge> tracked(const Captured& gate, Nanos until, Nanos every) {
  GateTrack track;
  std::vector<GateEdge> all;
  for (Nanos t{0}; t <= until; t += every) {
    for (const GateEdge& edge : track.take(gate.at(t), t)) all.push_back(edge);
  }
  return all;
}

/// The largest error of an edge's time; negative: edges missing, or of the wrong kind.
Nanos worst_error(const Captured& gate, const std::vector<GateEdge>& found, Nanos settled) {
  if (found.size() > gate.edges().size()) return Nanos{-1};
  Nanos worst{0};
  for (std::size_t i = 0; i < found.size(); ++i) {
    if (found[i].on != gate.edges()[i].on) return Nanos{-1};
    if (gate.edges()[i].time > settled) {
      worst = std::max(worst, Nanos{std::abs((found[i].time - gate.edges()[i].time).count())});
    }
  }
  return worst;
}

TEST(GateTrack, FindsEachEdgeOfAnOrdinaryPwmToItsTick) {
  for (const double duty_frac : {0.01, 0.25, 0.5, 0.9, 0.996}) {
    const Captured gate{pwm(3137us, 200ms, 2040us, duty_frac)};
    const auto found = tracked(gate, 200ms, 1ms);
    const Nanos worst = worst_error(gate, found, 0ms);
    EXPECT_GE(found.size(), 190U) << duty_frac;
    ASSERT_GE(worst, Nanos{0}) << duty_frac;
    EXPECT_LE(worst, Nanos{1000}) << "duty " << duty_frac;
  }
}

TEST(GateTrack, FollowsAFastGateThroughItsPeriod) {
  for (const Nanos period : {Nanos{250us}, Nanos{100us}, Nanos{50us}}) {
    const Captured gate{pwm(3137us, 100ms, period, 0.3)};
    const Nanos worst = worst_error(gate, tracked(gate, 100ms, 1ms), 10ms);
    ASSERT_GE(worst, Nanos{0});
    EXPECT_LE(worst, Nanos{20us}) << "edges of 20 kHz are spread evenly, the share of time is exact";
  }
}

TEST(GateTrack, LosesNothingWithLostReports) {
  std::mt19937_64 draw{3};
  const Captured gate{pwm(5us, 400ms, 2040us, 0.4)};
  GateTrack track;
  std::vector<GateEdge> found;
  Nanos on_time{0};
  for (Nanos t{0}; t <= 400ms; t += 1ms) {
    if (t > 0ms && draw() % 3 == 0) continue;
    for (const GateEdge& edge : track.take(gate.at(t), t)) found.push_back(edge);
  }
  ASSERT_GE(found.size(), 390U);
  EXPECT_LE(worst_error(gate, found, 20ms), Nanos{2us});
  for (std::size_t i = 1; i < found.size(); ++i) {
    ASSERT_LE(found[i - 1].time, found[i].time);
    if (!found[i].on) on_time += found[i].time - found[i - 1].time;
  }
  EXPECT_NEAR(in_seconds(on_time) / in_seconds(found.back().time), 0.4, 0.003);
}

TEST(GateTrack, KeepsTheShareOfTimeOfAnIrregularGate) {
  std::mt19937_64 draw{4};
  std::vector<GateEdge> edges;
  Nanos t = 500us;
  while (t < 300ms) {
    edges.push_back({t, true});
    t += Nanos{20'000 + static_cast<std::int64_t>(draw() % 400'000)};
    edges.push_back({t, false});
    t += Nanos{20'000 + static_cast<std::int64_t>(draw() % 400'000)};
  }
  const Captured gate{edges};
  GateTrack track;
  bool on = false;
  Nanos last{0};
  Nanos on_time{0};
  Nanos end{0};
  for (Nanos at{0}; at <= 300ms; at += 1ms) {
    for (const GateEdge& edge : track.take(gate.at(at), at)) {
      ASSERT_NE(edge.on, on);
      ASSERT_GE(edge.time, last);
      if (on) on_time += edge.time - last;
      on = edge.on;
      last = edge.time;
    }
    end = at;
  }
  if (on) on_time += end - last;
  const double true_s = 0.5e-6 * gate.at(end).on_ticks;
  EXPECT_NEAR(in_seconds(on_time), true_s, 0.01 * true_s);
}

TEST(GatePattern, GoesOnAsTheLastCycleAndStaysPutWithoutOne) {
  const GatePattern pattern{10ms, true, 9900us, 2040us, 500us};
  EXPECT_EQ(pattern.next_after(10ms)->time, Nanos{10'400us});
  EXPECT_FALSE(pattern.next_after(10ms)->on);
  EXPECT_EQ(pattern.next_after(10'400us)->time, Nanos{11'940us});
  EXPECT_TRUE(pattern.next_after(10'400us)->on);
  EXPECT_FALSE((GatePattern{10ms, true}).next_after(10ms).has_value());

  // An edge that should have been seen by now is due at once, and not forgotten.
  const GatePattern overdue{12ms, true, 9900us, 2040us, 500us};
  const auto edge = overdue.next_after(12ms);
  ASSERT_TRUE(edge.has_value());
  EXPECT_LE(edge->time, Nanos{12'440us});
}

TEST(GatePattern, OfAShuntIsUpsideDown) {
  const GatePattern charging{10ms, true, 9900us, 2000us, 500us};
  const GatePattern shorting = charging.seen_from(1ms, true);
  EXPECT_FALSE(shorting.on());
  EXPECT_EQ(shorting.known_until(), Nanos{9ms});
  EXPECT_NEAR(shorting.duty_frac(), 0.75, 1e-9);
  EXPECT_EQ(shorting.next_after(9ms)->time, Nanos{9400us});
  EXPECT_TRUE(shorting.next_after(9ms)->on);
}

}  // namespace
}  // namespace dawnrig::rig
