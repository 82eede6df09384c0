#include "harness/scenario/sky_reading.h"

#include <cmath>

#include "harness/base/hash.h"
#include "harness/base/text.h"
#include "harness/scenario/civil_time.h"
#include "harness/scenario/series_csv.h"
#include "proto/scenario.pb.h"

namespace dawnrig::scenario {
namespace {

constexpr double kUsualLongestGapS = 3600;

plant::CloudPassage passage_of(const proto::Sky::Cloud& written) {
  plant::CloudPassage passage;
  passage.begins_s = written.begins_s();
  passage.shadow_s = written.shadow_s();
  if (written.has_near_edge_s()) passage.near_edge_s = written.near_edge_s();
  if (written.has_far_edge_s()) passage.far_edge_s = written.far_edge_s();
  if (written.has_light_frac()) passage.light_frac = written.light_frac();
  if (written.has_brightening_frac()) passage.brightening_frac = written.brightening_frac();
  if (written.has_halo_s()) passage.halo_s = written.halo_s();
  return passage;
}

plant::BrokenClouds broken_clouds_of(const proto::Sky::BrokenClouds& written) {
  plant::BrokenClouds clouds;
  if (written.has_gap_s()) clouds.gap_s = written.gap_s();
  if (written.has_shadow_s()) clouds.shadow_s = written.shadow_s();
  if (written.has_spread()) clouds.spread = written.spread();
  if (written.has_darkest_frac()) clouds.darkest_frac = written.darkest_frac();
  if (written.has_brightest_frac()) clouds.brightest_frac = written.brightest_frac();
  if (written.has_fastest_edge_s()) clouds.fastest_edge_s = written.fastest_edge_s();
  if (written.has_slowest_edge_s()) clouds.slowest_edge_s = written.slowest_edge_s();
  if (written.has_most_brightening_frac()) clouds.most_brightening_frac = written.most_brightening_frac();
  return clouds;
}

plant::RampSky ramps_of(const proto::Sky::Ramps& written) {
  switch (written.standard()) {
    case proto::Sky::Ramps::LOW_TO_MEDIUM:
      return plant::standard_ramps(plant::RampStandard::kLowToMedium);
    case proto::Sky::Ramps::MEDIUM_TO_HIGH:
      return plant::standard_ramps(plant::RampStandard::kMediumToHigh);
    case proto::Sky::Ramps::START_AND_STOP:
      return plant::standard_ramps(plant::RampStandard::kStartAndStop);
    default:
      break;
  }
  plant::RampSky sky;
  for (const proto::Sky::Ramps::Row& row : written.row()) {
    plant::RampRow own;
    own.low_wpm2 = row.low_wpm2();
    own.high_wpm2 = row.high_wpm2();
    own.slope_wpm2_per_s = row.slope_wpm2_per_s();
    own.count = row.count();
    if (row.has_settle_s()) own.settle_s = row.settle_s();
    if (row.has_dwell_s()) own.dwell_s = row.dwell_s();
    sky.rows.push_back(own);
  }
  return sky;
}

class SkyReader {
 public:
  SkyReader(const std::filesystem::path& file, base::FileComplaints& complaints)
      : file_{file}, complaints_{complaints}, clean_{complaints.empty()} {}

  ReadSky read(int index, const proto::Sky& written) {
    const std::string path = "at[" + std::to_string(index) + "].sky";
    ReadSky sky{index, nullptr, {}, {}};
    switch (written.kind_case()) {
      case proto::Sky::kOverPlace:
        sky.params = over_place(written.over_place(), path + ".over_place");
        break;
      case proto::Sky::kRamps:
        sky.params = ramps(written.ramps(), path + ".ramps");
        break;
      case proto::Sky::kSeries:
        series(written.series(), path + ".series", sky);
        break;
      case proto::Sky::KIND_NOT_SET:  // complained about when the file was read
        break;
    }
    return sky;
  }

 private:
  // Names of the model to those of the schema, where they differ: the place's and the plane's fields stand side by
  // side.
  void pass_on(const plant::Problems& problems, const std::string& path) {
    for (const plant::Problem& problem : problems.list()) {
      std::string field = problem.field;
      for (const std::string_view group : {"place.", "plane."}) {
        if (field.starts_with(group)) field.erase(0, group.size());
      }
      field.insert(0, 1, '.').insert(0, path);
      if (complaints_.mentions(field)) continue;
      if (clean_ || complaints_.locations.has(field)) complaints_.add(field, problem.message);
    }
  }

