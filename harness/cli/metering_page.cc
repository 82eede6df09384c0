// What the metering room says, as a page of the report room.
// Room: harness/cli, the top floor.
#include "harness/cli/metering_page.h"

#include <ostream>

#include "harness/base/atomic_file.h"
#include "harness/report/sheet.h"

namespace dawnrig::cli {
namespace {

report::SheetTable sheet_table(const metering::Table& table) {
  report::SheetTable out;
  out.caption = table.caption;
  out.folded = table.shown == metering::Shown::kPageAndFile;
  for (std::size_t c = 0; c < table.columns.size(); ++c) {
    const bool number = !table.rows.empty() && std::holds_alternative<double>(table.rows.front()[c]);
    out.heads.push_back({table.columns[c].label, number});
  }
  for (const auto& row : table.rows) {
    std::vector<std::string> cells;
    for (std::size_t c = 0; c < row.size(); ++c) {
      const auto* number = std::get_if<double>(&row[c]);
      cells.push_back(number != nullptr ? metering::fixed_text(*number, table.columns[c].decimals)
                                        : std::get<std::string>(row[c]));
    }
    out.rows.push_back(std::move(cells));
  }
  return out;
}

report::XyPicture sheet_picture(const metering::Picture& picture) {
  report::XyPicture out{picture.title, picture.x_label, {}};
  for (const metering::Plane& plane : picture.planes) {
    report::XyPanel panel{plane.y_label, {}};
    for (const metering::Curve& curve : plane.curves) panel.curves.push_back({curve.label, curve.x, curve.y});
    out.panels.push_back(std::move(panel));
  }
  return out;
}

}  // namespace

void write_page(const metering::Account& account, const std::filesystem::path& page) {
  report::Sheet sheet{account.title, account.lead, {}};
  for (const metering::Section& section : account.sections) {
    report::SheetSection out{section.heading, section.sentences, {}, {}, section.listing};
    for (const metering::Table& table : section.tables) {
      if (table.shown != metering::Shown::kFileOnly) out.tables.push_back(sheet_table(table));
    }
    for (const metering::Picture& picture : section.pictures) out.pictures.push_back(sheet_picture(picture));
    sheet.sections.push_back(std::move(out));
  }
  base::AtomicFile file{page};
  file.stream() << report::sheet_html(sheet);
  file.commit();
}

}  // namespace dawnrig::cli
