#include "plant/sky/clouds.h"

#include <algorithm>
#include <string>

#include "plant/core/range_check.h"

namespace dawnrig::plant {
namespace {

constexpr double kShortestS = 0.1;
constexpr double kLongestS = 86400.0;
constexpr double kMostBrighteningFrac = 1.0;

}  // namespace

void CloudPassage::check(Problems& problems) const {
  check_range(problems, "begins_s", begins_s, {0.0, 3.2e7});
  check_range(problems, "near_edge_s", near_edge_s, {kShortestS, kLongestS});
  check_range(problems, "shadow_s", shadow_s, {0.0, kLongestS});
  check_range(problems, "far_edge_s", far_edge_s, {kShortestS, kLongestS});
  check_range(problems, "light_frac", light_frac, {0.0, 1.0});
  check_range(problems, "brightening_frac", brightening_frac, {0.0, kMostBrighteningFrac});
  check_range(problems, "halo_s", halo_s, {kShortestS, kLongestS});
}

void BrokenClouds::check(Problems& problems) const {
  check_range(problems, "gap_s", gap_s, {1.0, kLongestS});
  check_range(problems, "shadow_s", shadow_s, {1.0, kLongestS});
  check_range(problems, "spread", spread, {0.0, 2.0});
  check_range(problems, "darkest_frac", darkest_frac, {0.0, 1.0});
  check_range(problems, "brightest_frac", brightest_frac, {darkest_frac, 1.0});
  check_range(problems, "fastest_edge_s", fastest_edge_s, {kShortestS, 600.0});
  check_range(problems, "slowest_edge_s", slowest_edge_s, {fastest_edge_s, 600.0});
  check_range(problems, "most_brightening_frac", most_brightening_frac, {0.0, kMostBrighteningFrac});
}

void check_passages(const std::vector<CloudPassage>& passages, Problems& problems) {
  for (std::size_t i = 0; i < passages.size(); ++i) {
    Problems own;
    passages[i].check(own);
    add_under(problems, "cloud[" + std::to_string(i) + "]", own);
    if (i == 0 || !(passages[i].earliest_s() < passages[i - 1].latest_s())) continue;
    problems.add("cloud[" + std::to_string(i) + "].begins_s", "comes before the cloud before it is over, halo and all");
  }
}

// One passage after `origin`, as six corners.
void CloudCorners::set(const CloudPassage& p, Nanos origin) {
  const double bright = 1.0 + p.brightening_frac;
  double t_s = p.earliest_s();
  const auto corner = [&](int i, double after_s, double share) {
    t_s += after_s;
    corners_[i] = {origin + from_seconds(t_s), share};
  };
  corner(0, 0.0, 1.0);
  corner(1, p.halo_s, bright);
  corner(2, p.near_edge_s, p.light_frac);
  corner(3, p.shadow_s, p.light_frac);
  corner(4, p.far_edge_s, bright);
  corner(5, p.halo_s, 1.0);
  corner_ = 0;
}

// The next passage, and the line towards it.
void CloudCorners::load() {
  if (passages_ != nullptr && next_passage_ < passages_->size()) {
    set((*passages_)[next_passage_++], Nanos{0});
  } else if (clouds_ != nullptr) {
    const BrokenClouds& c = *clouds_;
    CloudPassage p;
    const double gap_s = draws_.log_normal(c.gap_s, c.spread);
    p.near_edge_s = draws_.log_between(c.fastest_edge_s, c.slowest_edge_s);
    p.far_edge_s = draws_.log_between(c.fastest_edge_s, c.slowest_edge_s);
    p.shadow_s = draws_.log_normal(c.shadow_s, c.spread);
    p.light_frac = draws_.between(c.darkest_frac, c.brightest_frac);
    const double bright = draws_.between(0.0, 1.0);
    p.brightening_frac = c.most_brightening_frac * bright * bright;
    // Half the gap is the halo's at most, so that a short gap is bright from end to end.
    p.halo_s = std::max(kShortestS, std::min(0.5 * gap_s, 4.0 * p.near_edge_s));
    p.begins_s = std::max(gap_s, 2.0 * p.halo_s) - p.halo_s;
    set(p, drawn_until_);
    drawn_until_ = corners_[kCorners - 1].at;
  } else {
    to_ = {Nanos::max(), from_.share_frac};
    corner_ = kCorners;
    return;
  }
  to_ = corners_[corner_++];
}

void CloudCorners::step() {
  from_ = to_;
  if (corner_ < kCorners) {
    to_ = corners_[corner_++];
  } else {
    load();
  }
}

double CloudCorners::share_frac_at(Nanos t) {
  while (to_.at <= t) step();
  if (to_.at == Nanos::max()) return from_.share_frac;
  // A first passage may begin before the sky itself: its line is then entered midway, and from_ lies at zero.
  const double whole_s = in_seconds(to_.at - from_.at);
  return from_.share_frac + (to_.share_frac - from_.share_frac) * (in_seconds(t - from_.at) / whole_s);
}

}  // namespace dawnrig::plant