  std::shared_ptr<const plant::SkyParams> over_place(const proto::Sky::OverPlace& written, const std::string& path) {
    plant::PlaceSky sky;
    sky.place = {written.latitude_deg(), written.longitude_deg(), written.altitude_m()};
    sky.plane.tilt_deg = written.tilt_deg();
    sky.plane.azimuth_deg = written.azimuth_deg();
    if (written.has_albedo_frac()) sky.plane.albedo_frac = written.albedo_frac();
    if (written.has_linke_turbidity()) sky.linke_turbidity = written.linke_turbidity();
    sky.air.pressure_pa = sky.place.pressure_pa();
    for (const proto::Sky::Cloud& cloud : written.cloud()) sky.clouds.push_back(passage_of(cloud));
    if (written.has_broken_clouds()) sky.broken_clouds = broken_clouds_of(written.broken_clouds());
    if (written.has_fog()) {
      sky.fog = plant::Fog{written.fog().optical_depth(), written.fog().lifts_at_s()};
      if (written.fog().has_lifts_over_s()) sky.fog->lifts_over_s = written.fog().lifts_over_s();
    }
    if (written.has_snow()) {
      sky.snow = plant::Snow{written.snow().light_frac(), written.snow().slides_at_s()};
      if (written.snow().has_slides_over_s()) sky.snow->slides_over_s = written.snow().slides_over_s();
    }
    const auto begins = parse_civil_time(written.begins());
    if (begins && begins->has_offset) {
      sky.begins = begins->at;
    } else if (complaints_.locations.has(path + ".begins") && !complaints_.mentions(path + ".begins")) {
      complaints_.add(path + ".begins", "is \"" + written.begins() + "\", must be " +
                                            (begins ? "with its offset from UTC, like " : "a date and a time, like ") +
                                            "2026-06-21T05:00:00+01:00");
    }
    plant::Problems problems;
    sky.check(problems);
    pass_on(problems, path);
    return std::make_shared<const plant::SkyParams>(std::move(sky));
  }

  std::shared_ptr<const plant::SkyParams> ramps(const proto::Sky::Ramps& written, const std::string& path) {
    if (written.has_standard() == (written.row_size() > 0)) {
      complaints_.add(path, written.has_standard() ? "has a standard and rows of its own, must have one or the other"
                                                   : "has neither a standard nor a row");
    }
    plant::RampSky sky = ramps_of(written);
    if (!sky.rows.empty()) {
      plant::Problems problems;
      sky.check(problems);
      pass_on(problems, path);
    }
    return std::make_shared<const plant::SkyParams>(std::move(sky));
  }

  void series(const proto::Sky::Series& written, const std::string& path, ReadSky& sky) {
    if (complaints_.mentions(path) || written.file().empty()) return;
    const Nanos longest_gap = from_seconds(written.has_longest_gap_s() ? written.longest_gap_s() : kUsualLongestGapS);
    try {
      SeriesFile read = read_series(file_.parent_path() / written.file(), longest_gap);
      sky.params = std::make_shared<const plant::SkyParams>(std::move(read.series));
      sky.sha256 = std::move(read.sha256);
      sky.notes = std::move(read.notes);
    } catch (const base::BadInput& fault) {
      // A file that cannot be read is the fault of the field that names it; one that can tells of itself.
      for (const base::Complaint& complaint : fault.complaints()) {
        complaints_.add(path + ".file", complaint.text());
      }
    }
  }

  const std::filesystem::path& file_;
  base::FileComplaints& complaints_;
  bool clean_;
};

}  // namespace

std::vector<ReadSky> read_skies(const std::filesystem::path& file, const proto::Scenario& written,
                                base::FileComplaints& complaints) {
  std::vector<ReadSky> skies;
  SkyReader reader{file, complaints};
  for (int i = 0; i < written.at_size(); ++i) {
    if (written.at(i).has_sky()) skies.push_back(reader.read(i, written.at(i).sky()));
  }
  return skies;
}

void place_skies(const std::vector<ReadSky>& skies, const proto::Initial& written, Scenario& scenario) {
  std::string hashes;
  for (const ReadSky& sky : skies) {
    Stimulus& stimulus = scenario.timeline[static_cast<std::size_t>(sky.at)];
    stimulus.change = Sky{sky.params};
    scenario.notes.insert(scenario.notes.end(), sky.notes.begin(), sky.notes.end());
    hashes += sky.sha256;
    if (stimulus.time > Nanos{0}) continue;
    const plant::SkyLine first = plant::SkyRun{sky.params, 0}.next();  // no cloud has come yet, whatever the seed
    if (!written.has_poa_wpm2()) scenario.initial.poa_wpm2 = first.from_wpm2;
    if (!written.has_ambient_degc() && !std::isnan(first.ambient_degc)) {
      scenario.initial.ambient_degc = first.ambient_degc;
    }
  }
  if (!hashes.empty()) scenario.sha256 = base::sha256_hex(scenario.sha256 + hashes);
}

}  // namespace dawnrig::scenario
