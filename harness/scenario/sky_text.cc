#include "harness/scenario/sky_text.h"

#include "harness/base/hash.h"
#include "harness/base/text.h"

namespace dawnrig::scenario {
namespace {

using base::number_text;

// "name figure name figure ..."
class Words {
 public:
  explicit Words(std::string text) : text_{std::move(text)} {}
  Words& operator()(const char* name, double figure) {
    text_ += std::string{' '} + name + ' ' + number_text(figure);
    return *this;
  }
  Words& operator()(const std::string& words) {
    text_ += words;
    return *this;
  }
  [[nodiscard]] std::string text() const { return text_; }

 private:
  std::string text_;
};

std::string two_digits(std::int64_t value) {
  return (value < 10 ? "0" : "") + std::to_string(value);
}

std::string utc_text(plant::UtcTime at) {
  const auto day = std::chrono::floor<std::chrono::days>(at);
  const std::chrono::year_month_day date{day};
  const std::chrono::hh_mm_ss<Nanos> of_day{at - day};
  std::string text = std::to_string(static_cast<int>(date.year())) + '-' +
                     two_digits(static_cast<unsigned>(date.month())) + '-' +
                     two_digits(static_cast<unsigned>(date.day())) + 'T' + two_digits(of_day.hours().count()) + ':' +
                     two_digits(of_day.minutes().count()) + ':' + two_digits(of_day.seconds().count());
  const std::string nanos = std::to_string(of_day.subseconds().count());
  if (nanos != "0") text += '.' + std::string(9 - nanos.size(), '0') + nanos;
  return text + 'Z';
}

struct InWords {
  std::string operator()(const plant::PlaceSky& sky) const {
    Words words{"sky from " + utc_text(sky.begins)};
    words("latitude_deg", sky.place.latitude_deg)("longitude_deg", sky.place.longitude_deg);
    words("altitude_m", sky.place.altitude_m)("tilt_deg", sky.plane.tilt_deg)("azimuth_deg", sky.plane.azimuth_deg);
    words("albedo_frac", sky.plane.albedo_frac)("linke_turbidity", sky.linke_turbidity);
    words("pressure_pa", sky.air.pressure_pa)("air_degc", sky.air.degc);
    for (const plant::CloudPassage& c : sky.clouds) {
      words(", cloud")("begins_s", c.begins_s)("near_edge_s", c.near_edge_s)("shadow_s", c.shadow_s);
      words("far_edge_s", c.far_edge_s)("light_frac", c.light_frac)("brightening_frac", c.brightening_frac);
      words("halo_s", c.halo_s);
    }
    if (sky.broken_clouds) {
      const plant::BrokenClouds& c = *sky.broken_clouds;
      words(", broken clouds")("gap_s", c.gap_s)("shadow_s", c.shadow_s)("spread", c.spread);
      words("darkest_frac", c.darkest_frac)("brightest_frac", c.brightest_frac);
      words("fastest_edge_s", c.fastest_edge_s)("slowest_edge_s", c.slowest_edge_s);
      words("most_brightening_frac", c.most_brightening_frac);
    }
    if (sky.fog) {
      words(", fog")("optical_depth", sky.fog->optical_depth)("lifts_at_s", sky.fog->lifts_at_s);
      words("lifts_over_s", sky.fog->lifts_over_s);
    }
    if (sky.snow) {
      words(", snow")("light_frac", sky.snow->light_frac)("slides_at_s", sky.snow->slides_at_s);
      words("slides_over_s", sky.snow->slides_over_s);
    }
    return words.text();
  }
  std::string operator()(const plant::RampSky& sky) const {
    Words words{"sky of ramps"};
    for (const plant::RampRow& row : sky.rows) {
      words(", row")("low_wpm2", row.low_wpm2)("high_wpm2", row.high_wpm2)("slope_wpm2_per_s", row.slope_wpm2_per_s);
      words("count", row.count)("settle_s", row.settle_s)("dwell_s", row.dwell_s);
    }
    return words.text();
  }
  std::string operator()(const plant::SeriesSky& sky) const {
    std::string points;
    for (const plant::SeriesSky::Point& point : sky.points) {
      points += std::to_string(point.at.count()) + ' ' + number_text(point.poa_wpm2) + ' ' +
                number_text(point.ambient_degc) + '\n';
    }
    return "sky of " + std::to_string(sky.points.size()) + " measured points, " + base::sha256_hex(points);
  }
};

}  // namespace

std::string text_of(const plant::SkyParams& sky) {
  return std::visit(InWords{}, sky);
}

}  // namespace dawnrig::scenario
