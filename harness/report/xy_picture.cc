#include "harness/report/xy_picture.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>

#include "harness/report/axis.h"
#include "harness/report/html.h"
#include "harness/report/layout.h"
#include "harness/verdict/wording.h"

namespace dawnrig::report {
namespace {

constexpr double kWidth = 760;
constexpr double kLeft = 66;
constexpr double kRight = 18;
constexpr double kTop = 34;
constexpr double kPanelHeight = 230;
constexpr double kGap = 30;
constexpr double kLegendRow = 18;
constexpr std::array kColours = {"#2a6496", "#b05a00", "#4f7a28", "#78468c", "#a33a4a", "#3c7d7d"};
constexpr std::array kDashes = {"", "7 3", "2 3", "9 3 2 3", "5 2 1 2", "12 4"};

struct Range {
  double low{std::numeric_limits<double>::infinity()};
  double high{-std::numeric_limits<double>::infinity()};
  void take(double v) {
    if (!std::isfinite(v)) return;
    low = std::min(low, v);
    high = std::max(high, v);
  }
  void settle(double room_frac) {
    if (!(high >= low)) low = 0, high = 1;
    const double least = 1e-3 * std::max(1e-3, std::abs(high));
    const double room = std::max(room_frac * (high - low), 0.5 * (least - (high - low)));
    low -= room;
    high += room;
  }
};

std::string text(double x, double y, const char* anchor, std::string_view words, const char* colour = "#566573") {
  return "<text x=\"" + px(x) + "\" y=\"" + px(y) + "\" text-anchor=\"" + anchor + "\" fill=\"" + colour + "\">" +
         escaped(words) + "</text>";
}

std::string line(double x1, double y1, double x2, double y2, const char* colour) {
  return "<line x1=\"" + px(x1) + "\" y1=\"" + px(y1) + "\" x2=\"" + px(x2) + "\" y2=\"" + px(y2) + "\" stroke=\"" +
         colour + "\"/>";
}

/// The lowest and the highest point of every hundredth of an inch, in their order.
std::vector<std::size_t> seen(const XyCurve& curve) {
  constexpr std::size_t kColumns = 700;
  const std::size_t count = std::min(curve.x.size(), curve.y.size());
  std::vector<std::size_t> kept;
  const std::size_t group = std::max<std::size_t>(1, count / kColumns);
  for (std::size_t begin = 0; begin < count; begin += group) {
    const std::size_t end = std::min(begin + group, count);
    std::size_t low = begin;
    std::size_t high = begin;
    for (std::size_t i = begin; i < end; ++i) {
      if (!std::isfinite(curve.y[i])) low = high = i;
      if (curve.y[i] < curve.y[low]) low = i;
      if (curve.y[i] > curve.y[high]) high = i;
    }
    kept.push_back(std::min(low, high));
    if (low != high) kept.push_back(std::max(low, high));
    if (end == count && kept.back() != count - 1) kept.push_back(count - 1);
  }
  return kept;
}

struct Scales {
  Range x, y;
  double top{};
  [[nodiscard]] double px_x(double v) const {
    return kLeft + (v - x.low) / (x.high - x.low) * (kWidth - kLeft - kRight);
  }
  [[nodiscard]] double px_y(double v) const { return top + kPanelHeight * (1 - (v - y.low) / (y.high - y.low)); }
};

std::string polyline(const XyCurve& curve, const Scales& scales, std::size_t look) {
  const std::string dash = kDashes[look % kDashes.size()];
  const std::string how = std::string{"\" fill=\"none\" stroke-width=\"1.7\" stroke=\""} +
                          kColours[look % kColours.size()] + "\"" +
                          (dash.empty() ? "" : " stroke-dasharray=\"" + dash + "\"") + "/>";
  std::string svg;
  std::string points;
  for (const std::size_t i : seen(curve)) {
    if (std::isfinite(curve.x[i]) && std::isfinite(curve.y[i])) {
      points.append(px(scales.px_x(curve.x[i]))).append(",").append(px(scales.px_y(curve.y[i]))).append(" ");
    } else if (!points.empty()) {
      svg.append("<polyline points=\"").append(points).append(how);
      points.clear();
    }
  }
  return points.empty() ? svg : svg + "<polyline points=\"" + points + how;
}

std::vector<std::string> labels_of(const XyPicture& picture) {
  std::vector<std::string> labels;
  for (const XyPanel& panel : picture.panels) {
    for (const XyCurve& curve : panel.curves) {
      if (std::find(labels.begin(), labels.end(), curve.label) == labels.end()) labels.push_back(curve.label);
    }
  }
  return labels;
}

std::string legend(const std::vector<std::string>& labels, double& y) {
  std::string svg;
  double x = kLeft;
  for (std::size_t i = 0; i < labels.size(); ++i) {
    const double width = 34 + text_width(labels[i]) + 20;
    if (x + width > kWidth && x > kLeft) {
      x = kLeft;
      y += kLegendRow;
    }
    XyCurve sample{"", {0, 1}, {0, 0}};
    Scales scales;
    scales.x = {0, (kWidth - kLeft - kRight) / 26};
    scales.y = {-1, 1};
    scales.top = y - 4 - kPanelHeight / 2;
    svg += "<g transform=\"translate(" + px(x - kLeft) + " 0)\">" + polyline(sample, scales, i) + "</g>";
    svg += text(x + 32, y, "start", labels[i], "#1b2631");
    x += width;
  }
  return svg;
}

std::string panel_svg(const XyPanel& panel, const std::vector<std::string>& labels, const Scales& scales,
                      const Ticks& x_ticks, bool last) {
  std::string svg;
  const Ticks ticks = round_ticks(scales.y.low, scales.y.high, 6);
  for (const double v : ticks.at) {
    svg += line(kLeft, scales.px_y(v), kWidth - kRight, scales.px_y(v), "#e6eaee");
    svg += text(kLeft - 8, scales.px_y(v) + 4, "end", verdict::with_unit(v, "1", ticks.decimals));
  }
  const double bottom = scales.top + kPanelHeight;
  for (const double v : x_ticks.at) {
    svg += line(scales.px_x(v), bottom, scales.px_x(v), bottom + 5, "#8592a0");
    if (last) svg += text(scales.px_x(v), bottom + 19, "middle", verdict::with_unit(v, "1", x_ticks.decimals));
  }
  svg += line(kLeft, bottom, kWidth - kRight, bottom, "#8592a0");
  svg += text(kLeft, scales.top - 8, "start", panel.label, "#1b2631");
  for (const XyCurve& curve : panel.curves) {
    const auto at = std::find(labels.begin(), labels.end(), curve.label);
    svg += polyline(curve, scales, static_cast<std::size_t>(at - labels.begin()));
  }
  return svg;
}

}  // namespace

std::string xy_svg(const XyPicture& picture) {
  const std::vector<std::string> labels = labels_of(picture);
  Range x;
  for (const XyPanel& panel : picture.panels) {
    for (const XyCurve& curve : panel.curves) {
      for (const double v : curve.x) x.take(v);
    }
  }
  x.settle(0);
  const Ticks x_ticks = round_ticks(x.low, x.high, 9);
  double y = kTop + 14;
  std::string body = text(kLeft, 22, "start", picture.title, "#1b2631");
  if (labels.size() > 1) body += legend(labels, y);
  if (labels.size() > 1) y += 14;
  y += 18;
  for (std::size_t i = 0; i < picture.panels.size(); ++i) {
    Scales scales{x, {}, y};
    for (const XyCurve& curve : picture.panels[i].curves) {
      for (const double v : curve.y) scales.y.take(v);
    }
    scales.y.settle(0.05);
    const bool last = i + 1 == picture.panels.size();
    body += panel_svg(picture.panels[i], labels, scales, x_ticks, last);
    y += kPanelHeight + kGap;
  }
  body += text(kWidth - kRight, y + 6, "end", picture.x_label, "#1b2631");
  return "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 " + px(kWidth) + " " + px(y + 18) + "\" width=\"" +
         px(kWidth) + "\" height=\"" + px(y + 18) +
         "\" font-family=\"Helvetica, 'Liberation Sans', Arial, sans-serif\" font-size=\"12.5\">"
         "<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>" +
         body + "</svg>\n";
}

}  // namespace dawnrig::report
