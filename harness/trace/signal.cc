#include "harness/trace/signal.h"

#include "harness/trace/stretch.h"

namespace dawnrig::trace {
namespace {

struct Facts {
  std::string_view name;
  std::string_view unit;
  bool is_switch{false};
};

constexpr std::array<Facts, kSignalCount> kFacts{{
    {"terminal_v", "V"},        {"bus_v", "V"},       {"battery_a", "A"},       {"panel_v", "V"},
    {"panel_a", "A"},           {"load_v", "V"},      {"load_a", "A"},          {"gate", "1", true},
    {"load_switch", "1", true}, {"poa_wpm2", "W/m2"}, {"battery_degc", "degC"}, {"cell_degc", "degC"},
    {"soc_frac", "1"},          {"gassing_a", "A"},   {"sense0_v", "V"},        {"sense1_v", "V"},
    {"sense2_v", "V"},          {"sense3_v", "V"},    {"fault", "1", true},     {"heat_sink_degc", "degC"},
}};
static_assert(!kFacts.back().name.empty(), "every signal has a row");

constexpr const Facts& facts_of(Signal signal) {
  return kFacts[static_cast<std::size_t>(signal)];
}

// A row in the wrong place would mislabel every trace; the ends and the switches pin the order down.
static_assert(facts_of(Signal::kTerminalV).name == "terminal_v");
static_assert(facts_of(Signal::kGate).is_switch && facts_of(Signal::kLoadSwitch).is_switch);
static_assert(facts_of(Signal::kSense3V).name == "sense3_v");

}  // namespace

std::string_view name_of(Signal signal) {
  return facts_of(signal).name;
}

std::string_view unit_of(Signal signal) {
  return facts_of(signal).unit;
}

bool is_switch(Signal signal) {
  return facts_of(signal).is_switch;
}

std::optional<Signal> signal_named(std::string_view name) {
  for (std::size_t i = 0; i < kSignalCount; ++i) {
    if (kFacts[i].name == name) return static_cast<Signal>(i);
  }
  return std::nullopt;
}

void Sink::on_stretch(const Stretch& stretch) {
  for (const Sample& sample : stretch.samples()) on_sample(sample);
}

}  // namespace dawnrig::trace
