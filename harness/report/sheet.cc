#include "harness/report/sheet.h"

#include "harness/report/html.h"

namespace dawnrig::report {
namespace {

constexpr std::string_view kSheetStyle = R"css(
.sheet h2 { border-top: 2px solid var(--line); padding-top: 18px; }
.sheet .answer { font-size: 16.5px; line-height: 1.45; margin-bottom: 12px; }
.sheet p { max-width: 88ch; }
.sheet .caption { color: var(--soft); font-size: 13px; margin: 16px 0 -8px; }
.sheet table { font-size: 13.5px; margin: 14px 0; }
.sheet th.number, .sheet .number + :not(.number) { padding-left: 22px; }
.sheet td.number { white-space: normal; padding-right: 0; padding-left: 12px; }
.sheet td.number { white-space: nowrap; }
.sheet td { padding-top: 4px; padding-bottom: 4px; }
.sheet .scroll { overflow-x: auto; }
.sheet pre { font: 12.5px/1.45 "DejaVu Sans Mono", "Liberation Mono", Consolas, monospace; background: var(--faint);
  border: 1px solid var(--line); border-radius: 3px; padding: 12px 16px; overflow-x: auto; }
.sheet .answers { border: 1px solid var(--line); border-left: 7px solid var(--soft); border-radius: 3px;
  padding: 12px 18px 6px; margin: 0 0 8px; }
.sheet .answers dt { color: var(--soft); font-size: 12.5px; } .sheet .answers dd { margin: 0 0 9px; }
.sheet svg { margin: 16px 0 4px; }
@media print { .sheet svg { page-break-inside: avoid; break-inside: avoid; } .sheet pre { white-space: pre-wrap; } }
)css";

std::string table_html(const SheetTable& table) {
  std::string html = "<div class=\"scroll\"><table><thead><tr>";
  for (const SheetTable::Head& head : table.heads) html += element("th", head.number ? "number" : "", head.text);
  html += "</tr></thead><tbody>";
  for (const std::vector<std::string>& row : table.rows) {
    html += "<tr>";
    for (std::size_t c = 0; c < row.size(); ++c) html += element("td", table.heads[c].number ? "number" : "", row[c]);
    html += "</tr>";
  }
  html += "</tbody></table></div>";
  if (!table.folded) return (table.caption.empty() ? "" : element("p", "caption", table.caption)) + html;
  const std::string caption =
      table.caption.empty() ? "All " + std::to_string(table.rows.size()) + " rows" : table.caption;
  return "<details>" + element("summary", "", caption) + html + "</details>";
}

std::string section_html(const SheetSection& section) {
  std::string html = element("h2", "", section.heading);
  for (std::size_t i = 0; i < section.sentences.size(); ++i) {
    html += element("p", i == 0 ? "answer" : "", section.sentences[i]);
  }
  for (const XyPicture& picture : section.pictures) html += xy_svg(picture);
  for (const SheetTable& table : section.tables) html += table_html(table);
  if (!section.listing.empty()) html += "<pre>" + escaped(section.listing) + "</pre>";
  return html;
}

}  // namespace

std::string sheet_html(const Sheet& sheet) {
  std::string html =
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"/>"
      "<meta name=\"viewport\" content=\"width=device-width\"/>" +
      element("title", "", sheet.title) + "<style>";
  html += style_sheet();
  html += kSheetStyle;
  html += "</style></head>\n<body class=\"sheet\">\n" + element("h1", "", sheet.title);
  if (!sheet.lead.empty()) html += element("p", "lead", sheet.lead);
  if (sheet.sections.size() > 1) {
    html += "<dl class=\"answers\">";
    for (const SheetSection& section : sheet.sections) {
      if (section.sentences.empty()) continue;
      html += element("dt", "", section.heading) + element("dd", "", section.sentences.front());
    }
    html += "</dl>";
  }
  for (const SheetSection& section : sheet.sections) html += section_html(section) + "\n";
  return html + "</body></html>\n";
}

}  // namespace dawnrig::report
