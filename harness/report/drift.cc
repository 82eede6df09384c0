#include "harness/report/drift.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <tuple>

#include "harness/base/bad_input.h"
#include "harness/report/text.h"

namespace dawnrig::report {
namespace {

namespace fs = std::filesystem;

constexpr double kTenth = 0.1;

std::vector<fs::path> result_files_in(const fs::path& folder) {
  std::vector<fs::path> files;
  std::error_code error;
  for (fs::recursive_directory_iterator at{folder, error}, end; !error && at != end; at.increment(error)) {
    if (at->path().extension() == ".pb" && at->path().parent_path().filename() == "results")
      files.push_back(at->path());
  }
  if (files.empty()) {
    throw base::BadInput(folder.string(), "holds no results; give the folder that dawnrig judge --out was given");
  }
  std::sort(files.begin(), files.end());
  return files;
}

/// What a figure is, whatever image it was measured on.
struct Key {
  std::string device, id, test, measured_as;
  auto operator<=>(const Key&) const = default;
};

struct Measured {
  Judged judged;
  std::string sentence, confidence;
};

std::string device_of(const Device& device) {
  return device.board_name + ", revision " + device.revision + " at " + device.site_name;
}

std::map<Key, Measured> figures_in(const fs::path& folder) {
  const Results results = load_results(result_files_in(folder));
  std::map<Key, Measured> figures;
  for (const Row& row : results.rows) {
    for (std::size_t d = 0; d < results.devices.size(); ++d) {
      // The worst of several of the same name: they are in that order.
      for (const Judged& judged : row.judged[d]) {
        figures.try_emplace({device_of(results.devices[d]), row.id, judged.test, judged.measured_as},
                            Measured{judged, row.sentence, row.confidence});
      }
    }
  }
  return figures;
}

int rank_of_confidence(const std::string& words) {
  if (words.find("standard") != std::string::npos) return 0;
  if (words.find("maker") != std::string::npos) return 1;
  return words.find("trade") != std::string::npos ? 2 : 3;
}

bool comparable(const Judged& judged) {
  return judged.verdict == Verdict::kPass || judged.verdict == Verdict::kFail;
}

bool margin_shrank(const Judged& before, const Judged& after, double share_frac) {
  if (rank_of(after.verdict) < rank_of(before.verdict)) return true;
  if (!comparable(before) || !comparable(after)) return false;
  return before.margin - after.margin > share_frac * std::abs(before.margin) && after.margin < before.margin;
}

std::string told(const Key& key) {
  return key.device + ": " + key.id + " [" + key.test + "]";
}

bool comes_first(const Moved& a, const Moved& b) {
  const auto order = [](const Moved& m) {
    const bool verdict_moved = m.before.verdict != m.after.verdict;
    return std::tuple{
        !verdict_moved, -std::round(m.in_tolerances / kTenth), rank_of_confidence(m.confidence), m.id, m.device,
        m.after.test};
  };
  return order(a) < order(b);
}

}  // namespace

bool Drift::shrank() const {
  return !only_accepted.empty() || std::any_of(moved.begin(), moved.end(), [](const Moved& m) { return m.shrank; });
}

Drift drift_of(const DriftOptions& options) {
  const auto before = figures_in(options.accepted);
  const auto after = figures_in(options.today);
  std::map<Key, double> farthest;
  for (const fs::path& folder : options.repeats) {
    for (const auto& [key, repeat] : figures_in(folder)) {
      const auto at = before.find(key);
      if (at == before.end()) continue;
      double& moved = farthest[key];
      moved = std::max(moved, std::abs(repeat.judged.measured - at->second.judged.measured));
    }
  }
  Drift drift;
  for (const auto& [key, was] : before) {
    const auto at = after.find(key);
    if (at == after.end()) {
      drift.only_accepted.push_back(told(key));
      continue;
    }
    ++drift.compared;
    Moved moved{key.device, key.id, was.sentence, was.confidence, was.judged, at->second.judged};
    const double tolerance = moved.before.limit.tolerance > 0 ? moved.before.limit.tolerance : 1.0;
    const auto repeated = farthest.find(key);
    moved.repeatability = repeated == farthest.end() ? kTenth * tolerance : repeated->second;
    moved.by = moved.after.measured - moved.before.measured;
    moved.in_tolerances = std::abs(moved.by) / tolerance;
    moved.shrank = margin_shrank(moved.before, moved.after, options.share_frac);
    const bool both = comparable(moved.before) && comparable(moved.after);
    const bool beyond = both && std::abs(moved.by) > moved.repeatability;
    if (beyond || moved.before.verdict != moved.after.verdict) drift.moved.push_back(std::move(moved));
  }
  for (const auto& [key, is] : after) {
    if (before.find(key) == before.end()) drift.only_today.push_back(told(key));
  }
  if (drift.compared == 0) {
    throw base::BadInput(options.today.string(), "has no figure in common with " + options.accepted.string() +
                                                     ": other devices, or other tests");
  }
  std::sort(drift.moved.begin(), drift.moved.end(), comes_first);
  return drift;
}

}  // namespace dawnrig::report
