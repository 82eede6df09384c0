#include "harness/metering/recommend.h"

#include <array>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/metering/cost.h"
#include "harness/metering/recommend_internal.h"
#include "harness/metering/transfer.h"

namespace dawnrig::metering {
namespace {

constexpr std::array kCounts = {1.0, 0.1, 0.01, 0.001};
constexpr std::array kWidths = {8, 16, 32};

/// "mv", "10mv", "100mv", "v": what one count is, in a name.
std::string count_name(double count, const Words& words, bool printed) {
  std::string milli = printed ? words.milli : words.milli_suffix;
  if (count == 1.0) return printed ? words.unit : words.suffix;
  if (count == 0.1) return "100" + std::string{printed ? " " : ""} + milli;
  if (count == 0.01) return "10" + std::string{printed ? " " : ""} + milli;
  return milli;
}

Demand demand_of(const profile::BoardProfile& board, const profile::SenseChannel& channel,
                 const ArithmeticOptions& options) {
  const std::vector<SetPoint> points = set_points(board, channel);
  Chain chain = chain_of(board, channel, options.bits);
  chain.adc = {};
  return {chain, options.samples > 0 ? options.samples : channel.averaged_codes, options.count, points.front().at,
          points.back().at};
}

struct Found {
  Line line;
  Proof proof;
  std::string header;
  std::optional<Cost> cost;
};

/// ideal: in the channel's unit. The line for one count and width with everything about it; nullopt if none fits.
std::optional<Found> find(const profile::BoardProfile& board, const profile::SenseChannel& channel, Demand demand,
                          const std::vector<double>& ideal, double count, int width_bits, const std::string& compiler) {
  demand.count = count;
  std::vector<double> in_counts(ideal.size());
  for (std::size_t i = 0; i < ideal.size(); ++i) in_counts[i] = ideal[i] / count;
  const std::optional<Line> line = best_line(demand, in_counts, width_bits);
  if (!line) return std::nullopt;
  Found found{*line, prove(*line, in_counts, reach_of(demand)), "", {}};
  if (!found.proof.sound()) return std::nullopt;
  const Words words = words_for(channel.quantity);
  const std::string printed = count_name(count, words, true);
  const std::string unit = printed.find(' ') == std::string::npos ? printed : "counts of " + printed;
  HeaderText text{board.name + ", revision " + board.revision,
                  channel.name,
                  count_name(count, words, false),
                  unit,
                  network_comment(board, channel),
                  ""};
  found.header = c_header(found.line, found.proof, demand, text);
  if (!compiler.empty()) {
    constexpr std::uint32_t kTried = 64;
    const auto expected = [&](std::uint32_t sum) { return found.line.counts_at(sum); };
    found.cost = measure(found.line.largest_sum, expected, found.header, function_name(found.line, text), compiler,
                         board.device.part, kTried);
    if (found.cost->first_differing) {
      throw base::RunFault("the compiled line differs from the searched one at sum " +
                           std::to_string(*found.cost->first_differing));
    }
    text.cycles = cycles_text(*found.cost) + " on the simulated " + board.device.part +
                  ", beside loading the sum and storing the result";
    found.header = c_header(found.line, found.proof, demand, text);
  }
  return found;
}

const profile::SenseChannel& straight_channel(const profile::BoardProfile& board, const ArithmeticOptions& options) {
  const profile::SenseChannel& channel = channel_named(board, options.channel);
  demand("adc-bits", options.bits, 8, 16);
  demand("samples", options.samples, 0, 4096);
  if (options.samples > 0 || channel.averaged_codes > 1) {
    const double largest = std::max(options.samples, channel.averaged_codes) * (std::exp2(options.bits) - 1);
    if (largest > 4e6)
      throw base::BadInput("--samples", "make a sum of " + base::number_text(largest) + ", must be at most 4000000");
  }
  return channel;
}

std::vector<double> ideal_of(Demand demand) {
  demand.count = 1;
  return ideal_counts(demand);
}

void add_row(Table& table, const std::string& count, int width_bits, const std::optional<Found>& found,
             double count_size) {
  std::vector<Cell> row{count, static_cast<double>(width_bits)};
  if (!found) {
    row.insert(row.end(), {"no line fits", "", "", "", "", "", "", ""});
    table.rows.push_back(std::move(row));
    return;
  }
  const Line& line = found->line;
  row.insert(row.end(), {static_cast<double>(line.multiply), static_cast<double>(line.offset),
                         static_cast<double>(line.shift), static_cast<double>(line.dropped),
                         static_cast<double>(line.base), 1e3 * count_size * std::fabs(found->proof.worst_within),
                         1e3 * count_size * std::fabs(found->proof.worst_anywhere)});
  row.emplace_back(found->cost ? static_cast<double>(found->cost->most_cycles) : std::nan(""));
  table.rows.push_back(std::move(row));
}

Picture picture_of(const Found& found, const std::vector<double>& ideal, const Demand& demand, const Words& words) {
  Picture picture{"Error of the recommended line", words.quantity + ", " + words.unit, {}};
  Curve curve{"reading minus solved network", {}, {}};
  for (std::size_t sum = 0; sum < ideal.size(); ++sum) {
    const double sensed = ideal[sum];
    if (!std::isfinite(sensed) || sensed < demand.lowest - 1 || sensed > demand.highest + 1) continue;
    curve.x.push_back(sensed);
    curve.y.push_back(
        1e3 * (found.line.count * static_cast<double>(found.line.counts_at(static_cast<std::uint32_t>(sum))) - sensed));
  }
  picture.planes.push_back({"error, " + words.milli, {std::move(curve)}});
  return picture;
}

std::string answer(const Found& found, const Demand& demand, const Words& words, const std::string& unit) {
  const Line& line = found.line;
  const std::string sum = line.samples > 1 ? "sum of " + std::to_string(line.samples) + " codes" : "code";
  return "Use (" + sum + " * " + std::to_string(line.multiply) + " + " + std::to_string(line.offset) + ") >> " +
         std::to_string(line.shift) + (line.base != 0 ? " and add " + std::to_string(line.base) : "") + ", in " +
         std::to_string(line.width_bits) + " bits, for " + words.quantity + " in " + unit + ": off by at most " +
         fixed_text(std::fabs(found.proof.worst_within), 2) + " " + unit + " between " +
         base::number_text(demand.lowest, 2) + " and " + base::number_text(demand.highest, 2) + " " + words.unit +
         (found.cost ? ", in " + cycles_text(*found.cost) : std::string{}) + ".";
}

}  // namespace

std::string cycles_text(const Cost& cost) {
  const std::string most = std::to_string(cost.most_cycles);
  return (cost.least_cycles == cost.most_cycles ? most : std::to_string(cost.least_cycles) + " to " + most) + " cycles";
}

std::string compiler_of(const ArithmeticOptions& options) {
  if (options.compiler.empty()) return "";
  const auto found = compiler_at(options.compiler);
  return found ? found->string() : "";
}

std::string network_comment(const profile::BoardProfile& board, const profile::SenseChannel& channel) {
  std::string out = "// The network, against " + base::number_text(board.reference_v(channel)) + " V:\n";
  for (const profile::Part& part : channel.parts) {
    if (part.field == "capacitance_f") continue;
    out += "//   " + part.field + " " + base::number_text(part.value) + "\n";
  }
  return out;
}

std::string recommended_header(const profile::BoardProfile& board, const ArithmeticOptions& options) {
  if (profile::is_temperature(channel_named(board, options.channel).quantity)) {
    return recommended_table_header(board, channel_named(board, options.channel), options);
  }
  const profile::SenseChannel& channel = straight_channel(board, options);
  const Demand demand = demand_of(board, channel, options);
  const auto found =
      find(board, channel, demand, ideal_of(demand), options.count, options.width_bits, compiler_of(options));
  if (!found) {
    throw base::BadInput("--width-bits", "is " + std::to_string(options.width_bits) +
                                             ", in which no line fits for counts of " +
                                             base::number_text(options.count));
  }
  return found->header;
}

Recommendation recommend(const profile::BoardProfile& board, const ArithmeticOptions& options) {
  if (profile::is_temperature(channel_named(board, options.channel).quantity)) {
    return recommend_table(board, channel_named(board, options.channel), options);
  }
  const profile::SenseChannel& channel = straight_channel(board, options);
  const Words words = words_for(channel.quantity);
  const Demand demand = demand_of(board, channel, options);
  const std::vector<double> ideal = ideal_of(demand);
  const std::string compiler = compiler_of(options);
  Table table{"arithmetic",
              {{"count", "one count"},
               {"width_bits", "bits", 0},
               {"multiply", "multiply", 0},
               {"offset", "offset", 0},
               {"shift", "shift", 0},
               {"dropped_bits", "dropped", 0},
               {"base", "base", 0},
               {"worst_error_" + words.milli_suffix, "error, " + words.milli, 2},
               {"worst_anywhere_" + words.milli_suffix, "anywhere", 1},
               {"cycles", "cycles", 0}},
              {}};
  std::optional<Found> chosen;
  for (const double count : kCounts) {
    for (const int width : kWidths) {
      std::optional<Found> found = find(board, channel, demand, ideal, count, width, compiler);
      add_row(table, count_name(count, words, true), width, found, count);
      if (count == options.count && width == options.width_bits) chosen = std::move(found);
    }
  }
  if (!chosen) {
    throw base::BadInput("--width-bits", "is " + std::to_string(options.width_bits) +
                                             ", in which no line fits for counts of " +
                                             base::number_text(options.count));
  }
  Section section{"Integer arithmetic", {}, {}, {}, chosen->header};
  section.sentences.push_back(answer(*chosen, demand, words, count_name(options.count, words, true)));
  section.sentences.push_back("Every line below was tried with all " + std::to_string(chosen->proof.sums) +
                              " sums: none overflows, wraps or turns back.");
  section.sentences.push_back(
      compiler.empty()
          ? "Cycles were not measured: no compiler " +
                (options.compiler.empty() ? std::string{"was asked for"} : options.compiler + " is there") + "."
          : "Cycles are those of the header compiled with -Os and run on the simulated " + board.device.part +
                ", beside loading the sum and storing the result.");
  section.tables = {std::move(table)};
  section.pictures = {picture_of(*chosen, ideal, demand, words)};
  return {{title_of(board, channel), "", {std::move(section)}}, chosen->header};
}

}  // namespace dawnrig::metering
