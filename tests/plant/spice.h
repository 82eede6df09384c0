// Tests of the plant: an independent answer from a circuit simulator of the trade, run as a process of its own.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace dawnrig::plant {

/// What the simulator wrote: some quantities at its own instants, straight in between.
class SpiceTrace {
 public:
  /// One row of numbers per instant: the time, then each quantity.
  explicit SpiceTrace(std::vector<std::vector<double>> rows) : rows_{std::move(rows)} {}
  [[nodiscard]] bool empty() const { return rows_.size() < 2; }
  [[nodiscard]] double end_s() const { return rows_.empty() ? 0.0 : rows_.back()[0]; }
  [[nodiscard]] double at(std::size_t quantity, double t_s) const;
  [[nodiscard]] double mean(std::size_t quantity, double from_s, double to_s) const;

 private:
  [[nodiscard]] std::size_t before(double t_s) const;
  std::vector<std::vector<double>> rows_;
};

/// How long and how finely; the wanted quantities in the simulator's own words: "v(bus)", "i(vbattery)".
struct SpiceRun {
  std::string circuit;  ///< element and model lines
  std::vector<std::string> wanted;
  double stop_s{};
  double longest_step_s{};
};

/// Writes the netlist, runs ngspice on it and reads what it wrote. At 25 degC throughout. A run that fails adds a test
/// failure with what the simulator said, and returns an empty trace.
[[nodiscard]] SpiceTrace run_spice(const SpiceRun& run);

/// A number as the simulator reads it back without loss.
[[nodiscard]] std::string spice_number(double value);

}  // namespace dawnrig::plant
