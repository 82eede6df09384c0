#include "harness/trace/signal.h"

#include <gtest/gtest.h>

#include <set>
#include <string>

#include "harness/base/units.h"

namespace dawnrig::trace {
namespace {

Signal at(std::size_t i) {
  return static_cast<Signal>(i);
}

TEST(Signals, HaveEachItsOwnNameByWhichTheyAreFoundAgain) {
  std::set<std::string> names;
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    const std::string name{name_of(at(i))};
    ASSERT_FALSE(name.empty()) << "signal " << i;
    EXPECT_TRUE(names.insert(name).second) << name << " is there twice";
    EXPECT_EQ(signal_named(name), at(i)) << name;
  }
  EXPECT_FALSE(signal_named("TERMINAL_V"));
  EXPECT_FALSE(signal_named(""));
  EXPECT_FALSE(signal_named("terminal"));
}

TEST(Signals, CarryTheirUnitInTheirNameUnlessTheyAreSwitches) {
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    const auto suffixed = base::split_unit(name_of(at(i)));
    EXPECT_EQ(suffixed.has_value(), !is_switch(at(i))) << name_of(at(i));
  }
}

TEST(Signals, TellTheUnitOfTheirValues) {
  EXPECT_EQ(unit_of(Signal::kTerminalV), "V");
  EXPECT_EQ(unit_of(Signal::kBusV), "V");
  EXPECT_EQ(unit_of(Signal::kBatteryA), "A");
  EXPECT_EQ(unit_of(Signal::kPanelV), "V");
  EXPECT_EQ(unit_of(Signal::kPanelA), "A");
  EXPECT_EQ(unit_of(Signal::kLoadV), "V");
  EXPECT_EQ(unit_of(Signal::kLoadA), "A");
  EXPECT_EQ(unit_of(Signal::kGate), "1");
  EXPECT_EQ(unit_of(Signal::kLoadSwitch), "1");
  EXPECT_EQ(unit_of(Signal::kPoaWpm2), "W/m2");
  EXPECT_EQ(unit_of(Signal::kBatteryDegc), "degC");
  EXPECT_EQ(unit_of(Signal::kCellDegc), "degC");
  EXPECT_EQ(unit_of(Signal::kSocFrac), "1");
  EXPECT_EQ(unit_of(Signal::kGassingA), "A");
  EXPECT_EQ(unit_of(Signal::kFault), "1");
  for (const Signal sense : {Signal::kSense0V, Signal::kSense1V, Signal::kSense2V, Signal::kSense3V}) {
    EXPECT_EQ(unit_of(sense), "V") << name_of(sense);
  }
}

TEST(Signals, KeepTheirColumnOrderBecauseOldTracesHaveIt) {
  constexpr std::array<std::string_view, 19> kOrder{"terminal_v",   "bus_v",     "battery_a", "panel_v",     "panel_a",
                                                    "load_v",       "load_a",    "gate",      "load_switch", "poa_wpm2",
                                                    "battery_degc", "cell_degc", "soc_frac",  "gassing_a",   "sense0_v",
                                                    "sense1_v",     "sense2_v",  "sense3_v",  "fault"};
  ASSERT_GE(kSignalCount, kOrder.size()) << "append only";
  for (std::size_t i = 0; i < kOrder.size(); ++i) EXPECT_EQ(name_of(at(i)), kOrder[i]);
}

TEST(Signals, ThatAreSwitchesAreTheGateTheLoadSwitchAndTheFaultOutput) {
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    EXPECT_EQ(is_switch(at(i)), at(i) == Signal::kGate || at(i) == Signal::kLoadSwitch || at(i) == Signal::kFault)
        << name_of(at(i));
  }
}

TEST(Samples, AreReadAndWrittenBySignal) {
  Sample sample;
  sample[Signal::kBatteryA] = 4.5;
  EXPECT_EQ(sample[Signal::kBatteryA], 4.5);
  EXPECT_EQ(sample.value[2], 4.5);
}

}  // namespace
}  // namespace dawnrig::trace
