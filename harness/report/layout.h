// Where everything in a picture stands.
// Room: harness/report. May use harness/verdict and what lies below.
#pragma once

#include <algorithm>
#include <string>
#include <string_view>
#include <vector>

#include "harness/report/results.h"

namespace dawnrig::report {

inline constexpr double kPictureWidth = 520;  ///< all lengths in units of the picture, about a pixel
inline constexpr double kMomentRow = 14;
inline constexpr std::size_t kMostMomentRows = 4;
inline constexpr std::size_t kUnlabelled = static_cast<std::size_t>(-1);  ///< instead of a row

/// About how wide a text is, for keeping labels apart.
[[nodiscard]] double text_width(std::string_view text);

/// A rectangle with its scales. What lies outside is drawn at the edge.
struct Box {
  double left{52}, top{0}, width{kPictureWidth - 68}, height{0};
  double from_s{0}, to_s{1}, lowest{0}, highest{1};
  [[nodiscard]] double x(double time_s) const {
    return left + width * std::clamp((time_s - from_s) / (to_s - from_s), 0.0, 1.0);
  }
  [[nodiscard]] double y(double value) const {
    return top + height * (1 - std::clamp((value - lowest) / (highest - lowest), 0.0, 1.0));
  }
  [[nodiscard]] double bottom() const { return top + height; }
  [[nodiscard]] double right() const { return left + width; }
  [[nodiscard]] bool shows(double value) const { return value >= lowest && value <= highest; }
};

/// One panel: the curves of one unit.
struct Panel {
  std::string unit;
  std::vector<const verdict::Curve*> curves;
  std::vector<const PlotLine*> lines;
};

/// Everything of one plot. Boxes belong to panels, strips to switches, moment rows to moments.
struct Layout {
  std::vector<Panel> panels;
  std::vector<Box> boxes;
  std::vector<const verdict::Curve*> switches;
  std::vector<Box> strips;
  std::vector<PlotMoment> moments;
  std::vector<std::size_t> moment_rows;
  double axis_y{0};
};

/// Needs at least one curve.
[[nodiscard]] Layout layout_of(const Plot& plot);

}  // namespace dawnrig::report
