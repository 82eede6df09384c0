#include "harness/base/text.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <limits>

#include "harness/base/units.h"

namespace dawnrig::base {
namespace {

const std::vector<std::string> kFields = {"r_top_ohm", "r_bottom_ohm", "capacitance_f"};

TEST(EditDistance, CountsInsertionsDeletionsReplacementsAndSwaps) {
  EXPECT_EQ(edit_distance("battery", "battery"), 0);
  EXPECT_EQ(edit_distance("batery", "battery"), 1);
  EXPECT_EQ(edit_distance("battery", "batery"), 1);
  EXPECT_EQ(edit_distance("pattery", "battery"), 1);
  EXPECT_EQ(edit_distance("abttery", "battery"), 1);
  EXPECT_EQ(edit_distance("Battery", "battery"), 0.5);
  EXPECT_EQ(edit_distance("", "four"), 4);
}

TEST(Nearest, IsTheWordThatWasProbablyMeant) {
  EXPECT_EQ(nearest("r_botom_ohm", kFields), "r_bottom_ohm");
  EXPECT_EQ(nearest("R_TOP_OHM", std::vector<std::string>{"r_top_ohm"}), std::nullopt) << "half a change per letter";
  EXPECT_EQ(nearest("colour", kFields), std::nullopt);
  EXPECT_EQ(nearest("", kFields), std::nullopt);
}

TEST(Nearest, IsTheFirstOfEquals) {
  EXPECT_EQ(nearest("cat", std::vector<std::string>{"bat", "hat"}), "bat");
  EXPECT_EQ(nearest("cat", std::vector<std::string>{"dog", "cat"}), "cat");
}

TEST(DidYouMean, NamesTheNearestOrAll) {
  EXPECT_EQ(did_you_mean("r_tap_ohm", kFields), "; did you mean r_top_ohm?");
  EXPECT_EQ(did_you_mean("colour", kFields), "; must be one of r_top_ohm, r_bottom_ohm, capacitance_f");
  EXPECT_EQ(did_you_mean("colour", {}), "");
}

TEST(NumberText, IsTheShortestThatReadsBack) {
  EXPECT_EQ(number_text(100000.0), "100000");
  EXPECT_EQ(number_text(14.4), "14.4");
  EXPECT_EQ(number_text(-0.05), "-0.05");
  EXPECT_EQ(number_text(0.0), "0");
  EXPECT_EQ(number_text(1e-6), "1e-6");
  EXPECT_EQ(number_text(2.5e-12), "2.5e-12");
  EXPECT_EQ(number_text(1e20), "1e20");
  EXPECT_EQ(number_text(std::nan("")), "nan");
  EXPECT_EQ(number_text(-std::numeric_limits<double>::infinity()), "-inf");
  EXPECT_EQ(number_text(1e100), "1e100");
}

TEST(NumberText, ReadsBackAsTheSameNumber) {
  std::uint64_t bits = 1;
  for (int i = 0; i < 20'000; ++i) {
    bits = bits * 6364136223846793005U + 1442695040888963407U;
    const double mantissa = static_cast<double>(bits >> 11U) * 0x1p-53 + 0.5;
    const double value = std::ldexp(mantissa, static_cast<int>(bits % 200) - 100);
    ASSERT_EQ(std::strtod(number_text(value).c_str(), nullptr), value) << number_text(value);
  }
}

TEST(NumberText, CanBeCutToDecimals) {
  EXPECT_EQ(number_text(14.39999, 2), "14.4");
  EXPECT_EQ(number_text(14.0, 3), "14");
  EXPECT_EQ(number_text(-0.0004, 2), "0");
  EXPECT_EQ(number_text(1200.0, 0), "1200");
  EXPECT_EQ(number_text(std::nan(""), 2), "nan");
}

TEST(Units, AreKnownByTheirExactNames) {
  for (const char* unit :
       {"V", "mV", "A", "W", "s", "ms", "h", "degC", "K", "%", "V/K", "mV/K", "Hz", "Ah", "W/m2", "1", "count"}) {
    EXPECT_TRUE(is_unit_name(unit)) << unit;
  }
  EXPECT_FALSE(is_unit_name("v"));
  EXPECT_FALSE(is_unit_name("volt"));
  EXPECT_FALSE(is_unit_name(""));
}

TEST(Units, AreFoundAtTheEndOfNames) {
  const auto split = [](std::string_view name) {
    const auto parts = split_unit(name);
    return parts ? std::string(parts->stem) + "|" + std::string(parts->unit) : "none";
  };
  EXPECT_EQ(split("r_top_ohm"), "r_top|ohm");
  EXPECT_EQ(split("r_top_kohm"), "r_top|kohm");
  EXPECT_EQ(split("ocv_tempco_v_per_k"), "ocv_tempco|v_per_k");
  EXPECT_EQ(split("gassing_a_per_100ah"), "gassing|a_per_100ah");
  EXPECT_EQ(split("polarity"), "none");
  EXPECT_EQ(split("_v"), "none");
  EXPECT_EQ(split("v"), "none");
}

}  // namespace
}  // namespace dawnrig::base
