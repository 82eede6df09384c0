// What this room has to say, in a form that text, table files and pages can be made of.
// Room: harness/metering. May use the standard library only.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <variant>
#include <vector>

namespace dawnrig::metering {

using Cell = std::variant<std::string, double>;

/// A column as a file names it (unit last), as people read it, and how many digits of it mean anything.
struct Column {
  std::string name, label;
  int decimals{3};
};
enum class Shown : std::uint8_t { kEverywhere, kPageAndFile, kFileOnly };
struct Table {
  std::string name;  ///< "budget": of its file
  std::vector<Column> columns;
  std::vector<std::vector<Cell>> rows;
  Shown shown{};
  std::string caption{};  ///< what the figures are
};
struct Curve {
  std::string label;
  std::vector<double> x, y;
};
struct Plane {
  std::string y_label;
  std::vector<Curve> curves;
};
/// Curves over one abscissa.
struct Picture {
  std::string title, x_label;
  std::vector<Plane> planes;
};
struct Section {
  std::string heading;
  std::vector<std::string> sentences;  ///< the first is the answer
  std::vector<Table> tables;
  std::vector<Picture> pictures;
  std::string listing;  ///< set as it stands: a header file
};
struct Account {
  std::string title, lead;
  std::vector<Section> sections;
};

/// Headings, sentences and tables for a terminal.
[[nodiscard]] std::string text_of(const Account& account);
/// One file per table, named after it, in a folder that is made if need be. Gives the files. Throws base::BadInput for
/// a place that cannot be written and base::RunFault for a full disk.
std::vector<std::filesystem::path> write_csv(const Account& account, const std::filesystem::path& folder);

/// A number with its sign, as differences are read: "+0.120", "−0.004", "0.000".
[[nodiscard]] std::string signed_text(double value, int decimals);
/// A number with exactly so many decimals; "−" where there is none.
[[nodiscard]] std::string fixed_text(double value, int decimals);

}  // namespace dawnrig::metering
