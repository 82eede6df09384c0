#include "harness/metering/uncertain.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace dawnrig::metering {
namespace {

using Place = double& (*)(Chain&);

template <class Params>
Params& network_of(Chain& chain) {
  return std::get<Params>(chain.network.network);
}

struct Named {
  const char* field;
  Place place;
};

using plant::DividerParams;
using plant::OffsetDividerParams;
using plant::ShuntAmplifierParams;
using plant::SteinhartHart;
using plant::ThermistorInputParams;

#define PLACE(expression) ([](Chain& chain) -> double& { return (expression); })

constexpr std::array kOfEveryChain = {
    Named{"supply_v", PLACE(chain.supply_v)},
    Named{"aref_v", PLACE(chain.aref_v)},
    Named{"internal_reference_v", PLACE(chain.band_gap_v)},
    Named{"internal_reference_2_v", PLACE(chain.band_gap_2_v)},
    Named{"offset_lsb", PLACE(chain.adc.offset_lsb)},
    Named{"gain_error_frac", PLACE(chain.adc.gain_error_frac)},
    Named{"inl_lsb", PLACE(chain.adc.inl_lsb)},
    Named{"pin_leak_a", PLACE(chain.network.pin_leak_a)},
    Named{"pin_leak_doubling_k", PLACE(chain.network.pin_leak_doubling_k)},
};
constexpr std::array kOfDivider = {
    Named{"r_top_ohm", PLACE(network_of<DividerParams>(chain).r_top_ohm)},
    Named{"r_bottom_ohm", PLACE(network_of<DividerParams>(chain).r_bottom_ohm)},
};
constexpr std::array kOfOffset = {
    Named{"diode_v", PLACE(network_of<OffsetDividerParams>(chain).diode_v)},
    Named{"diode_test_a", PLACE(network_of<OffsetDividerParams>(chain).diode_test_a)},
    Named{"knee_v", PLACE(network_of<OffsetDividerParams>(chain).knee_v)},
    Named{"diode_series_ohm", PLACE(network_of<OffsetDividerParams>(chain).diode_series_ohm)},
    Named{"diode_tempco_v_per_k", PLACE(network_of<OffsetDividerParams>(chain).diode_tempco_v_per_k)},
    Named{"r_top_ohm", PLACE(network_of<OffsetDividerParams>(chain).r_top_ohm)},
    Named{"r_bottom_ohm", PLACE(network_of<OffsetDividerParams>(chain).r_bottom_ohm)},
    Named{"diode_leak_a", PLACE(network_of<OffsetDividerParams>(chain).diode_leak_a)},
    Named{"diode_leak_test_v", PLACE(network_of<OffsetDividerParams>(chain).diode_leak_test_v)},
    Named{"diode_leak_slope_v", PLACE(network_of<OffsetDividerParams>(chain).diode_leak_slope_v)},
    Named{"diode_leak_doubling_k", PLACE(network_of<OffsetDividerParams>(chain).diode_leak_doubling_k)},
};
constexpr std::array kOfThermistor = {
    Named{"r_pull_up_ohm", PLACE(network_of<ThermistorInputParams>(chain).r_fixed_ohm)},
    Named{"r_pull_down_ohm", PLACE(network_of<ThermistorInputParams>(chain).r_fixed_ohm)},
    Named{"r_25_ohm", PLACE(network_of<ThermistorInputParams>(chain).r_25_ohm)},
    Named{"beta_k", PLACE(network_of<ThermistorInputParams>(chain).beta_k)},
    Named{"r_series_ohm", PLACE(network_of<ThermistorInputParams>(chain).r_series_ohm)},
    Named{"r_parallel_ohm", PLACE(network_of<ThermistorInputParams>(chain).r_parallel_ohm)},
    Named{"a_per_k", PLACE(std::get<SteinhartHart>(network_of<ThermistorInputParams>(chain).curve).a_per_k)},
    Named{"b_per_k", PLACE(std::get<SteinhartHart>(network_of<ThermistorInputParams>(chain).curve).b_per_k)},
    Named{"c_per_k", PLACE(std::get<SteinhartHart>(network_of<ThermistorInputParams>(chain).curve).c_per_k)},
};
constexpr std::array kOfAmplifier = {
    Named{"shunt_ohm", PLACE(network_of<ShuntAmplifierParams>(chain).shunt_ohm)},
    Named{"gain_v_per_v", PLACE(network_of<ShuntAmplifierParams>(chain).gain_v_per_v)},
    Named{"bias_v", PLACE(network_of<ShuntAmplifierParams>(chain).bias_v)},
    Named{"offset_v", PLACE(network_of<ShuntAmplifierParams>(chain).offset_v)},
    Named{"r_out_ohm", PLACE(network_of<ShuntAmplifierParams>(chain).r_out_ohm)},
};
#undef PLACE

std::span<const Named> names_of(const Chain& chain) {
  if (std::holds_alternative<DividerParams>(chain.network.network)) return kOfDivider;
  if (std::holds_alternative<OffsetDividerParams>(chain.network.network)) return kOfOffset;
  if (std::holds_alternative<ThermistorInputParams>(chain.network.network)) return kOfThermistor;
  return kOfAmplifier;
}

Place place_of(const Chain& chain, const std::string& field) {
  for (const std::span<const Named> names : {names_of(chain), std::span<const Named>{kOfEveryChain}}) {
    for (const Named& one : names) {
      if (field == one.field) return one.place;
    }
  }
  return nullptr;
}

/// Whether a per cent of that figure, or a code of an error that is zero, is seen anywhere in the range.
bool sways(const Chain& nominal, Place place) {
  Chain other = nominal;
  double& figure = place(other);
  figure = figure != 0 ? 1.01 * figure : 1e-3;
  const bool thermistor = std::holds_alternative<ThermistorInputParams>(nominal.network.network);
  for (const double share : {0.2, 0.5, 0.8}) {
    const double sensed = sensed_at(nominal, share * nominal.codes(), kRoomDegc);
    const double degc = thermistor ? kRoomDegc : kRoomDegc + 20;
    if (std::fabs(position_lsb(other, sensed, degc) - position_lsb(nominal, sensed, degc)) > 1e-6) return true;
  }
  return false;
}

/// Half of what a code's steps leave in the mean of many noisy codes (the first term of the dithered quantiser's bias),
/// or half a code where there is nothing to tell codes apart.
double quantisation_lsb(double noise_lsb, int samples) {
  if (samples < 2) return 0.5;
  const double bias_lsb = std::exp(-2 * std::numbers::pi * std::numbers::pi * noise_lsb * noise_lsb) / std::numbers::pi;
  return std::min(0.5, bias_lsb + 0.5 / samples);
}

}  // namespace

