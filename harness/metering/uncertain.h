// What is not known about a chain: one variable for every promise of a maker, each between -1 and 1.
// Room: harness/metering. May use plant, harness/base, harness/device and harness/profile.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "harness/metering/arithmetic.h"
#include "harness/metering/chain.h"

namespace dawnrig::metering {

enum class Cause : std::uint8_t { kTolerance, kDrift, kQuantisation, kNoise };
[[nodiscard]] std::string words_for(Cause cause);

struct Variable {
  std::string part;  ///< as the profile names it
  Cause cause{};
  std::size_t figure{};  ///< of Uncertain::figures, for tolerance and drift
  double half_width{};   ///< in the figure's unit; per kelvin and relative for a drift; codes for the last two
  std::string source;
};

/// A channel whose parts are what their makers promise, and no better.
class Uncertain {
 public:
  Uncertain(const profile::BoardProfile& board, const profile::SenseChannel& channel, int bits);
  [[nodiscard]] const Chain& nominal() const { return nominal_; }
  [[nodiscard]] const std::vector<Variable>& variables() const { return variables_; }
  /// Parts that sway the reading and of which no tolerance is written: they count as exact.
  [[nodiscard]] const std::vector<std::string>& unpromised() const { return unpromised_; }
  /// The chain of a board whose variables are `z`, at a temperature of the board. Parts with a temperature coefficient
  /// have moved along it.
  [[nodiscard]] Chain at(std::span<const double> z, double board_degc) const { return at(nominal_, z, board_degc); }
  /// The same around a chain that is not as labelled.
  [[nodiscard]] Chain at(const Chain& base, std::span<const double> z, double board_degc) const;
  /// How far quantisation and noise of one reading move the place among the codes.
  [[nodiscard]] double blur_lsb(std::span<const double> z) const;
  /// A part of another value: for finding out which one it is. Nothing happens for a field that is no part of the
  /// chain.
  static void set(Chain& chain, const std::string& field, double value);
  [[nodiscard]] static double value_of(const Chain& chain, const std::string& field);
  struct Figure {
    double& (*in)(Chain&);
    profile::Part part;
  };
  [[nodiscard]] const std::vector<Figure>& figures() const { return figures_; }

 private:
  Chain nominal_;
  std::vector<Figure> figures_;
  std::vector<Variable> variables_;
  std::vector<std::string> unpromised_;
};

}  // namespace dawnrig::metering
