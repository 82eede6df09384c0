// Plant, sky: the random sky beside days that were measured. Skips where the measured days are not at hand: their
// owners' terms do not let them travel with this project. DAWNRIG_SKIES names the folder that holds them.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <sstream>
#include <string>

#include "plant/sky/sky.h"

namespace dawnrig::plant {
namespace {

// Columns day_tag, time_local_standard, ghi_Wm2; one minute apart, with gaps.
constexpr const char* kFile = "smud22_sacramento_1min_selected_days.csv";

struct Ramps {
  std::vector<double> steps_wpm2;  // of neighbouring minutes, sorted
  [[nodiscard]] double percentile(double part) const {
    return steps_wpm2[static_cast<std::size_t>(part * static_cast<double>(steps_wpm2.size() - 1))];
  }
};

// Steps between neighbouring minutes that are both in light.
class Collector {
 public:
  void add(double minute, double ghi_wpm2) {
    constexpr double kDimWpm2 = 50.0;
    const bool neighbours = minute - last_minute_ > 0.5 && minute - last_minute_ < 1.5;
    if (neighbours && std::min(ghi_wpm2, last_wpm2_) > kDimWpm2) {
      ramps_.steps_wpm2.push_back(std::abs(ghi_wpm2 - last_wpm2_));
    }
    last_minute_ = minute;
    last_wpm2_ = ghi_wpm2;
  }
  Ramps sorted() {
    std::sort(ramps_.steps_wpm2.begin(), ramps_.steps_wpm2.end());
    return ramps_;
  }

 private:
  double last_minute_{-1e9};
  double last_wpm2_{0.0};
  Ramps ramps_;
};

Ramps measured(const std::string& file, const std::vector<std::string>& tags) {
  std::ifstream in(file);
  Collector collector;
  std::string line;
  while (std::getline(in, line)) {
    std::istringstream cells(line);
    std::string tag;
    std::string time;
    std::string ghi;
    std::getline(cells, tag, ',');
    std::getline(cells, time, ',');
    std::getline(cells, ghi, ',');
    if (std::find(tags.begin(), tags.end(), tag) == tags.end() || time.size() < 19) continue;
    const double day = std::stod(time.substr(5, 2)) * 31.0 + std::stod(time.substr(8, 2));
    collector.add(day * 1440.0 + std::stod(time.substr(11, 2)) * 60.0 + std::stod(time.substr(14, 2)) +
                      std::stod(time.substr(17, 2)) / 60.0,
                  std::stod(ghi));
  }
  return collector.sorted();
}

// Means over one minute of the global light at the place of the measured days, under broken clouds all day.
Ramps simulated(const BrokenClouds& clouds, int days) {
  Collector collector;
  for (int day = 0; day < days; ++day) {
    PlaceSky sky;
    sky.place = {38.425, -121.438, 10.0};
    sky.plane = {0.0, 180.0, 0.2};
    sky.begins = std::chrono::sys_days{std::chrono::year{2011} / 9 / 24} + std::chrono::hours{8};
    sky.broken_clouds = clouds;
    SkyRun run{std::make_shared<const SkyParams>(sky), static_cast<std::uint64_t>(day) + 1U};
    SkyLine line = run.next();
    Nanos since{0};
    for (int minute = 0; minute < 1440; ++minute) {
      double sum = 0.0;
      for (int second = 0; second < 60; ++second) {
        const Nanos t = std::chrono::minutes{minute} + std::chrono::seconds{second};
        while (line.until <= t) {
          since = line.until;
          line = run.next();
        }
        sum +=
            line.from_wpm2 + (line.to_wpm2 - line.from_wpm2) * in_seconds(t - since) / in_seconds(line.until - since);
      }
      collector.add(day * 2000.0 + minute, sum / 60.0);
    }
  }
  return collector.sorted();
}

TEST(MeasuredSky, OneMinuteRampsOfTheRandomSkyAreThoseOfVariableDays) {
  const char* folder = std::getenv("DAWNRIG_SKIES");
  if (folder == nullptr || !std::ifstream(std::string(folder) + "/" + kFile)) {
    GTEST_SKIP() << "DAWNRIG_SKIES names no folder with " << kFile;
  }
  const Ramps days = measured(std::string(folder) + "/" + kFile, {"variable1", "variable2"});
  const Ramps sky = simulated(BrokenClouds{}, 20);
  ASSERT_GT(days.steps_wpm2.size(), 1000U);
  for (const double part : {0.5, 0.75, 0.9, 0.95, 0.99, 0.999}) {
    std::printf("%5.1f %% of one-minute steps are below: measured %6.1f, random sky %6.1f W/m2\n", part * 100.0,
                days.percentile(part), sky.percentile(part));
  }
  // A day is one draw of a kind of weather: the two measured days differ by a third among themselves.
  for (const double part : {0.75, 0.9, 0.95, 0.99, 0.999}) {
    EXPECT_LT(std::abs(std::log(sky.percentile(part) / days.percentile(part))), std::log(1.5)) << part;
  }
}

}  // namespace
}  // namespace dawnrig::plant
