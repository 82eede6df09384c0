#include "harness/report/html.h"
#include "harness/report/page.h"
#include "harness/report/plot.h"
#include "harness/report/text.h"

namespace dawnrig::report {
namespace {

std::string device_cells(const Judged* judged) {
  if (judged == nullptr) return "<td class=\"first soft\" colspan=\"3\">not judged</td>";
  std::string html = "<td class=\"first\">" + badge(judged->verdict) + "</td>";
  html += "<td class=\"number\">" + escaped(measured_text(*judged)) + margin_bar_svg(*judged) + "</td>";
  html += "<td class=\"number\">" + escaped(margin_text(*judged));
  if (has_margin(*judged))
    html += "<br/><span class=\"soft small\">" + escaped(normalised_text(*judged)) + " tol.</span>";
  return html + "</td>";
}

/// The same limit on all devices is said once.
std::string limits_of(const Row& row, const Results& results) {
  std::string first;
  bool same = true;
  for (const auto& judged : row.judged) {
    if (judged.empty()) continue;
    const std::string text = limit_text(judged.front());
    if (first.empty()) first = text;
    same = same && text == first;
  }
  if (same) return escaped(first);
  std::string html;
  for (std::size_t d = 0; d < row.judged.size(); ++d) {
    if (row.judged[d].empty()) continue;
    html += "<div>" + escaped(column_name(results.devices[d], results)) + ": " +
            escaped(limit_text(row.judged[d].front())) + "</div>";
  }
  return html;
}

}  // namespace

std::string anchor_of(const Row& row) {
  std::string anchor = "r-";
  for (const char c : row.id) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-';
    anchor += plain ? c : '_';
  }
  return anchor;
}

std::string verdict_table(const Results& results) {
  if (results.rows.empty()) return "";
  std::string html =
      "<section><h2>Every requirement, least margin first</h2><table class=\"verdicts\"><thead><tr>"
      "<th rowspan=\"2\">what must hold</th><th rowspan=\"2\">limit</th>";
  for (const Device& device : results.devices) {
    html += "<th class=\"group\" colspan=\"3\">" + escaped(column_name(device, results)) + "</th>";
  }
  html += "</tr><tr>";
  for (std::size_t d = 0; d < results.devices.size(); ++d) {
    html += "<th class=\"first\">verdict</th><th class=\"number\">measured</th><th class=\"number\">margin</th>";
  }
  html += "</tr></thead><tbody>";
  for (const Row& row : results.rows) {
    html += "<tr><td class=\"what\"><a href=\"#" + anchor_of(row) + "\">" + escaped(row.sentence) +
            "</a><div class=\"id\">" + escaped(row.id) + "</div></td><td class=\"limit\">" + limits_of(row, results) +
            "</td>";
    for (std::size_t d = 0; d < results.devices.size(); ++d) html += device_cells(row.worst_on(d));
    html += "</tr>";
  }
  return html +
         "</tbody></table><p class=\"soft small\">The bar shows the allowed range in green between its ends, and the "
         "measured "
         "figure as a dot, or as a diamond where it lies outside. tol.: the margin in units of the requirement's "
         "tolerance, the smallest difference worth arguing about.</p></section>";
}

}  // namespace dawnrig::report
