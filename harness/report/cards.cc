#include <cstdint>
#include <iterator>

#include "harness/report/html.h"
#include "harness/report/page.h"
#include "harness/report/plot.h"
#include "harness/report/text.h"

namespace dawnrig::report {
namespace {

std::string fact(const char* name, const std::string& value) {
  return "<div>" + element("dt", "", name) + element("dd", "", value) + "</div>";
}

/// Thousands apart: "120 002".
std::string grouped(std::int64_t number) {
  std::string text = std::to_string(number);
  for (std::ptrdiff_t at = std::ssize(text) - 3; at > 0; at -= 3) text.insert(static_cast<std::size_t>(at), " ");
  return text;
}

std::string facts_of(const Judged& judged) {
  std::string html = "<dl class=\"facts\">";
  html += fact("measured", measured_text(judged));
  html += fact("limit", limit_text(judged));
  html +=
      fact("margin", has_margin(judged) ? margin_text(judged) + ", " + normalised_text(judged) + " tolerances" : "–");
  html += fact("judged", judged.exercised == 1 ? "once" : grouped(judged.exercised) + " times");
  return html + "</dl>";
}

/// What else was measured for the same requirement, worst first.
std::string other_figures(const std::vector<Judged>& judged) {
  if (judged.size() < 2) return "";
  const std::string count = std::to_string(judged.size());
  std::string html = "<details><summary>the worst of " + count +
                     " figures; all of them</summary><table><thead><tr>"
                     "<th>verdict</th><th>test</th><th>measured as</th><th class=\"number\">measured</th>"
                     "<th class=\"number\">margin</th></tr></thead><tbody>";
  for (const Judged& one : judged) {
    html += "<tr><td>" + element("span", "", verdict::text_of(one.verdict)) + "</td>" + element("td", "", one.test) +
            element("td", "", one.measured_as) + element("td", "number", measured_text(one)) +
            element("td", "number", margin_text(one)) + "</tr>";
  }
  return html + "</tbody></table></details>";
}

std::string side_of(const Row& row, std::size_t index, const Results& results) {
  const Judged* judged = row.worst_on(index);
  std::string html =
      "<div class=\"side " + std::string{judged ? class_of(judged->verdict) : "none"} + "\"><div class=\"head\">";
  if (judged != nullptr) html += badge(judged->verdict);
  html += element("b", "", column_name(results.devices[index], results)) + "</div>";
  if (judged == nullptr) return html + "<p class=\"soft\">Not judged on this device.</p></div>";
  html += element("p", "reason", as_sentence(judged->reason));
  html += facts_of(*judged) + "<div>" + plot_svg(*judged) + element("p", "soft small", "Test " + judged->test + ".");
  return html + other_figures(row.judged[index]) + "</div></div>";
}

std::string card_of(const Row& row, const Results& results) {
  std::string html = "<article class=\"card " + std::string{class_of(row.worst().verdict)} + "\" id=\"" +
                     anchor_of(row) + "\">" + element("h3", "", as_sentence(row.sentence));
  html += "<p class=\"source\">" + element("b", "", row.id) + " · the limit is from: " + escaped(row.source) + " (" +
          escaped(row.confidence) + ")</p>";
  html += "<div class=\"sides\">";
  for (std::size_t d = 0; d < results.devices.size(); ++d) html += side_of(row, d, results);
  return html + "</div></article>";
}

}  // namespace

std::string cards(const Results& results) {
  if (results.rows.empty()) return "";
  std::string html = "<section><h2>One by one, broken ones first</h2>";
  for (const Row& row : results.rows) html += card_of(row, results);
  return html + "</section>";
}

}  // namespace dawnrig::report
