// The recommended table of a thermistor.
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/metering/code_table.h"
#include "harness/metering/cost.h"
#include "harness/metering/names.h"
#include "harness/metering/recommend.h"
#include "harness/metering/recommend_internal.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

constexpr int kWidestShift = 7;
constexpr int kNarrowestShift = 2;

/// "degc", "ddegc", "cdegc": degrees, tenths and hundredths of them.
std::string count_name(double count) {
  return count == 1 ? "degc" : count == 0.1 ? "ddegc" : count == 0.01 ? "cdegc" : "mdegc";
}

struct Found {
  CodeTable table;
  TableProof proof;
  std::string header;
  std::optional<Cost> cost;
};

std::optional<Found> find(const profile::BoardProfile& board, const profile::SenseChannel& channel,
                          const Demand& demand, const std::vector<double>& ideal, int step_shift,
                          const std::string& compiler) {
  const auto table = code_table(demand, ideal, step_shift);
  if (!table) return std::nullopt;
  Found found{*table, prove(*table, demand, ideal), "", {}};
  if (!found.proof.sound()) return std::nullopt;
  const std::string unit = demand.count == 1 ? "degC" : "counts of " + base::number_text(demand.count) + " degC";
  HeaderText text{board.name + ", revision " + board.revision,
                  channel.name,
                  count_name(demand.count),
                  unit,
                  network_comment(board, channel),
                  ""};
  found.header = c_header(found.table, found.proof, demand, text);
  if (compiler.empty()) return found;
  constexpr std::uint32_t kTried = 128;
  const auto expected = [&](std::uint32_t code) { return found.table.counts_at(code); };
  found.cost =
      measure(demand.largest_sum(), expected, found.header,
              identifier(channel.name + "_" + text.unit_name) + "_of_code", compiler, board.device.part, kTried);
  if (found.cost->first_differing) {
    throw base::RunFault("the compiled table differs from the searched one at code " +
                         std::to_string(*found.cost->first_differing));
  }
  text.cycles = cycles_text(*found.cost) + " on the simulated " + board.device.part +
                ", beside loading the code and storing the result";
  found.header = c_header(found.table, found.proof, demand, text);
  return found;
}

/// Wide steps are small; the widest that is good enough is chosen.
Recommendation chosen(const profile::BoardProfile& board, const profile::SenseChannel& channel,
                      const ArithmeticOptions& options, bool whole) {
  demand("adc-bits", options.bits, 8, 12);
  demand("within-k", options.within_k, 0.01, 10);
  const std::vector<SetPoint> points = set_points(board, channel);
  Chain chain = chain_of(board, channel, options.bits);
  chain.adc = {};
  const Demand wanted{chain, 1, options.count, points.front().at, points.back().at};
  const std::vector<double> ideal = ideal_counts(wanted);
  const std::string compiler = compiler_of(options);
  Table table{"arithmetic",
              {{"step_codes", "codes apart", 0},
               {"points", "points", 0},
               {"table_bytes", "bytes", 0},
               {"worst_error_mk", "error, mK", 0},
               {"cycles", "cycles, at most", 0}},
              {}};
  std::optional<Found> best;
  for (int shift = kWidestShift; shift >= kNarrowestShift; --shift) {
    const std::optional<Found> found = find(board, channel, wanted, ideal, shift, compiler);
    if (!found) continue;
    const double points_count = static_cast<double>(found->table.entries.size());
    table.rows.push_back({static_cast<double>(found->table.step()), points_count, 2 * points_count,
                          1e3 * std::fabs(found->proof.worst_within),
                          found->cost ? static_cast<double>(found->cost->most_cycles) : std::nan("")});
    if (!best && std::fabs(found->proof.worst_within) <= options.within_k) best = found;
    if (best && !whole) break;
  }
  if (!best) {
    throw base::BadInput("--within-k", "is " + base::number_text(options.within_k) +
                                           " K, which no table in counts of " + base::number_text(options.count) +
                                           " reaches");
  }
  Section section{"Integer arithmetic", {}, {}, {}, best->header};
  section.sentences.push_back("Use a table of " + std::to_string(best->table.entries.size()) + " points, " +
                              std::to_string(best->table.step()) + " codes apart, " +
                              std::to_string(2 * best->table.entries.size()) + " bytes: off by at most " +
                              fixed_text(std::fabs(best->proof.worst_within), 2) + " K from " +
                              base::number_text(wanted.lowest) + " to " + base::number_text(wanted.highest) + " °C" +
                              (best->cost ? ", in " + cycles_text(*best->cost) : std::string{}) + ".");
  section.sentences.push_back("It is the smallest that stays within " + base::number_text(options.within_k) +
                              " K, and it was tried with all " + std::to_string(best->proof.codes) +
                              " codes: no product overflows, no step goes the wrong way.");
  section.tables = {std::move(table)};
  return {{title_of(board, channel), "", {std::move(section)}}, best->header};
}

}  // namespace

Recommendation recommend_table(const profile::BoardProfile& board, const profile::SenseChannel& channel,
                               const ArithmeticOptions& options) {
  return chosen(board, channel, options, true);
}

std::string recommended_table_header(const profile::BoardProfile& board, const profile::SenseChannel& channel,
                                     const ArithmeticOptions& options) {
  return chosen(board, channel, options, false).header;
}

}  // namespace dawnrig::metering
