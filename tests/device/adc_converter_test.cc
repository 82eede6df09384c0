#include "harness/device/adc_converter.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <cstdint>
#include <limits>

namespace dawnrig::device {
namespace {

constexpr AdcErrors kIdeal;
constexpr std::array kReferencesV{5.0, 3.3, 1.1, 2.56, 4.096, 4.87, 0.1 + 0.2, 5.0 * 1.003};

int ideal_code(double pin_v, double reference_v) {
  return adc_code(pin_v, reference_v, kIdeal, 0.0);
}

TEST(AdcConverter, ReadsEveryCodeExactlyAtItsThreshold) {
  for (const double reference_v : kReferencesV) {
    for (int code = 0; code < 1024; ++code) {
      ASSERT_EQ(ideal_code(code * reference_v / 1024.0, reference_v), code) << "at " << reference_v << " V";
    }
  }
}

TEST(AdcConverter, ReadsOneCodeLessJustBelowAThreshold) {
  for (const double reference_v : kReferencesV) {
    for (int code = 1; code < 1024; ++code) {
      const double pin_v = std::nextafter(code * reference_v / 1024.0, 0.0);
      ASSERT_EQ(ideal_code(pin_v, reference_v), code - 1) << "at " << reference_v << " V";
    }
  }
}

TEST(AdcConverter, RoundsDownInTheMiddleOfAStep) {
  for (const double reference_v : kReferencesV) {
    for (int code = 0; code < 1024; ++code) {
      ASSERT_EQ(ideal_code((code + 0.999) * reference_v / 1024.0, reference_v), code) << "at " << reference_v << " V";
    }
  }
}

TEST(AdcConverter, NeverFallsWhileThePinRises) {
  int last = 0;
  for (int step = 0; step < 100'000; ++step) {
    const int code = ideal_code(step * 5.2e-5, 5.0);
    ASSERT_GE(code, last) << "at " << step * 5.2e-5 << " V";
    last = code;
  }
  EXPECT_EQ(last, 1023);
}

TEST(AdcConverter, StopsAtTheEndsOfItsRange) {
  EXPECT_EQ(ideal_code(5.0, 5.0), 1023);
  EXPECT_EQ(ideal_code(48.0, 5.0), 1023);
  EXPECT_EQ(ideal_code(std::numeric_limits<double>::infinity(), 5.0), 1023);
  EXPECT_EQ(adc_code(std::numeric_limits<double>::infinity(), 5.0, {.inl_lsb = 1.0}, 0.0), 1023);
  EXPECT_EQ(ideal_code(-0.3, 5.0), 0);
  EXPECT_EQ(ideal_code(-std::numeric_limits<double>::infinity(), 5.0), 0);
}

TEST(AdcConverter, ReadsFullScaleWithoutAReferenceUnlessThePinIsGrounded) {
  for (const double reference_v : {0.0, -1.1, std::numeric_limits<double>::quiet_NaN()}) {
    EXPECT_EQ(ideal_code(0.001, reference_v), 1023) << reference_v;
    EXPECT_EQ(ideal_code(0.0, reference_v), 0) << reference_v;
    EXPECT_EQ(ideal_code(-0.1, reference_v), 0) << reference_v;
  }
}

TEST(AdcConverter, ReadsZeroFromWhatIsNotANumber) {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const double infinity = std::numeric_limits<double>::infinity();
  EXPECT_EQ(ideal_code(nan, 5.0), 0);
  EXPECT_EQ(ideal_code(nan, nan), 0);
  EXPECT_EQ(ideal_code(infinity, infinity), 0);
  EXPECT_EQ(adc_code(2.5, 5.0, {.noise_lsb = 1.0}, nan), 0);
  EXPECT_EQ(adc_code(nan, 5.0, {.inl_lsb = 1.0}, 0.0), 0);
}

TEST(AdcConverter, AddsAnOffsetEverywhereAlike) {
  const AdcErrors errors{.offset_lsb = -2.0};
  EXPECT_EQ(adc_code(100.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 98);
  EXPECT_EQ(adc_code(900.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 898);
  EXPECT_EQ(adc_code(1.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 0);
}

TEST(AdcConverter, GrowsAGainErrorWithThePin) {
  const AdcErrors errors{.gain_error_frac = 0.01};
  EXPECT_EQ(adc_code(100.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 101);  // 101.505
  EXPECT_EQ(adc_code(900.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 909);  // 909.505
}

TEST(AdcConverter, BowsMostInTheMiddleAndNotAtTheEnds) {
  const AdcErrors errors{.inl_lsb = 3.0};
  EXPECT_EQ(adc_code(512.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 515);
  EXPECT_EQ(adc_code(0.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 0);
  EXPECT_EQ(adc_code(1022.5 * 5.0 / 1024.0, 5.0, errors, 0.0), 1022);
}

TEST(AdcConverter, ScalesTheNoiseItIsGiven) {
  const AdcErrors errors{.noise_lsb = 0.5};
  EXPECT_EQ(adc_code(512.5 * 5.0 / 1024.0, 5.0, errors, 2.0), 513);
  EXPECT_EQ(adc_code(512.5 * 5.0 / 1024.0, 5.0, errors, -2.0), 511);
  EXPECT_EQ(adc_code(512.5 * 5.0 / 1024.0, 5.0, kIdeal, 100.0), 512);
}

}  // namespace
}  // namespace dawnrig::device
