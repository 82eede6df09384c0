#include "harness/metering/code_table.h"

#include <algorithm>
#include <cmath>

#include "harness/base/text.h"
#include "harness/metering/account.h"
#include "harness/metering/names.h"

namespace dawnrig::metering {
namespace {

constexpr double kBeyondK = 15;  // the table goes on so far beyond the set points

}  // namespace

std::int64_t CodeTable::counts_at(std::uint32_t code) const {
  const int at = static_cast<int>(code);
  if (at <= first_code) return entries.front();
  if (at >= last_code()) return entries.back();
  const int offset = at - first_code;
  const auto i = static_cast<std::size_t>(offset >> step_shift);
  const std::int32_t rest = offset & (step() - 1);
  const std::int32_t apart = falling() ? entries[i] - entries[i + 1] : entries[i + 1] - entries[i];
  const std::int32_t moved = (apart * rest + step() / 2) / step();
  return falling() ? entries[i] - moved : entries[i] + moved;
}

std::optional<CodeTable> code_table(const Demand& demand, const std::vector<double>& ideal_counts, int step_shift) {
  const auto code_for = [&](double sensed) {
    return static_cast<int>(std::clamp(position_lsb(demand.chain, sensed, kRoomDegc), 1.0, demand.chain.codes() - 2));
  };
  const int a = code_for(demand.lowest - kBeyondK);
  const int b = code_for(demand.highest + kBeyondK);
  CodeTable table;
  table.count = demand.count;
  table.step_shift = step_shift;
  table.first_code = (std::min(a, b) >> step_shift) << step_shift;
  const int last = static_cast<int>(demand.chain.codes()) - 1;
  for (int code = table.first_code; code <= last; code += table.step()) {
    const double here = ideal_counts[static_cast<std::size_t>(code)];
    if (!std::isfinite(here)) break;
    table.entries.push_back(static_cast<std::int32_t>(std::lround(here)));
    if (code >= std::max(a, b)) break;
  }
  if (table.entries.size() < 2) return std::nullopt;
  return table;
}

TableProof prove(const CodeTable& table, const Demand& demand, const std::vector<double>& ideal_counts) {
  TableProof proof;
  for (std::size_t i = 1; i < table.entries.size(); ++i) {
    const std::int64_t apart = std::abs(std::int64_t{table.entries[i]} - table.entries[i - 1]);
    proof.largest_product = std::max(proof.largest_product, apart * (table.step() - 1) + table.step() / 2);
  }
  std::int64_t before = table.counts_at(0);
  for (std::uint32_t code = 0; code < ideal_counts.size(); ++code) {
    ++proof.codes;
    const std::int64_t counts = table.counts_at(code);
    if ((table.falling() ? counts > before : counts < before) && !proof.first_turn) proof.first_turn = code;
    before = counts;
    const double ideal = ideal_counts[code] * demand.count;
    if (!(ideal >= demand.lowest && ideal <= demand.highest)) continue;
    const double error = static_cast<double>(counts) * demand.count - ideal;
    if (std::fabs(error) <= std::fabs(proof.worst_within)) continue;
    proof.worst_within = error;
    proof.worst_within_at = code;
  }
  return proof;
}

std::string c_header(const CodeTable& table, const TableProof& proof, const Demand& demand, const HeaderText& text) {
  const std::string name = identifier(text.channel + "_" + text.unit_name);
  const std::string prefix = upper_identifier(text.channel + "_" + text.unit_name);
  const std::string step = std::to_string(table.step());
  std::string out = "// " + text.channel + " in " + text.unit + " from a code, for " + text.board +
                    ". Generated; do not edit.\n//\n" + text.network + "//\n";
  out += "// Points " + step +
         " codes apart, each the network solved for the middle of its code, straight in between. Proved by\n" +
         "// going through all " + std::to_string(proof.codes) + " codes: the largest product is " +
         std::to_string(proof.largest_product) + ", below 2^16; no step goes the wrong way;\n" + "// off by at most " +
         fixed_text(std::fabs(proof.worst_within), 2) + " degC from " + base::number_text(demand.lowest) + " to " +
         base::number_text(demand.highest) + " degC (code " + std::to_string(proof.worst_within_at) +
         "). Beyond its ends the table stands still.\n";
  if (!text.cycles.empty()) out += "// Takes " + text.cycles + ".\n";
  out += "#pragma once\n\n#include <stdint.h>\n\n";
  out += "#define " + prefix + "_FIRST_CODE " + std::to_string(table.first_code) + "\n";
  out += "#define " + prefix + "_LAST_CODE " + std::to_string(table.last_code()) + "\n";
  out += "#define " + prefix + "_STEP " + step + "U\n";
  out += "static const int16_t " + name + "_points[] = {";
  for (std::size_t i = 0; i < table.entries.size(); ++i) {
    out += (i % 16 == 0 ? "\n    " : " ") + std::to_string(table.entries[i]) + ",";
  }
  out += "\n};\n\nstatic inline int16_t " + name + "_of_code(uint16_t code) {\n";
  out += "  if (code <= " + prefix + "_FIRST_CODE) {\n    return " + name + "_points[0];\n  }\n";
  out += "  if (code >= " + prefix + "_LAST_CODE) {\n    return " + name + "_points[" +
         std::to_string(table.entries.size() - 1) + "];\n  }\n";
  const char* sign = table.falling() ? "-" : "+";
  const std::string apart = table.falling() ? "low - high" : "high - low";
  out += "  const uint16_t offset = code - " + prefix + "_FIRST_CODE;\n";
  out += "  const int16_t low = " + name + "_points[offset / " + prefix + "_STEP];\n";
  out += "  const int16_t high = " + name + "_points[offset / " + prefix + "_STEP + 1];\n";
  out += "  const uint16_t product = (uint16_t)(" + apart + ") * (uint16_t)(offset % " + prefix + "_STEP);\n";
  out += "  return (int16_t)(low " + std::string{sign} + " (int16_t)((uint16_t)(product + " + prefix + "_STEP / 2) / " +
         prefix + "_STEP));\n}\n";
  return out;
}

}  // namespace dawnrig::metering
