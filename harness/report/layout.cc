#include "harness/report/layout.h"

#include <cmath>
#include <limits>

namespace dawnrig::report {
namespace {

using verdict::Curve;

constexpr double kMainHeight = 175;
constexpr double kSideHeight = 76;
constexpr double kPanelGap = 34;
constexpr double kStripHeight = 15;
constexpr double kStripLabel = 19;  // above each strip
constexpr double kCharacter = 6.1;

std::vector<Panel> panels_of(const Plot& plot) {
  std::vector<Panel> panels;
  for (const Curve& curve : plot.curves) {
    if (curve.is_switch) continue;
    auto at = std::find_if(panels.begin(), panels.end(), [&](const Panel& p) { return p.unit == curve.unit; });
    if (at == panels.end()) at = panels.insert(panels.end(), Panel{curve.unit, {}, {}});
    at->curves.push_back(&curve);
  }
  for (Panel& panel : panels) {
    for (const PlotLine& l : plot.lines) {
      if (l.unit == panel.unit) panel.lines.push_back(&l);
    }
  }
  return panels;
}

/// The range of the curves, widened to the lines unless that would flatten the curves to less than a twelfth.
void scale_to(const Panel& panel, Box& box) {
  double low = std::numeric_limits<double>::infinity();
  double high = -low;
  for (const Curve* curve : panel.curves) {
    for (const double v : curve->low) low = std::min(low, std::isfinite(v) ? v : low);
    for (const double v : curve->high) high = std::max(high, std::isfinite(v) ? v : high);
  }
  if (!(high >= low)) low = high = 0;
  const double swing = std::max(high - low, 2e-3 * std::max(0.1, std::abs(high)));  // less than that is no news
  for (const PlotLine* l : panel.lines) {
    const double new_low = std::min(low, l->value);
    const double new_high = std::max(high, l->value);
    if (new_high - new_low <= 12 * std::max(swing, 0.002 * std::abs(high))) {
      low = new_low;
      high = new_high;
    }
  }
  const double room = std::max(0.09 * (high - low), 0.5 * (swing - (high - low)));
  box.lowest = low - room;
  box.highest = high + room;
}

/// Where the labels of the moments stand: each in the first row with room for it. What finds none goes unlabelled, its
/// line alone: a pile of labels hides the picture it explains.
std::vector<std::size_t> rows_for_moments(const std::vector<PlotMoment>& moments, const Box& box) {
  std::vector<double> row_end;
  std::vector<std::size_t> rows;
  for (const PlotMoment& moment : moments) {
    // A label that would leave the picture on the right is written to the left of its line.
    const double width = text_width(moment.label);
    const double x = box.x(moment.time_s);
    const double begin = x + 8 + width > kPictureWidth ? x - 8 - width : x;
    std::size_t row = 0;
    while (row < row_end.size() && row_end[row] > begin) ++row;
    if (row == row_end.size() && row < kMostMomentRows) row_end.push_back(0);
    if (row < row_end.size()) row_end[row] = begin + 12 + width;
    rows.push_back(row < row_end.size() ? row : kUnlabelled);
  }
  return rows;
}

}  // namespace

double text_width(std::string_view text) {
  return kCharacter * static_cast<double>(text.size());
}

Layout layout_of(const Plot& plot) {
  Layout layout;
  Box box;
  box.from_s = plot.curves.front().time_s.front();
  box.to_s = plot.curves.front().end_s;
  for (const Curve& curve : plot.curves) {
    box.from_s = std::min(box.from_s, curve.time_s.front());
    box.to_s = std::max(box.to_s, curve.end_s);
    if (curve.is_switch) layout.switches.push_back(&curve);
  }
  if (!(box.to_s > box.from_s)) box.to_s = box.from_s + 1e-3;
  layout.moments = plot.moments;
  std::stable_sort(layout.moments.begin(), layout.moments.end(),
                   [](const PlotMoment& a, const PlotMoment& b) { return a.time_s < b.time_s; });
  layout.moment_rows = rows_for_moments(layout.moments, box);
  std::size_t rows = 0;
  for (const std::size_t row : layout.moment_rows) {
    if (row != kUnlabelled) rows = std::max(rows, row + 1);
  }
  double y = 24 + kMomentRow * static_cast<double>(rows);
  layout.panels = panels_of(plot);
  for (const Panel& panel : layout.panels) {
    box.top = y;
    box.height = layout.boxes.empty() ? kMainHeight : kSideHeight;
    scale_to(panel, box);
    layout.boxes.push_back(box);
    y = box.bottom() + kPanelGap;
  }
  if (!layout.panels.empty()) y -= kPanelGap - 6;
  for (std::size_t i = 0; i < layout.switches.size(); ++i) {
    box.top = y + kStripLabel;
    box.height = kStripHeight;
    layout.strips.push_back(box);
    y = box.bottom();
  }
  layout.axis_y = y - (layout.strips.empty() ? 6 : 0);
  return layout;
}

}  // namespace dawnrig::report
