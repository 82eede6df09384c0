#include "harness/report/plot.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "harness/report/axis.h"
#include "harness/report/html.h"
#include "harness/report/layout.h"
#include "harness/report/text.h"
#include "harness/verdict/wording.h"

namespace dawnrig::report {
namespace {

using verdict::Curve;

constexpr std::array kColours = {"#2a6496", "#b05a00", "#4f7a28", "#78468c"};
constexpr std::array kDashes = {"", "6 3", "2 3", "8 3 2 3"};  // the second curve differs in more than colour

std::string line(double x1, double y1, double x2, double y2, std::string_view how) {
  return "<line x1=\"" + px(x1) + "\" y1=\"" + px(y1) + "\" x2=\"" + px(x2) + "\" y2=\"" + px(y2) + "\" " +
         std::string{how} + "/>";
}

std::string label(double x, double y, std::string_view anchor, std::string_view css, std::string_view text) {
  return "<text x=\"" + px(x) + "\" y=\"" + px(y) + "\" text-anchor=\"" + std::string{anchor} + "\" class=\"" +
         std::string{css} + "\">" + escaped(text) + "</text>";
}

std::string frame(const Box& box, const TimeAxis& time, std::string_view unit) {
  std::string svg;
  const Ticks ticks = round_ticks(box.lowest, box.highest, box.height > 100 ? 6 : 3);
  for (const double value : ticks.at) {
    const double y = box.y(value);
    svg += line(box.left, y, box.right(), y, "stroke=\"#e6eaee\"");
    svg += label(box.left - 7, y + 4, "end", "soft", verdict::with_unit(value, "1", ticks.decimals));
  }
  for (const double t : time.ticks.at) {
    const double x = box.x(t * time.unit_s);
    svg += line(x, box.bottom(), x, box.bottom() + 4, "stroke=\"#8592a0\"");
  }
  svg += line(box.left, box.bottom(), box.right(), box.bottom(), "stroke=\"#8592a0\"");
  const std::string printed = verdict::printed_unit(unit);
  if (!printed.empty()) svg += label(box.left - 7, box.top - 7, "end", "soft", printed);
  return svg;
}

double end_of(const Curve& curve, std::size_t i) {
  return i + 1 < curve.time_s.size() ? curve.time_s[i + 1] : curve.end_s;
}

/// Neighbouring buckets merged until the picture has no more columns than it can show.
Curve thinned(const Curve& curve) {
  constexpr std::size_t kColumns = 300;
  const std::size_t group = (curve.time_s.size() + kColumns - 1) / kColumns;
  if (group <= 1) return curve;
  Curve thin = curve;
  std::size_t n = 0;
  for (std::size_t i = 0; i < curve.time_s.size(); i += group, ++n) {
    const std::size_t end = std::min(i + group, curve.time_s.size());
    thin.time_s[n] = curve.time_s[i];
    thin.low[n] = curve.low[i];
    thin.high[n] = curve.high[i];
    double integral = 0;
    for (std::size_t j = i; j < end; ++j) {
      thin.low[n] = std::min(thin.low[n], curve.low[j]);
      thin.high[n] = std::max(thin.high[n], curve.high[j]);
      integral += curve.mean[j] * (end_of(curve, j) - curve.time_s[j]);
    }
    const double width_s = end_of(curve, end - 1) - curve.time_s[i];
    thin.mean[n] = width_s > 0 ? integral / width_s : curve.mean[i];
  }
  for (auto* column : {&thin.time_s, &thin.low, &thin.high, &thin.mean}) column->resize(n);
  return thin;
}

/// The band from lowest to highest, and the mean through it.
std::string curve_svg(const Curve& whole, const Box& box, std::size_t index) {
  const Curve curve = thinned(whole);
  std::string band;
  std::string mean;
  const std::size_t count = curve.time_s.size();
  const auto middle = [&](std::size_t i) {
    if (i == 0) return box.x(curve.time_s[0]);
    if (i + 1 == count) return box.x(curve.end_s);
    return 0.5 * (box.x(curve.time_s[i]) + box.x(end_of(curve, i)));
  };
  for (std::size_t i = 0; i < count; ++i) {
    band += px(middle(i)) + "," + px(box.y(curve.high[i])) + " ";
    mean += px(middle(i)) + "," + px(box.y(curve.mean[i])) + " ";
  }
  for (std::size_t i = count; i-- > 0;) band += px(middle(i)) + "," + px(box.y(curve.low[i])) + " ";
  const std::string colour = kColours[index % kColours.size()];
  const std::string dash = kDashes[index % kDashes.size()];
  return "<polygon points=\"" + band + "\" fill=\"" + colour + "\" fill-opacity=\"0.25\"/>" + "<polyline points=\"" +
         mean + "\" fill=\"none\" stroke=\"" + colour + "\" stroke-width=\"1.6\"" +
         (dash.empty() ? "" : " stroke-dasharray=\"" + dash + "\"") + "/>";
}

/// Labels of the curves in a row above the panel, each behind a piece of its own line.
std::string curve_labels(const Panel& panel, const Box& box) {
  std::string svg;
  double x = box.left;
  for (std::size_t i = 0; i < panel.curves.size(); ++i) {
    const std::string dash = kDashes[i % kDashes.size()];
    svg += line(x + 2, box.top - 11, x + 20, box.top - 11,
                "stroke=\"" + std::string{kColours[i % kColours.size()]} + "\" stroke-width=\"2.2\"" +
                    (dash.empty() ? "" : " stroke-dasharray=\"" + dash + "\""));
    svg += label(x + 25, box.top - 7, "start", "", panel.curves[i]->label);
    x += 46 + text_width(panel.curves[i]->label);
  }
  return svg;
}

/// A line in another unit than the limit's (a level from which a time is measured) is told to a hundredth.
std::string limit_lines(const Panel& panel, const Box& box, const Judged& judged) {
  std::string svg;
  double last_y = -100;
  std::vector<const PlotLine*> lines = panel.lines;
  std::sort(lines.begin(), lines.end(), [](const PlotLine* a, const PlotLine* b) { return a->value > b->value; });
  for (const PlotLine* l : lines) {
    const int decimals = l->unit == judged.limit.unit ? verdict::decimals_for(judged.limit.tolerance) : 2;
    const std::string text = l->label + " " + verdict::with_unit(l->value, l->unit, decimals);
    const bool above = l->value > box.highest;
    const double y = box.y(l->value);
    double text_y = y - 5;
    if (box.shows(l->value)) {
      svg += line(box.left, y, box.right(), y, "stroke=\"#b0281a\" stroke-width=\"1.3\" stroke-dasharray=\"7 4\"");
    } else {
      text_y = above ? box.top + 10 : box.bottom() - 5;
    }
    if (text_y - last_y < 13) text_y = std::max(y + 13, last_y + 13);
    last_y = text_y;
    const std::string off = box.shows(l->value) ? "" : above ? " ↑ beyond the picture" : " ↓ beyond the picture";
    svg += label(box.right() - 2, text_y, "end", "limit halo", text + off);
  }
  return svg;
}

/// On or off as filled or empty; switching faster than the picture shows, as high as the share of time on.
std::string strip_svg(const Curve& whole, const Box& box) {
  const Curve curve = thinned(whole);
  std::string points = px(box.left) + "," + px(box.bottom()) + " ";
  for (std::size_t i = 0; i < curve.time_s.size(); ++i) {
    const double y = box.bottom() - box.height * std::clamp(curve.mean[i], 0.0, 1.0);
    points += px(box.x(curve.time_s[i])) + "," + px(y) + " " + px(box.x(end_of(curve, i))) + "," + px(y) + " ";
  }
  points += px(box.x(curve.end_s)) + "," + px(box.bottom());
  return "<rect x=\"" + px(box.left) + "\" y=\"" + px(box.top) + "\" width=\"" + px(box.width) + "\" height=\"" +
         px(box.height) + "\" fill=\"#f3f5f7\"/><polygon points=\"" + points + "\" fill=\"#7c8a99\"/>" +
         label(box.left, box.top - 5, "start", "", curve.label + ", share of time on");
}

struct Mark {
  double time_s{0};
  std::optional<double> value;  ///< on the curve; absent: the curve's own mean
  std::string text;
  bool offence{false};
};

std::vector<Mark> marks_of(const Judged& judged) {
  std::vector<Mark> marks;
  const auto on_curve = [&](double figure) -> std::optional<double> {
    if (!judged.level_offset) return std::nullopt;
    return figure + *judged.level_offset;
  };
  const bool same = judged.first_offence && judged.first_offence->time == judged.worst;
  if (judged.first_offence) {
    marks.push_back(
        {in_seconds(judged.first_offence->time), on_curve(judged.first_offence->value),
         std::string{same ? "first and worst at " : "first at "} + verdict::printed_time(judged.first_offence->time),
         true});
  }
  if (!same && judged.exercised > 0 && std::isfinite(judged.measured)) {
    marks.push_back({in_seconds(judged.worst), on_curve(judged.measured), "measured " + measured_text(judged),
                     judged.verdict == Verdict::kFail});
  }
  return marks;
}

double mean_at(const Curve& curve, double time_s) {
  const auto after = std::upper_bound(curve.time_s.begin(), curve.time_s.end(), time_s);
  const auto index = static_cast<std::size_t>(std::max<std::ptrdiff_t>(0, after - curve.time_s.begin() - 1));
  return curve.mean[std::min(index, curve.mean.size() - 1)];
}

std::string marks_svg(const Judged& judged, const Panel& panel, const Box& box) {
  std::string svg;
  for (const Mark& mark : marks_of(judged)) {
    if (mark.time_s < box.from_s || mark.time_s > box.to_s) continue;
    const double x = box.x(mark.time_s);
    const double y = box.y(mark.value.value_or(mean_at(*panel.curves.front(), mark.time_s)));
    const std::string colour = mark.offence ? "#b0281a" : "#1b2631";
    svg += "<circle cx=\"" + px(x) + "\" cy=\"" + px(y) + "\" r=\"5\" fill=\"#fff\" fill-opacity=\"0.6\" stroke=\"" +
           colour + "\" stroke-width=\"2\"/>";
    // The first offence comes from below or above; before it there is room.
    const bool first = mark.offence && mark.text.starts_with("first at");
    const bool room_before = x - 10 - text_width(mark.text) > box.left;
    const bool to_left = (first && room_before) || x + 10 + text_width(mark.text) > box.right();
    const double beside = y - box.top < 16 ? y + 18 : y - 9;
    svg += label(x + (to_left ? -9 : 9), first && room_before ? y + 4 : beside, to_left ? "end" : "start",
                 mark.offence ? "offence halo" : "halo", mark.text);
  }
  return svg;
}

// Of more than so many moments only those have a line that have a label: a fence of lines tells nobody anything.
constexpr std::size_t kMostBareLines = 12;

std::string moments_svg(const std::vector<PlotMoment>& moments, const std::vector<std::size_t>& rows, const Box& box,
                        double bottom) {
  std::string svg;
  for (std::size_t i = 0; i < moments.size(); ++i) {
    const double x = box.x(moments[i].time_s);
    if (rows[i] == kUnlabelled) {
      if (moments.size() > kMostBareLines) continue;
      svg += line(x, box.top, x, bottom, "stroke=\"#566573\" stroke-width=\"1\" stroke-dasharray=\"1.5 3\"");
      continue;
    }
    const double y = 11 + kMomentRow * static_cast<double>(rows[i]);
    const bool to_left = x + 8 + text_width(moments[i].label) > kPictureWidth;
    svg += line(x, y - 8, x, bottom, "stroke=\"#566573\" stroke-width=\"1\" stroke-dasharray=\"1.5 3\"");
    svg += label(x + (to_left ? -4 : 4), y, to_left ? "end" : "start", "halo", moments[i].label);
  }
  return svg;
}

std::string time_labels(const TimeAxis& time, const Box& box, double y) {
  std::string svg;
  for (const double t : time.ticks.at) {
    const double x = box.x(t * time.unit_s);
    svg += line(x, y, x, y + 4, "stroke=\"#8592a0\"");
    svg += label(x, y + 17, "middle", "soft", verdict::with_unit(t, "1", time.ticks.decimals));
  }
  svg += label(box.right(), y + 31, "end", "soft", "time since power-up, " + time.unit);
  return svg;
}

}  // namespace

std::string plot_svg(const Judged& judged) {
  const Plot& plot = judged.plot;
  if (plot.curves.empty()) return "";
  const Layout layout = layout_of(plot);
  const Box& any = layout.boxes.empty() ? layout.strips.front() : layout.boxes.front();
  const TimeAxis time = time_axis(any.from_s, any.to_s, 7);
  const double height = layout.axis_y + 38;
  std::string svg = "<svg class=\"plot\" role=\"img\" aria-label=\"" + escaped(judged.measured_as) +
                    "\" viewBox=\"0 0 " + px(kPictureWidth) + " " + px(height) + "\">";
  for (std::size_t i = 0; i < layout.panels.size(); ++i) {
    const Panel& panel = layout.panels[i];
    const Box& box = layout.boxes[i];
    svg += frame(box, time, panel.unit);
    for (std::size_t c = 0; c < panel.curves.size(); ++c) svg += curve_svg(*panel.curves[c], box, c);
    svg += curve_labels(panel, box);
  }
  for (std::size_t i = 0; i < layout.switches.size(); ++i) svg += strip_svg(*layout.switches[i], layout.strips[i]);
  svg += moments_svg(layout.moments, layout.moment_rows, any, layout.axis_y);
  for (std::size_t i = 0; i < layout.panels.size(); ++i) {
    svg += limit_lines(layout.panels[i], layout.boxes[i], judged);
  }
  if (!layout.panels.empty()) svg += marks_svg(judged, layout.panels.front(), layout.boxes.front());
  return svg + time_labels(time, any, layout.axis_y) + "</svg>";
}

}  // namespace dawnrig::report
