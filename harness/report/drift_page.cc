// The shifts between two builds as a table and as pictures.
#include <algorithm>
#include <cmath>

#include "harness/base/atomic_file.h"
#include "harness/report/drift.h"
#include "harness/report/html.h"
#include "harness/report/plot.h"
#include "harness/report/text.h"
#include "harness/verdict/wording.h"

namespace dawnrig::report {
namespace {

constexpr std::size_t kMostPictures = 24;
constexpr double kWidth = 760;
constexpr double kLabel = 330;
constexpr double kRow = 22;

std::string signed_text(double value, const Judged& judged) {
  const std::string text =
      verdict::with_unit(value, judged.limit.unit, std::max(3, verdict::decimals_for(judged.limit.tolerance) + 1));
  return value > 0 ? "+" + text : text;
}

std::string tolerances_text(double value) {
  return verdict::with_unit(value, "1", 2);
}

/// One bar per figure, in tolerances, to the left where the margin shrank.
std::string shifts_svg(const Drift& drift) {
  double farthest = 0;
  for (const Moved& moved : drift.moved) farthest = std::max(farthest, moved.in_tolerances);
  const double height = 30 + kRow * static_cast<double>(drift.moved.size());
  std::string svg = "<svg viewBox=\"0 0 " + px(kWidth) + " " + px(height) + "\"><text class=\"soft\" x=\"" +
                    px(kLabel) + "\" y=\"14\">shift in tolerances; dark: the margin shrank by more than allowed</text>";
  double y = 24;
  for (const Moved& moved : drift.moved) {
    const double length = farthest > 0 ? (kWidth - kLabel - 70) * moved.in_tolerances / farthest : 0;
    svg += "<text x=\"" + px(kLabel - 8) + "\" y=\"" + px(y + 14) + "\" text-anchor=\"end\">" + escaped(moved.id) +
           "</text>";
    svg += "<rect x=\"" + px(kLabel) + "\" y=\"" + px(y + 3) + "\" width=\"" + px(std::max(1.0, length)) +
           "\" height=\"14\" fill=\"" + (moved.shrank ? "#8c2f39" : "#9db4c8") + "\"/>";
    svg += "<text x=\"" + px(kLabel + length + 6) + "\" y=\"" + px(y + 14) + "\">" +
           escaped(tolerances_text(moved.in_tolerances)) + "</text>";
    y += kRow;
  }
  return svg + "</svg>";
}

std::string table_row(const Moved& moved) {
  return "<tr>" + element("td", "", moved.id) + element("td", "", moved.device) + "<td>" + badge(moved.before.verdict) +
         "</td><td>" + badge(moved.after.verdict) + "</td>" + element("td", "number", measured_text(moved.before)) +
         element("td", "number", measured_text(moved.after)) +
         element("td", "number", signed_text(moved.by, moved.before)) +
         element("td", "number", margin_text(moved.before)) + element("td", "number", margin_text(moved.after)) +
         element("td", "", moved.shrank ? "shrank too far" : "") + "</tr>";
}

std::string picture_pair(const Moved& moved) {
  return "<section class=\"card\"><h3>" + escaped(moved.id + ": " + moved.sentence) + "</h3><p>" +
         escaped(moved.device + ": " + moved.before.measured_as + " went from " + measured_text(moved.before) + " to " +
                 measured_text(moved.after) + ".") +
         "</p><div class=\"sides\"><div><p class=\"soft\">accepted</p>" + plot_svg(moved.before) +
         "</div><div><p class=\"soft\">today</p>" + plot_svg(moved.after) + "</div></div></section>";
}

std::string missing(const std::vector<std::string>& which, const char* what) {
  if (which.empty()) return "";
  std::string html = std::string{"<section><h2>"} + what + "</h2><ul>";
  for (const std::string& one : which) html += element("li", "", one);
  return html + "</ul></section>";
}

std::string summary(const Drift& drift) {
  return std::to_string(drift.moved.size()) + " of " + std::to_string(drift.compared) +
         " figures moved by more than they repeat" + (drift.shrank() ? "; some margin shrank too far." : ".");
}

}  // namespace

void print_drift(const Drift& drift, std::FILE* out) {
  for (const Moved& m : drift.moved) {
    std::fprintf(out, "%-30s %10s -> %-10s %12s  margin %s -> %s%s  [%s]\n", m.id.c_str(),
                 measured_text(m.before).c_str(), measured_text(m.after).c_str(), signed_text(m.by, m.before).c_str(),
                 margin_text(m.before).c_str(), margin_text(m.after).c_str(), m.shrank ? "  SHRANK" : "",
                 m.device.c_str());
  }
  for (const std::string& one : drift.only_accepted) std::fprintf(out, "missing today: %s\n", one.c_str());
  for (const std::string& one : drift.only_today) std::fprintf(out, "new today: %s\n", one.c_str());
  std::fprintf(out, "%s\n", summary(drift).c_str());
}

void write_drift_page(const Drift& drift, const std::filesystem::path& page) {
  base::AtomicFile file{page};
  file.stream() << "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"/>"
                << "<meta name=\"viewport\" content=\"width=device-width\"/><title>What moved</title><style>"
                << style_sheet() << "</style></head>\n<body>\n<header><h1>What moved between two builds</h1>"
                << element("p", "lead", summary(drift)) << "</header>\n";
  if (!drift.moved.empty()) {
    file.stream()
        << "<section>" << shifts_svg(drift)
        << "</section><section><table class=\"small\"><thead><tr><th>requirement</th><th>device</th><th>accepted</th>"
           "<th>today</th><th class=\"number\">accepted</th><th class=\"number\">today</th><th class=\"number\">shift"
           "</th><th class=\"number\">margin before</th><th class=\"number\">margin today</th><th></th></tr></thead>"
           "<tbody>";
    for (const Moved& moved : drift.moved) file.stream() << table_row(moved);
    file.stream() << "</tbody></table></section>\n";
  }
  file.stream() << missing(drift.only_accepted, "Missing today") << missing(drift.only_today, "New today");
  for (std::size_t i = 0; i < std::min(kMostPictures, drift.moved.size()); ++i) {
    file.stream() << picture_pair(drift.moved[i]) << "\n";
  }
  file.stream() << "</body></html>\n";
  file.commit();
}

}  // namespace dawnrig::report
