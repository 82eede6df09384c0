// The recommended arithmetic as a C header.
#include <algorithm>
#include <array>
#include <cmath>

#include "harness/base/text.h"
#include "harness/metering/account.h"
#include "harness/metering/arithmetic.h"
#include "harness/metering/names.h"

namespace dawnrig::metering {
namespace {

std::string stem(const HeaderText& text) {
  return text.channel + "_" + text.unit_name;
}

std::string input_type(const Line& line) {
  return line.largest_sum <= 0xFF ? "uint8_t" : line.largest_sum <= 0xFFFF ? "uint16_t" : "uint32_t";
}

std::string power_of_two(int shift) {
  return "2^" + std::to_string(shift);
}

std::string definition(const std::string& name, const std::string& value) {
  return "#define " + name + " " + value + "\n";
}

std::string expression(const Line& line, const std::string& prefix, const std::string& type) {
  std::string operand = line.falling ? "(" + prefix + "_LARGEST_SUM - sum)" : "sum";
  if (line.dropped > 0) operand = "(" + operand + " >> " + std::to_string(line.dropped) + ")";
  const std::string wide = line.width_bits == 32 ? "uint32_t" : line.width_bits == 16 ? "uint16_t" : "uint8_t";
  const std::string sum = line.width_bits == 32 ? "uint32_t" : "uint16_t";
  std::string text = "(" + sum + ")((" + wide + ")" + operand + " * " + (line.width_bits == 8 ? "(uint8_t)" : "") +
                     prefix + "_MULTIPLY + " + prefix + "_OFFSET) >> " + prefix + "_SHIFT";
  // Added without a sign, where going round is defined; the cast back takes it for what it is.
  const std::string plain = (type.starts_with("int") ? "u" : "") + type;
  if (line.base != 0) text = "(" + plain + ")(" + text + ") + (" + plain + ")" + prefix + "_BASE";
  return "(" + type + ")(" + text + ")";
}

std::string derivation(const Line& line, const Demand& demand, const HeaderText& text) {
  const double slope = (line.mean_at(demand.chain.codes()) - line.mean_at(0)) / line.count;
  const double per_operand = line.multiply * std::exp2(-line.shift);
  std::string out = "// Where the constants come from:\n";
  out += "//   one code of " + std::to_string(demand.chain.bits) + " bits is " +
         base::number_text(1e3 * demand.chain.reference_v() / demand.chain.codes(), 4) + " mV at the pin and " +
         base::number_text(slope / demand.chain.codes(), 5) + " " + text.unit + " at the terminal\n";
  out += "//   multiply   " + std::to_string(line.multiply) + " / " + power_of_two(line.shift) + " = " +
         base::number_text(per_operand, 7) + " " + text.unit + " for each count of the operand\n";
  out += "//   offset     " + std::to_string(line.offset) + " / " + power_of_two(line.shift) + " = " +
         base::number_text(line.offset * std::exp2(-line.shift), 3) + " " + text.unit +
         ": the terminal at code 0, half a code since a code begins at\n//              its lower edge, and half a " +
         text.unit + " since the shift rounds down\n";
  if (line.base != 0) {
    out += "//   base       " + std::to_string(line.base) + " " + text.unit +
           ", added after the shift, since it would not fit before it\n";
  }
  if (line.dropped > 0) {
    out += "//   operand    the sum without its lowest " + std::to_string(line.dropped) + " bit(s), to fit\n";
  }
  return out;
}

std::string proved(const Line& line, const Proof& proof, const Demand& demand, const HeaderText& text) {
  const int accumulator = line.width_bits == 8 ? 16 : line.width_bits;
  std::string out = "// Proved by going through all " + std::to_string(proof.sums) + " sums, 0 to " +
                    std::to_string(line.largest_sum) + ":\n";
  out += "//   the largest value before the shift is " + std::to_string(proof.largest) + ", below " +
         power_of_two(accumulator) + "; results run from " + std::to_string(proof.lowest_counts) + " to " +
         std::to_string(proof.highest_counts) + " " + text.unit + "\n";
  out += std::string{"//   a higher sum never reads "} + (line.falling ? "higher" : "lower") + "\n";
  out += "//   against the solved network, off by at most " + fixed_text(std::fabs(proof.worst_within), 2) + " " +
         text.unit + " between " + base::number_text(demand.lowest, 3) + " and " +
         base::number_text(demand.highest, 3) + " (sum " + std::to_string(proof.worst_within_at) + "), " +
         fixed_text(std::fabs(proof.worst_anywhere), 2) + " anywhere (sum " + std::to_string(proof.worst_anywhere_at) +
         ")\n";
  return out;
}

}  // namespace

std::string function_name(const Line& line, const HeaderText& text) {
  return identifier(stem(text)) + (line.samples > 1 ? "_of_sum" : "_of_code");
}

std::string c_header(const Line& line, const Proof& proof, const Demand& demand, const HeaderText& text) {
  const std::string prefix = upper_identifier(stem(text));
  const std::string type = result_type(proof);
  const char* suffix = line.width_bits == 32 ? "UL" : "U";
  const double at_zero = line.mean_at(0) / line.count;
  const double span = (line.mean_at(demand.chain.codes()) - line.mean_at(0)) / line.count;
  std::string out = "// " + text.channel + " in " + text.unit + " from " +
                    (line.samples > 1 ? "the sum of " + std::to_string(line.samples) + " codes" : "a code") + ", for " +
                    text.board + ". Generated; do not edit.\n//\n";
  out += text.network + "//\n" + derivation(line, demand, text) + "//\n" + proved(line, proof, demand, text);
  if (!text.cycles.empty()) out += "// Takes " + text.cycles + ".\n";
  out += "#pragma once\n\n#include <stdint.h>\n\n";
  out += definition(prefix + "_SAMPLES", std::to_string(line.samples));
  if (line.falling) out += definition(prefix + "_LARGEST_SUM", std::to_string(line.largest_sum) + suffix);
  out += definition(prefix + "_MULTIPLY", std::to_string(line.multiply) + suffix);
  out += definition(prefix + "_OFFSET", std::to_string(line.offset) + suffix);
  out += definition(prefix + "_SHIFT", std::to_string(line.shift));
  if (line.base != 0) out += definition(prefix + "_BASE", "(" + std::to_string(line.base) + ")");
  out +=
      "// The same line in whole " + text.unit + ", for thresholds: at the beginning of code 0, and over all codes.\n";
  out += definition(prefix + "_AT_ZERO", "(" + std::to_string(std::lround(at_zero)) + "L)");
  out += definition(prefix + "_SPAN", "(" + std::to_string(std::lround(span)) + "L)");
  out += "\nstatic inline " + type + " " + function_name(line, text) + "(" + input_type(line) + " sum) {\n  return " +
         expression(line, prefix, type) + ";\n}\n";
  return out;
}

}  // namespace dawnrig::metering
