// A page of sections with sentences, tables and pictures: what is worked out rather than judged.
// Room: harness/report. May use the standard library and this room.
#pragma once

#include <string>
#include <vector>

#include "harness/report/xy_picture.h"

namespace dawnrig::report {

struct SheetTable {
  struct Head {
    std::string text;
    bool number{false};  ///< set to the right
  };
  std::vector<Head> heads;
  std::vector<std::vector<std::string>> rows;
  bool folded{false};   ///< long: shown when asked for
  std::string caption;  ///< what the figures are; may be empty
};
struct SheetSection {
  std::string heading;
  std::vector<std::string> sentences;  ///< the first is the answer, set large
  std::vector<SheetTable> tables;
  std::vector<XyPicture> pictures;
  std::string listing;  ///< set as it stands
};
struct Sheet {
  std::string title, lead;
  std::vector<SheetSection> sections;
};

/// One self-contained page: no script, nothing from outside. With several sections their answers stand first.
[[nodiscard]] std::string sheet_html(const Sheet& sheet);

}  // namespace dawnrig::report
