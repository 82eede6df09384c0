// The error budget against figures worked out by hand, and against boards drawn at random.
#include "harness/metering/budget.h"

#include <gmock/gmock.h>

#include <algorithm>
#include <cmath>

#include "tests/metering/boards.h"

namespace dawnrig::metering {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using testing::ridge;

BudgetOptions battery(int draws = 20000) {
  BudgetOptions options;
  options.channel = "battery";
  options.draws = draws;
  return options;
}

const Contribution& contribution(const Budget& budget, const std::string& part, Cause cause) {
  const auto found = std::find_if(budget.contributions.begin(), budget.contributions.end(), [&](const auto& one) {
    return one.variable.part == part && one.variable.cause == cause;
  });
  if (found == budget.contributions.end()) throw std::runtime_error("no contribution of " + part);
  return *found;
}

std::size_t corner(const Budget& budget, const std::string& name, double degc) {
  for (std::size_t c = 0; c < budget.corners.size(); ++c) {
    if (budget.set_points[budget.corners[c].set_point].name == name && budget.corners[c].board_degc == degc) return c;
  }
  throw std::runtime_error("no corner " + name);
}

TEST(Budget, OfADividerIsWhatOhmsLawSays) {
  const Budget budget = budget_of(ridge("a"), battery(1000));
  const auto half = [&](const char* part, Cause cause, double degc) {
    return std::fabs(contribution(budget, part, cause).half_width[0][corner(budget, "absorption", degc)]);
  };
  const double upper_share = 100.0 / 115;  // of a relative change of either resistor
  EXPECT_NEAR(half("r_top_ohm", Cause::kTolerance, 25), 28.8 * upper_share * 0.001, 1e-4);
  EXPECT_NEAR(half("r_bottom_ohm", Cause::kTolerance, 25), 28.8 * upper_share * 0.001, 1e-4);
  EXPECT_NEAR(half("r_top_ohm", Cause::kDrift, -10), 28.8 * upper_share * 25e-6 * 35, 1e-4);
  EXPECT_NEAR(half("r_top_ohm", Cause::kDrift, 25), 0, 1e-12);
  EXPECT_NEAR(half("supply_v", Cause::kTolerance, 25), 28.8 * 0.002, 1e-3);
  EXPECT_NEAR(half("offset_lsb", Cause::kTolerance, 25), 2 * 5.0 / 1024 * 115 / 15, 1e-3);
  EXPECT_NEAR(half("gain_error_frac", Cause::kTolerance, 25), 28.8 * 0.002, 1e-3);
  EXPECT_NEAR(half("meter", Cause::kTolerance, 25), 0, 1e-12) << "nothing was calibrated";
}

TEST(Budget, AddsUpToTheWorstCaseAndTheRootOfTheSquares) {
  const Budget budget = budget_of(ridge("b"), battery(1000));
  for (std::size_t k = 0; k < kCalibrations; ++k) {
    for (std::size_t c = 0; c < budget.corners.size(); ++c) {
      double sum = 0;
      double squares = 0;
      for (const Contribution& one : budget.contributions) {
        sum += std::fabs(one.half_width[k][c]);
        squares += one.half_width[k][c] * one.half_width[k][c];
      }
      EXPECT_NEAR(budget.results[k][c].worst_case, sum, 1e-12);
      EXPECT_NEAR(budget.results[k][c].rss, std::sqrt(squares), 1e-12);
    }
  }
}

TEST(Budget, ScattersAsTheLinearSumSaysWhereTheNetworkIsLinear) {
  for (const char* revision : {"a", "b"}) {
    const Budget budget = budget_of(ridge(revision), battery(40000));
    for (std::size_t k = 0; k < kCalibrations; ++k) {
      for (std::size_t c = 0; c < budget.corners.size(); ++c) {
        const CornerResult& result = budget.results[k][c];
        // The deviation of 40 000 draws is itself uncertain by 0.35 % (one deviation).
        EXPECT_NEAR(result.sigma / result.linear_sigma, 1, 0.015) << revision << " corner " << c;
        EXPECT_NEAR(result.median, result.fixed, 0.03 * result.sigma + 1e-3) << revision << " corner " << c;
        EXPECT_LT(result.widest_miss, 0.006) << revision << ": a draw far from the linear sum";
        EXPECT_GT(result.low, result.fixed - result.worst_case - 0.01);
        EXPECT_LT(result.high, result.fixed + result.worst_case + 0.01);
      }
    }
  }
}

TEST(Budget, IsTheSameForTheSameSeedAndAnotherForAnother) {
  BudgetOptions options = battery(2000);
  const Budget first = budget_of(ridge("b"), options);
  const Budget again = budget_of(ridge("b"), options);
  options.seed = 2;
  const Budget other = budget_of(ridge("b"), options);
  for (std::size_t c = 0; c < first.corners.size(); ++c) {
    EXPECT_EQ(first.results[0][c].high, again.results[0][c].high);
    EXPECT_NE(first.results[0][c].high, other.results[0][c].high);
  }
}

TEST(Budget, CalibrationTakesOutWhatItCanAndNoMore) {
  const Budget budget = budget_of(ridge("a"), battery(1000));
  const std::size_t at_main = corner(budget, "absorption", 25);
  const std::size_t at_low = corner(budget, "load disconnect", 25);
  const std::size_t when_cold = corner(budget, "absorption", -10);
  const auto half = [&](const char* part, Cause cause, Calibration calibration, std::size_t at) {
    return std::fabs(contribution(budget, part, cause).half_width[static_cast<std::size_t>(calibration)][at]);
  };
  EXPECT_LT(half("r_top_ohm", Cause::kTolerance, Calibration::kOnePoint, at_low), 1e-6)
      << "a factor takes out a factor";
  EXPECT_NEAR(half("offset_lsb", Cause::kTolerance, Calibration::kOnePoint, at_low), 0.0749 * (28.8 - 23) / 28.8, 1e-4)
      << "but not an offset";
  EXPECT_LT(half("offset_lsb", Cause::kTolerance, Calibration::kTwoPoint, at_low), 1e-9);
  EXPECT_LT(half("offset_lsb", Cause::kTolerance, Calibration::kTwoPoint, at_main), 1e-9);
  EXPECT_NEAR(half("r_top_ohm", Cause::kDrift, Calibration::kTwoPoint, when_cold),
              half("r_top_ohm", Cause::kDrift, Calibration::kNone, when_cold), 1e-4)
      << "nobody calibrates in the cold";
  EXPECT_NEAR(half("meter", Cause::kTolerance, Calibration::kTwoPoint, at_main), 28.8 * 0.0005, 1e-6);
}

TEST(Budget, AnswersForBothRevisionsOfTheRidgeRepeater) {
  const Budget a = budget_of(ridge("a"), battery());
  EXPECT_TRUE(a.holds(Calibration::kNone));
  const std::string of_a = account_of(a, ridge("a"), battery()).sections[0].sentences[0];
  EXPECT_THAT(of_a, HasSubstr("Revision A holds ±1 % from −10 to 40 °C without calibration"));
  EXPECT_THAT(of_a, HasSubstr("Spend money on the converter's offset"));
  const Budget b = budget_of(ridge("b"), battery());
  EXPECT_FALSE(b.holds(Calibration::kNone));
  EXPECT_FALSE(b.holds(Calibration::kTwoPoint)) << "its drift is there after any calibration at 25 °C";
  const std::string of_b = account_of(b, ridge("b"), battery()).sections[0].sentences[0];
  EXPECT_THAT(of_b, HasSubstr("Revision B does not hold ±1 %"));
  EXPECT_THAT(of_b, HasSubstr("+351 mV at load disconnect (23.00 V) on a board of −10 °C"));
  EXPECT_THAT(of_b, HasSubstr("the offset diode's drift"));
}

TEST(Budget, WithADiodeThatDoesNotDriftRevisionBHolds) {
  profile::BoardProfile board = ridge("b");
  auto& offset = std::get<plant::OffsetDividerParams>(board.sense[0].network.network);
  offset.diode_tempco_v_per_k = 0;
  for (profile::Part& part : board.sense[0].parts) {
    if (part.field == "diode_tempco_v_per_k") part.value = part.tolerance = 0;
    if (part.field == "diode_v") part.tolerance = 0.075;
  }
  EXPECT_TRUE(budget_of(board, battery()).holds(Calibration::kNone));
}

TEST(Budget, SeesThatASetPointBeyondTheConverterIsNeverRead) {
  profile::BoardProfile board = ridge("a");
  board.declared.over_voltage_v = 40;  // full scale is 38.33 V
  const Budget budget = budget_of(board, battery(1000));
  EXPECT_NEAR(budget.results[0][corner(budget, "over-voltage", 25)].fixed, 38.31 - 40, 0.02);
  EXPECT_FALSE(budget.holds(Calibration::kNone));
}

TEST(Budget, CountsAPartWithoutAPromiseAsExactAndSaysSo) {
  profile::BoardProfile board = ridge("a");
  for (profile::Part& part : board.sense[0].parts) {
    if (part.field == "r_top_ohm") part.tolerance = part.drift_per_k = 0;
  }
  const Budget budget = budget_of(board, battery(1000));
  EXPECT_THAT(budget.unpromised, ::testing::ElementsAre("r_top_ohm"));
  EXPECT_THAT(text_of(account_of(budget, board, battery(1000))),
              HasSubstr("the profile gives no tolerance: r_top_ohm."));
  EXPECT_THAT(text_of(account_of(budget_of(ridge("a"), battery(1000)), ridge("a"), battery(1000))),
              Not(HasSubstr("gives no tolerance")));
}

TEST(Budget, OfAThermistorIsInKelvin) {
  BudgetOptions options = battery(2000);
  options.channel = "thermistor";
  const Budget budget = budget_of(ridge("a"), options);
  const std::size_t at_25 = corner(budget, "25 °C", 25);
  // R25 1 % at 25 °C: dT = 0.01 T^2 / beta = 0.225 K.
  EXPECT_NEAR(std::fabs(contribution(budget, "r_25_ohm", Cause::kTolerance).half_width[0][at_25]), 0.225, 0.002);
  EXPECT_NEAR(std::fabs(contribution(budget, "beta_k", Cause::kTolerance).half_width[0][at_25]), 0, 1e-6);
}

TEST(Budget, OfACurrentIsHeldAgainstTheLargestSetPoint) {
  profile::SenseChannel channel;
  channel.quantity = profile::Quantity::kBatteryCurrent;
  const std::vector<SetPoint> points = {{"rated load", -10}, {"a tenth", 0.8}, {"rated charge", 8}};
  EXPECT_DOUBLE_EQ(allowed(channel, battery(), points, 0.8), 0.1);
  channel.quantity = profile::Quantity::kPanelVoltage;
  EXPECT_DOUBLE_EQ(allowed(channel, battery(), points, 0.8), 0.008);
}

TEST(Budget, RefusesWhatIsNoBudget) {
  BudgetOptions options = battery(10);
  EXPECT_THAT(testing::refusal_of([&] { (void)budget_of(ridge("a"), options); }), HasSubstr("--draws: is 10"));
  options = battery();
  options.bits = 99;
  EXPECT_THAT(testing::refusal_of([&] { (void)budget_of(ridge("a"), options); }), HasSubstr("--adc-bits: is 99"));
  options = battery();
  options.channel = "cells";
  EXPECT_THAT(testing::refusal_of([&] { (void)budget_of(ridge("a"), options); }),
              HasSubstr("has no sense channel 'cells'"));
}

}  // namespace
}  // namespace dawnrig::metering
