#include "harness/metering/account.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <ostream>

#include "harness/base/atomic_file.h"
#include "harness/base/bad_input.h"
#include "harness/base/text.h"

namespace dawnrig::metering {
namespace {

std::string shown(const Cell& cell, int decimals) {
  if (const auto* words = std::get_if<std::string>(&cell)) return *words;
  return fixed_text(std::get<double>(cell), decimals);
}

/// Columns on a terminal: bytes that begin a character.
std::size_t width_of(const std::string& text) {
  return static_cast<std::size_t>(
      std::count_if(text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

std::string table_text(const Table& table) {
  std::vector<std::size_t> widths;
  for (const Column& column : table.columns) widths.push_back(width_of(column.label));
  for (const auto& row : table.rows) {
    for (std::size_t c = 0; c < row.size(); ++c) {
      widths[c] = std::max(widths[c], width_of(shown(row[c], table.columns[c].decimals)));
    }
  }
  std::string out;
  const auto put = [&](const std::string& text, std::size_t c, bool to_the_left) {
    const std::string room(widths[c] - width_of(text), ' ');
    out += "  " + (to_the_left ? text + room : room + text);
  };
  const auto end_line = [&] {
    out.erase(out.find_last_not_of(' ') + 1);
    out += '\n';
  };
  for (std::size_t c = 0; c < table.columns.size(); ++c) {
    put(table.columns[c].label, c, table.rows.empty() || std::holds_alternative<std::string>(table.rows[0][c]));
  }
  end_line();
  for (const auto& row : table.rows) {
    for (std::size_t c = 0; c < row.size(); ++c) {
      put(shown(row[c], table.columns[c].decimals), c, std::holds_alternative<std::string>(row[c]));
    }
    end_line();
  }
  return out;
}

/// A field of a file as RFC 4180 has it.
std::string csv_field(const Cell& cell) {
  if (const auto* number = std::get_if<double>(&cell)) {
    return std::isfinite(*number) ? base::number_text(*number) : std::string{};
  }
  const std::string& words = std::get<std::string>(cell);
  if (words.find_first_of(",\"\n") == std::string::npos) return words;
  std::string out = "\"";
  for (const char c : words) out += c == '"' ? std::string{"\"\""} : std::string{c};
  return out + '"';
}

}  // namespace

std::string fixed_text(double value, int decimals) {
  if (!std::isfinite(value)) return "–";
  std::array<char, 400> text{};
  const auto end = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, decimals).ptr;
  std::string out{text.data(), end};
  if (out.starts_with('-')) {
    if (out.find_first_not_of("-0.") == std::string::npos) return out.substr(1);
    out = "−" + out.substr(1);
  }
  return out;
}

std::string signed_text(double value, int decimals) {
  const std::string out = fixed_text(value, decimals);
  const bool none = out.find_first_of("123456789") == std::string::npos;
  return none || out.starts_with("−") ? out : "+" + out;
}

std::string text_of(const Account& account) {
  std::string out = account.title + "\n";
  if (!account.lead.empty()) out += account.lead + "\n";
  for (const Section& section : account.sections) {
    out += "\n" + section.heading + "\n";
    for (const std::string& sentence : section.sentences) out += "  " + sentence + "\n";
    for (const Table& table : section.tables) {
      if (table.shown != Shown::kEverywhere) continue;
      out += table.caption.empty() ? "\n" : "\n  " + table.caption + "\n";
      out += table_text(table);
    }
    if (!section.listing.empty()) out += "\n" + section.listing;
  }
  return out;
}

std::vector<std::filesystem::path> write_csv(const Account& account, const std::filesystem::path& folder) {
  std::error_code error;
  std::filesystem::create_directories(folder, error);
  if (error) throw base::BadInput(folder.string(), "is no folder that can be made: " + error.message());
  std::vector<std::filesystem::path> written;
  for (const Section& section : account.sections) {
    for (const Table& table : section.tables) {
      written.push_back(folder / (table.name + ".csv"));
      base::AtomicFile file{written.back()};
      std::ostream& out = file.stream();
      for (std::size_t c = 0; c < table.columns.size(); ++c) out << (c == 0 ? "" : ",") << table.columns[c].name;
      out << '\n';
      for (const auto& row : table.rows) {
        for (std::size_t c = 0; c < row.size(); ++c) out << (c == 0 ? "" : ",") << csv_field(row[c]);
        out << '\n';
      }
      file.commit();
    }
  }
  return written;
}

}  // namespace dawnrig::metering
