// Readings beside a meter: what sound parts can read, what only a fault can, and which one.
#include "harness/metering/calibration.h"

#include <gmock/gmock.h>

#include <cmath>
#include <fstream>

#include "harness/device/noise_source.h"
#include "harness/metering/errors.h"
#include "tests/base/scratch_folder.h"
#include "tests/metering/boards.h"

namespace dawnrig::metering {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using testing::ridge;

const CalibrationOptions kBattery{.channel = "battery"};

/// A board with some chain in it, read by the recommended firmware.
class Sample {
 public:
  explicit Sample(const std::string& revision)
      : board{ridge(revision)},
        parts{board, board.sense[0], 10},
        conversion{parts.nominal(), board.sense[0], set_points(board, board.sense[0])},
        chain{parts.nominal()} {}
  [[nodiscard]] double reads(double sensed, double degc) const {
    const double at = std::clamp(position_lsb(chain, sensed, degc), 0.5, 1023.5);
    return std::round(1e3 * conversion.at(at)) / 1e3;
  }
  /// Pairs as somebody notes them who takes the board for `noted_degc`, when its parts are at `degc`.
  [[nodiscard]] std::vector<Pair> pairs(const std::vector<double>& sensed, double degc, double noted_degc) const {
    std::vector<Pair> noted;
    for (const double v : sensed) noted.push_back({v, reads(v, degc), noted_degc, 0.001});
    return noted;
  }
  profile::BoardProfile board;
  Uncertain parts;
  Conversion conversion;
  Chain chain;
};

TEST(Calibration, OfABoardAsLabelledCorrectsNextToNothing) {
  const Sample sample("a");
  const CalibrationResult result = calibrate(sample.board, sample.pairs({23, 28.8}, 25, 25), kBattery);
  EXPECT_TRUE(result.consistent);
  EXPECT_NEAR(result.correction.gain, 1, 2e-4);
  EXPECT_NEAR(result.correction.of(27, 25), 27, 0.002);
  EXPECT_THAT(text_of(account_of(result, sample.board, kBattery)),
              HasSubstr("what parts within their tolerances can read"));
}

TEST(Calibration, LearnsFactorOffsetAndDriftAsFarAsThePairsTell) {
  const Sample sample("a");
  const auto correction = [&](const std::vector<Pair>& pairs) {
    return calibrate(sample.board, pairs, kBattery).correction;
  };
  const Correction one = correction({{28.8, 28.7}});
  EXPECT_NEAR(one.gain, 28.8 / 28.7, 1e-12);
  EXPECT_EQ(one.offset, 0);
  const Correction two = correction({{23, 23.1}, {28.8, 28.7}});
  EXPECT_NEAR(two.of(23.1, 25), 23, 1e-9);
  EXPECT_NEAR(two.of(28.7, 25), 28.8, 1e-9);
  EXPECT_EQ(two.drift_per_k, 0);
  const Correction three = correction({{23, 23.05, 25}, {28.8, 28.85, 25}, {28.8, 28.90, 5}});
  EXPECT_NEAR(three.drift_per_k, -0.05 / 20, 1e-6) << "colder by 20 K reads 50 mV higher";
  const Sample offset("b");
  EXPECT_NEAR(calibrate(offset.board, {{28.8, 28.7}}, kBattery).correction.offset, 0.1, 1e-9)
      << "with an offset diode, one point is a shift";
}

/// A board drawn as the budget draws them.
void draw(Sample& sample, device::WordSource& words) {
  std::vector<double> z;
  for (std::size_t i = 0; i < sample.parts.variables().size(); ++i) {
    z.push_back(2 * (static_cast<double>(words.next() >> 11U) / 9007199254740992.0) - 1);
  }
  sample.chain = sample.parts.at(z, 25);
}

TEST(Calibration, TakesSoundBoardsForSoundAndPredictsWhatIsLeft) {
  for (const char* revision : {"a", "b"}) {
    Sample sample(revision);
    device::WordSource words{7};
    int sound = 0;
    int within = 0;
    int corners = 0;
    constexpr int kBoards = 60;
    for (int i = 0; i < kBoards; ++i) {
      draw(sample, words);
      const CalibrationResult result = calibrate(sample.board, sample.pairs({23, 26, 28.8}, 25, 25), kBattery);
      sound += result.consistent ? 1 : 0;
      for (const Residual& residual : result.residuals) {
        if (residual.corner.board_degc != 25) continue;  // drawn at 25 degC
        const double at = result.set_points[residual.corner.set_point].at;
        const double left = result.correction.of(sample.reads(at, 25), 25) - at;
        ++corners;
        within += std::fabs(left - residual.expected) <= residual.two_sigma + 0.001 ? 1 : 0;
      }
    }
    EXPECT_GE(sound, kBoards - 2) << revision;
    EXPECT_GE(within, 9 * corners / 10) << revision << " of " << corners;
  }
}

TEST(Calibration, DiagnosesAColdDiode) {
  const Sample sample("b");
  const CalibrationResult result = calibrate(sample.board, sample.pairs({23, 25.2, 28.8, 31}, -20, 25), kBattery);
  EXPECT_FALSE(result.consistent);
  ASSERT_NE(result.likeliest(), nullptr);
  EXPECT_EQ(result.likeliest()->part, "diode_degc") << result.likeliest()->words;
  EXPECT_NEAR(result.likeliest()->needed, -45, 1);
  const std::string text = text_of(account_of(result, sample.board, kBattery));
  EXPECT_THAT(text, HasSubstr("Most likely the offset diode is 45 K colder than the board was noted to be"));
  EXPECT_THAT(text, HasSubstr("Do not correct this away"));
}

TEST(Calibration, DiagnosesALeakyDiode) {
  Sample sample("b");
  Uncertain::set(sample.chain, "diode_leak_test_v", 10.5);
  Uncertain::set(sample.chain, "diode_leak_a", 2e-6);
  const CalibrationResult result = calibrate(sample.board, sample.pairs({20, 23, 25.2, 28.8, 31}, 25, 25), kBattery);
  EXPECT_FALSE(result.consistent);
  ASSERT_NE(result.likeliest(), nullptr);
  EXPECT_EQ(result.likeliest()->part, "diode_leak_a") << result.likeliest()->words;
  EXPECT_NEAR(result.likeliest()->needed, 2e-6, 0.6e-6);
}

TEST(Calibration, DiagnosesResistorsInEachOthersPlace) {
  Sample sample("b");
  Uncertain::set(sample.chain, "r_top_ohm", 11e3);
  Uncertain::set(sample.chain, "r_bottom_ohm", 33e3);
  const CalibrationResult result = calibrate(sample.board, sample.pairs({16, 18, 20}, 25, 25), kBattery);
  EXPECT_FALSE(result.consistent);
  ASSERT_NE(result.likeliest(), nullptr);
  EXPECT_EQ(result.likeliest()->part, "swapped") << result.likeliest()->words;
}

TEST(Calibration, DiagnosesAResistorFromTheWrongReel) {
  Sample sample("b");
  Uncertain::set(sample.chain, "r_top_ohm", 30e3);
  const CalibrationResult result = calibrate(sample.board, sample.pairs({20, 23, 25.2, 28.8}, 25, 25), kBattery);
  EXPECT_FALSE(result.consistent);
  ASSERT_NE(result.likeliest(), nullptr);
  EXPECT_EQ(result.likeliest()->part, "r_top_ohm") << result.likeliest()->words;
  EXPECT_THAT(result.likeliest()->words, HasSubstr("one of 30 kohm was fitted in its place"));
  for (const Hypothesis& one : result.hypotheses) {
    if (one.part == "diode_degc" || one.part == "diode_v") {
      EXPECT_FALSE(one.explains) << one.words;
    }
  }
}

/// Boards whose other parts are anywhere within their tolerances, with something wrong: what they were taken for.
struct Diagnosed {
  int inconsistent{0};
  int right{0};
  std::string wrong;  ///< one of those that were not
};
template <class Break>
Diagnosed diagnosed(Break break_it, double degc, const std::vector<std::string>& names) {
  constexpr int kBoards = 10;
  Sample sample("b");
  device::WordSource words{11};
  Diagnosed result;
  for (int i = 0; i < kBoards; ++i) {
    draw(sample, words);
    break_it(sample.chain);
    const CalibrationResult found = calibrate(sample.board, sample.pairs({20, 23, 25.2, 28.8}, degc, 25), kBattery);
    if (found.consistent) continue;
    ++result.inconsistent;
    const Hypothesis* likeliest = found.likeliest();
    if (likeliest != nullptr && std::find(names.begin(), names.end(), likeliest->part) != names.end()) {
      ++result.right;
    } else {
      result.wrong = likeliest == nullptr ? "nothing" : likeliest->words;
    }
  }
  return result;
}

TEST(Calibration, TellsDiodeLeakAndResistorApartOnBoardsOfAnyTolerance) {
  const auto expect = [](const char* what, const Diagnosed& found, int least_inconsistent) {
    EXPECT_GE(found.inconsistent, least_inconsistent) << what;
    EXPECT_GE(found.right, 0.9 * found.inconsistent) << what << " was taken for: " << found.wrong;
  };
  expect("cold by 50 K", diagnosed([](Chain&) {}, -25, {"diode_degc", "diode_v"}), 8);
  expect("leaky",
         diagnosed(
             [](Chain& chain) {
               Uncertain::set(chain, "diode_leak_test_v", 10.5);
               Uncertain::set(chain, "diode_leak_a", 2e-6);
             },
             25, {"diode_leak_a"}),
         10);
  expect("wrong reel",
         diagnosed([](Chain& chain) { Uncertain::set(chain, "r_top_ohm", 30e3); }, 25, {"r_top_ohm", "r_bottom_ohm"}),
         10);
  expect("swapped",
         diagnosed(
             [](Chain& chain) {
               const double top = Uncertain::value_of(chain, "r_top_ohm");
               Uncertain::set(chain, "r_top_ohm", Uncertain::value_of(chain, "r_bottom_ohm"));
               Uncertain::set(chain, "r_bottom_ohm", top);
             },
             25, {"swapped"}),
         10);
}

TEST(Calibration, WarnsThatOnePairCannotTellAnOffsetFromAFactor) {
  Sample sample("b");
  Uncertain::set(sample.chain, "r_top_ohm", 30e3);
  const CalibrationResult result = calibrate(sample.board, sample.pairs({28.8}, 25, 25), kBattery);
  EXPECT_FALSE(result.consistent);
  EXPECT_THAT(text_of(account_of(result, sample.board, kBattery)),
              HasSubstr("One pair cannot tell an offset from a factor"));
}

TEST(Calibration, NamesNobodyWhenNoSinglePartExplainsThePairs) {
  const Sample sample("a");
  const CalibrationResult result = calibrate(sample.board, {{23, 25}, {25, 23}, {27, 29}, {29, 27}}, kBattery);
  EXPECT_FALSE(result.consistent);
  EXPECT_EQ(result.likeliest(), nullptr);
  EXPECT_THAT(text_of(account_of(result, sample.board, kBattery)), HasSubstr("No single part explains it"));
}

TEST(Calibration, CountsTheLastDigitOfTheDisplay) {
  EXPECT_DOUBLE_EQ(pair_of("28.8,28.6").resolution, 0.1);
  EXPECT_DOUBLE_EQ(pair_of("28.80,28.61,-5").resolution, 0.01);
  EXPECT_EQ(pair_of("28.80,28.61,-5").board_degc, -5);
  EXPECT_EQ(pair_of("28.80,28.61").board_degc, 25);
  const CalibrationResult coarse = calibrate(ridge("a"), {pair_of("28.8,29")}, kBattery);
  const CalibrationResult fine = calibrate(ridge("a"), {pair_of("28.8,29.000")}, kBattery);
  EXPECT_GT(coarse.half_width[0], fine.half_width[0] + 0.4);
}

class Pairs : public base::testing::ScratchFolder {};

TEST_F(Pairs, ComeFromAFileWithTheirColumnsNamed) {
  const auto file = write("pairs.csv", "board_degc,meter_v,reported_v\n24,23.02,23.11\n\n-3,28.80,28.9\n");
  const std::vector<Pair> pairs = read_pairs(file, "v");
  ASSERT_EQ(pairs.size(), 2U);
  EXPECT_EQ(pairs[1].meter, 28.80);
  EXPECT_EQ(pairs[1].reported, 28.9);
  EXPECT_EQ(pairs[1].board_degc, -3);
  EXPECT_DOUBLE_EQ(pairs[1].resolution, 0.1);
}

TEST_F(Pairs, AreRefusedWithTheirLine) {
  const auto refused = [&](const std::string& text) {
    const auto file = write("pairs.csv", text);
    return testing::refusal_of([&] { (void)read_pairs(file, "v"); });
  };
  EXPECT_THAT(refused("meter_v,reportd_v\n1,2\n"),
              HasSubstr("pairs.csv:1: reportd_v: is no column of a file of pairs; did you mean reported_v?"));
  EXPECT_THAT(refused("meter_v\n1\n"), HasSubstr(":1: reported_v: is missing among the columns"));
  EXPECT_THAT(refused("meter_v,reported_v\n28.8,x\n"), HasSubstr(":2: reported_v: is \"x\", must be a number"));
  EXPECT_THAT(refused("meter_v,reported_v\n28.8\n"), HasSubstr(":2: has 1 fields, must be 2"));
  EXPECT_THAT(refused("meter_v,reported_v\n"), HasSubstr("holds no pair"));
  EXPECT_THAT(testing::refusal_of([] { (void)pair_of("28.8"); }), HasSubstr("--pair: is \"28.8\", 1 numbers"));
  EXPECT_THAT(testing::refusal_of([] { (void)pair_of("28.8,volt"); }), HasSubstr("\"volt\" is no number"));
  EXPECT_THAT(testing::refusal_of([] { (void)calibrate(ridge("a"), {}, kBattery); }), HasSubstr("--pair: is missing"));
  EXPECT_THAT(testing::refusal_of([] {
                (void)calibrate(ridge("a"), {{60, 60}}, kBattery);
              }),
              HasSubstr("60 V, which this channel cannot see"));
}

}  // namespace
}  // namespace dawnrig::metering
