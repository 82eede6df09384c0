#include "harness/testing/matchers.h"

#include <gtest/gtest.h>

#include <limits>

#include "harness/verdict/levels.h"

namespace dawnrig::testing {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using ::testing::Not;

/// A bus that is at one voltage from an instant on.
void see(verdict::Monitor& monitor, Nanos at, double bus_v) {
  trace::Sample sample;
  sample.time = at;
  sample[trace::Signal::kBusV] = bus_v;
  monitor.on_sample(sample);
}

template <class Value, class Matcher>
std::string explanation(const Value& value, const Matcher& matcher) {
  ::testing::StringMatchResultListener listener;
  ::testing::SafeMatcherCast<const Value&>(matcher).MatchAndExplain(value, &listener);
  return listener.str();
}

TEST(Keeps, HoldsWhatAMonitorSawAgainstALimit) {
  verdict::Highest peak{{.signal = trace::Signal::kBusV, .limit = at_most(30.0_V)}};
  see(peak, 1s, 28.8);
  see(peak, 2s, 29.9);
  EXPECT_THAT(peak, Keeps(at_most(30.0_V)));
  EXPECT_THAT(peak, Keeps(between(29.0_V, 30.0_V)));
  EXPECT_THAT(peak, Not(Keeps(at_least(29.95_V))));
}

TEST(Keeps, NamesTheFirstOffendingSample) {
  verdict::Highest peak{{.signal = trace::Signal::kBusV, .limit = at_most(30.0_V)}};
  see(peak, 1s, 28.8);
  see(peak, 2s, 30.5);
  see(peak, 3s, 33.0);
  EXPECT_THAT(peak, Not(Keeps(at_most(30.0_V))));
  EXPECT_THAT(explanation(peak, Keeps(at_most(30.0_V))), HasSubstr("FAIL"));
  EXPECT_THAT(explanation(peak, Keeps(at_most(30.0_V))), HasSubstr("30.5"));
  EXPECT_THAT(explanation(peak, Keeps(at_most(30.0_V))), HasSubstr("2.0"));
}

TEST(Keeps, DoesNotTakeSilenceForAssent) {
  const verdict::Highest never{{.signal = trace::Signal::kBusV}};
  EXPECT_THAT(never, Not(Keeps(at_most(30.0_V))));
  EXPECT_THAT(explanation(never, Keeps(at_most(30.0_V))), HasSubstr("VACUOUS"));
  verdict::Figure no_number;
  no_number.value = std::numeric_limits<double>::quiet_NaN();
  no_number.exercised = 5;
  EXPECT_THAT(no_number, Not(Keeps(at_most(5.0_A))));
}

}  // namespace
}  // namespace dawnrig::testing
