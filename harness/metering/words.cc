#include "harness/metering/words.h"

#include <array>
#include <cmath>

#include "harness/base/text.h"

namespace dawnrig::metering {
namespace {

struct Named {
  const char* part;
  const char* words;
};
constexpr std::array kParts = {
    Named{"r_top_ohm", "the upper resistor"},
    Named{"r_bottom_ohm", "the lower resistor"},
    Named{"diode_v", "the offset diode's voltage"},
    Named{"diode_tempco_v_per_k", "the offset diode's drift"},
    Named{"knee_v", "the offset diode's knee"},
    Named{"diode_series_ohm", "the offset diode's resistance"},
    Named{"diode_leak_a", "the offset diode's leakage"},
    Named{"pin_leak_a", "the pin's leakage"},
    Named{"supply_v", "the supply as reference"},
    Named{"aref_v", "the external reference"},
    Named{"internal_reference_v", "the internal reference"},
    Named{"internal_reference_2_v", "the second internal reference"},
    Named{"offset_lsb", "the converter's offset"},
    Named{"gain_error_frac", "the converter's gain"},
    Named{"inl_lsb", "the converter's non-linearity"},
    Named{"converter", "the converter's resolution"},
    Named{"meter", "the meter of the calibration"},
    Named{"r_pull_up_ohm", "the pull-up resistor"},
    Named{"r_pull_down_ohm", "the pull-down resistor"},
    Named{"r_25_ohm", "the thermistor's resistance"},
    Named{"beta_k", "the thermistor's slope"},
    Named{"shunt_ohm", "the shunt"},
    Named{"gain_v_per_v", "the amplifier's gain"},
    Named{"bias_v", "the amplifier's bias"},
    Named{"offset_v", "the amplifier's offset"},
};

}  // namespace

std::string part_words(const std::string& part) {
  for (const Named& one : kParts) {
    if (part == one.part) return std::string{one.words} + " (" + part + ")";
  }
  return part;
}

std::string drift_words(const profile::SenseChannel& channel) {
  return std::holds_alternative<plant::OffsetDividerParams>(channel.network.network)
             ? "the offset diode drifts as its data sheet says"
             : "the parts drift as their data sheets say";
}

std::string promise_text(const Variable& variable) {
  if (variable.cause == Cause::kDrift) return base::number_text(1e6 * variable.half_width, 1) + " ppm/K";
  if (variable.cause == Cause::kQuantisation || variable.cause == Cause::kNoise || variable.part.ends_with("_lsb")) {
    return base::number_text(variable.half_width, 3) + " codes";
  }
  if (variable.part.ends_with("_frac") || variable.part == "meter") {
    return base::number_text(100 * variable.half_width, 3) + " %";
  }
  const std::size_t unit =
      variable.part.ends_with("_v_per_k") ? variable.part.size() - 7 : variable.part.rfind('_') + 1;
  const double size = std::fabs(variable.half_width);
  const std::string name = variable.part.substr(unit);
  if (name == "v_per_k") return base::number_text(1e3 * size, 3) + " mV/K";
  if (name == "v" && size < 1) return base::number_text(1e3 * size, 3) + " mV";
  if (name == "a") return base::number_text(1e6 * size, 3) + " µA";
  return base::number_text(size, 4) + " " + (name == "v" ? "V" : name == "k" ? "K" : name);
}

}  // namespace dawnrig::metering
