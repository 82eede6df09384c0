#include "harness/scenario/daylight.h"

#include <algorithm>
#include <cmath>
#include <variant>

namespace dawnrig::scenario {

bool Daylight::apply(const Change& change, Nanos now) {
  if (const auto* sun = std::get_if<Sun>(&change)) {
    take(*sun, now);
  } else if (const auto* sky = std::get_if<Sky>(&change)) {
    take(*sky, now);
  } else if (const auto* shade = std::get_if<Shade>(&change)) {
    shade_ = {};
    for (const Shade::Part& part : shade->parts) {
      shade_.light_frac[static_cast<std::size_t>(part.substring)] = part.light_frac;
    }
  } else if (const auto* wind = std::get_if<Wind>(&change)) {
    wind_m_per_s_ = wind->speed_m_per_s;
  } else if (const auto* ambient = std::get_if<AmbientTemperature>(&change)) {
    ambient_degc_ = ambient->degc;
  } else {
    return false;
  }
  return true;
}

void Daylight::take(const Sun& sun, Nanos now) {
  const double present_wpm2 = poa_wpm2(now);
  ramp_.reset();
  run_.reset();
  if (sun.over.count() <= 0) {
    sun_ = {now, sun.poa_wpm2, 0.0};
    return;
  }
  sun_ = {now, present_wpm2, (sun.poa_wpm2 - present_wpm2) / in_seconds(sun.over)};
  ramp_ = Ramp{now + sun.over, sun.poa_wpm2};
}

void Daylight::take(const Sky& sky, Nanos now) {
  constexpr std::uint64_t kPurpose = 0x51C7'0D5E'ED00'0001U;  // apart from the other generators of the run
  sky_ = sky.params;
  run_.emplace(sky_, (seed_ ^ kPurpose) + skies_++);
  sky_since_ = now;
  next_line(now);
}

void Daylight::next_line(Nanos now) {
  plant::SkyLine line = run_->next();
  while (sky_since_ + line.until <= now) line = run_->next();  // a line without duration
  const double length_s = in_seconds(sky_since_ + line.until - now);
  sun_ = {now, line.from_wpm2, (line.to_wpm2 - line.from_wpm2) / length_s};
  if (!std::isnan(line.ambient_degc)) ambient_degc_ = line.ambient_degc;
  ramp_ = Ramp{sky_since_ + line.until, line.to_wpm2};
}

std::optional<Nanos> Daylight::next_corner() const {
  if (!ramp_) return std::nullopt;
  return ramp_->end;
}

bool Daylight::pass(Nanos now) {
  if (!ramp_ || ramp_->end > now) return false;
  if (run_) {
    next_line(now);
  } else {
    sun_ = {now, ramp_->poa_wpm2, 0.0};
    ramp_.reset();
  }
  return true;
}

double Daylight::poa_wpm2(Nanos now) const {
  return std::max(0.0, sun_.poa_wpm2 + sun_.slope_wpm2_per_s * in_seconds(now - sun_.since));
}

Daylight::OverPlace Daylight::over_place() const {
  if (!run_) return {};
  return {std::get_if<plant::PlaceSky>(sky_.get()), sky_since_};
}

}  // namespace dawnrig::scenario