std::string words_for(Cause cause) {
  switch (cause) {
    case Cause::kTolerance:
      return "tolerance";
    case Cause::kDrift:
      return "drift";
    case Cause::kQuantisation:
      return "steps of the code";
    case Cause::kNoise:
      return "noise";
  }
  return "";
}

Uncertain::Uncertain(const profile::BoardProfile& board, const profile::SenseChannel& channel, int bits)
    : nominal_{chain_of(board, channel, bits)} {
  std::vector<profile::Part> parts = channel.parts;
  for (const char* reference : {"supply_v", "aref_v", "internal_reference_v", "internal_reference_2_v"}) {
    // A band gap that is not written still has a value, and a promise that is not known.
    const bool written = std::any_of(board.converter.begin(), board.converter.end(),
                                     [&](const profile::Part& part) { return part.field == reference; });
    if (!written) parts.push_back({reference, value_of(nominal_, reference), 0, 0, 0, ""});
  }
  parts.insert(parts.end(), board.converter.begin(), board.converter.end());
  for (const profile::Part& part : parts) {
    const Place place = place_of(nominal_, part.field);
    if (place == nullptr || !sways(nominal_, place)) continue;
    figures_.push_back({place, part});
    const std::size_t figure = figures_.size() - 1;
    if (part.tolerance > 0) variables_.push_back({part.field, Cause::kTolerance, figure, part.tolerance, part.source});
    if (part.drift_per_k > 0) variables_.push_back({part.field, Cause::kDrift, figure, part.drift_per_k, part.source});
    if (part.tolerance == 0 && part.field != "diode_test_a") unpromised_.push_back(part.field);
  }
  const int samples = channel.averaged_codes;
  variables_.push_back(
      {"converter", Cause::kQuantisation, 0, quantisation_lsb(nominal_.adc.noise_lsb, samples), "its codes"});
  if (nominal_.adc.noise_lsb > 0) {
    variables_.push_back(
        {"converter", Cause::kNoise, 0, nominal_.adc.noise_lsb / std::sqrt(samples), "noise_lsb, averaged"});
  }
  nominal_.adc.noise_lsb = 0;
}

Chain Uncertain::at(const Chain& base, std::span<const double> z, double board_degc) const {
  Chain chain = base;
  const double warmer_k = board_degc - kRoomDegc;
  for (const Figure& figure : figures_) {
    if (figure.part.tempco_per_k != 0) figure.in(chain) *= 1 + figure.part.tempco_per_k * warmer_k;
  }
  for (std::size_t i = 0; i < variables_.size(); ++i) {
    const Variable& variable = variables_[i];
    if (variable.cause == Cause::kTolerance) {
      figures_[variable.figure].in(chain) += variable.half_width * z[i];
    } else if (variable.cause == Cause::kDrift) {
      double& figure = figures_[variable.figure].in(chain);
      figure += figures_[variable.figure].part.value * variable.half_width * z[i] * warmer_k;
    }
  }
  return chain;
}

double Uncertain::blur_lsb(std::span<const double> z) const {
  double blur = 0;
  for (std::size_t i = 0; i < variables_.size(); ++i) {
    const Cause cause = variables_[i].cause;
    if (cause == Cause::kQuantisation || cause == Cause::kNoise) blur += variables_[i].half_width * z[i];
  }
  return blur;
}

void Uncertain::set(Chain& chain, const std::string& field, double value) {
  const Place place = place_of(chain, field);
  if (place != nullptr) place(chain) = value;
}

double Uncertain::value_of(const Chain& chain, const std::string& field) {
  Chain copy = chain;
  const Place place = place_of(copy, field);
  return place != nullptr ? place(copy) : 0;
}

}  // namespace dawnrig::metering
