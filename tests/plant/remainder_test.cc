// Plant: whole intervals that are remembered, as a converter and the books see them.
#include "plant/remainder.h"

#include <gtest/gtest.h>

#include <chrono>
#include <cstdint>
#include <cstdio>
#include <tuple>

#include "converter_pair.h"

namespace dawnrig::plant {
namespace {

using namespace std::chrono_literals;

TEST(Remainder, TellsPinsAsTheyAreFoundByWhoGoesThere) {
  for (const Board& board : boards()) {
    if (!board.is_remembered) continue;
    ConverterPair pair{board.params, board.conditions, ridge_rested()};
    for (int cycle = 0; cycle < 2500; ++cycle) {
      const Nanos start = pair.ahead.now;
      const Nanos on{
          static_cast<std::int64_t>(static_cast<double>(kPwmPeriod.count()) * (0.42 + 0.004 * (cycle / 8 % 3)))};
      const Nanos hop = 1us * (cycle % 97);
      for (const auto& [gate_on, from, to] :
           {std::tuple{true, start, start + on}, std::tuple{false, start + on, start + kPwmPeriod}}) {
        pair.c.gate_on = gate_on;
        for (int k = 0; k < 4; ++k)
          pair.convert(static_cast<std::size_t>(k) % 3, from + (60 + 150 * k) * 1us + hop, to);
        pair.go_to(to);
      }
      ASSERT_FALSE(HasFailure()) << board.name << ", cycle " << cycle;
    }
    std::printf("%s, steady: pins within %.4f mV, bus within %.4f mV; %d of 5000 intervals\n", board.name.c_str(),
                1e3 * pair.most_apart_v(), 1e3 * pair.apart_bus_v, static_cast<int>(pair.intervals()));
    EXPECT_GT(pair.intervals(), 2500) << board.name;
    EXPECT_LT(pair.most_apart_v(), 5e-5) << board.name;
    EXPECT_LT(pair.apart_bus_v, 1e-4) << board.name;
    expect_same_books(pair, board.name, 1e-5);
  }
}

// Behind a poor contact bus and input go by several rates at once.
TEST(Remainder, LeavesPinsToTheIntegratorThatNoPolynomialLeadsTo) {
  Conditions c = ridge_forenoon();
  c.battery_contact_ohm = 0.05;
  ConverterPair pair{ridge_repeater(), c, ridge_rested()};
  for (int cycle = 0; cycle < 1500; ++cycle) {
    const Nanos start = pair.ahead.now;
    const Nanos on = kPwmPeriod * 44 / 100;
    for (const auto& [gate_on, from, to] :
         {std::tuple{true, start, start + on}, std::tuple{false, start + on, start + kPwmPeriod}}) {
      pair.c.gate_on = gate_on;
      for (int k = 0; k < 4; ++k) pair.convert(0, from + (60 + 40 * k) * 1us + 1us * (cycle % 97), to);
      pair.go_to(to);
    }
    ASSERT_FALSE(HasFailure()) << "cycle " << cycle;
  }
  std::printf("poor contact: pins within %.4f mV; %d of 3000 intervals\n", 1e3 * pair.most_apart_v(),
              static_cast<int>(pair.intervals()));
  EXPECT_LT(pair.most_apart_v(), 2e-5);
}

// A fault turns the gate off in the midst of what was remembered, after conversions in it.
TEST(Remainder, IsLeftWhereAnEdgeComesBeforeItsEnd) {
  ConverterPair pair{ridge_repeater(), ridge_forenoon(), ridge_rested()};
  const Nanos on = kPwmPeriod * 44 / 100;
  for (int cycle = 0; cycle < 2500; ++cycle) {
    const Nanos edge = pair.ahead.now;
    const bool cut = cycle > 500 && cycle % 20 == 0;
    pair.c.gate_on = true;
    pair.convert(0, edge + 300us + Nanos{1000 * (cycle % 7)}, edge + on);
    pair.convert(1, edge + 420us, edge + on);
    pair.go_to(edge + (cut ? on * (6 + cycle % 3) / 10 : on));
    pair.c.gate_on = false;
    pair.convert(2, edge + on + 200us, edge + kPwmPeriod);
    pair.go_to(edge + kPwmPeriod);
    ASSERT_FALSE(HasFailure()) << "cycle " << cycle;
  }
  std::printf("cut short: pins within %.4f mV, bus within %.4f mV; %d of 5000 intervals\n", 1e3 * pair.most_apart_v(),
              1e3 * pair.apart_bus_v, static_cast<int>(pair.intervals()));
  EXPECT_GT(pair.intervals(), 2500);
  EXPECT_LT(pair.most_apart_v(), 5e-5);
  EXPECT_LT(pair.apart_bus_v, 1e-5);
  expect_same_books(pair, "cut short", 1e-5);
}

}  // namespace
}  // namespace dawnrig::plant
