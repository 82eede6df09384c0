#include "harness/scenario/series_csv.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <optional>
#include <string_view>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/base/hash.h"
#include "harness/base/text.h"
#include "harness/base/units.h"
#include "harness/scenario/civil_time.h"

namespace dawnrig::scenario {
namespace {

using base::number_text;

constexpr std::size_t kMostComplaints = 20;
constexpr std::size_t kMostGapNotes = 5;
constexpr double kMostWpm2 = 2500;
constexpr double kOffsetWpm2 = -20;
constexpr double kLowestDegc = -60;
constexpr double kHighestDegc = 80;

enum Column : std::size_t { kTime, kTimeS, kPoa, kAmbient, kColumns };
const std::array<std::string, kColumns> column_names = {"time", "time_s", "poa_wpm2", "ambient_degc"};

struct Cell {
  std::string_view text;
  int column{1};  // of its first character, from 1
};

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && (text.back() == ' ' || text.back() == '\t' || text.back() == '\r')) text.remove_suffix(1);
  return text;
}

std::vector<Cell> cells_of(std::string_view line) {
  std::vector<Cell> cells;
  std::size_t from = 0;
  for (;;) {
    const std::size_t comma = std::min(line.find(',', from), line.size());
    std::size_t first = from;
    while (first < comma && (line[first] == ' ' || line[first] == '\t')) ++first;
    cells.push_back({trimmed(line.substr(first, comma - first)), static_cast<int>(first) + 1});
    if (comma == line.size()) return cells;
    from = comma + 1;
  }
}

std::optional<double> number_of(std::string_view text) {
  double value = 0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (fault != std::errc{} || end != text.data() + text.size() || !std::isfinite(value)) return std::nullopt;
  return value;
}

class Reader {
 public:
  Reader(const std::filesystem::path& file, Nanos longest_gap)
      : file_{file.string()}, bytes_{base::read_text(file)}, longest_gap_{longest_gap} {}

  SeriesFile all() {
    std::string_view rest = bytes_;
    while (!rest.empty()) {
      const std::size_t end = std::min(rest.find('\n'), rest.size());
      ++line_;
      take(trimmed(rest.substr(0, end)));
      rest.remove_prefix(std::min(end + 1, rest.size()));
    }
    if (!headed_) {
      complain(1, "", "is empty, must begin with the names of its columns, like time,poa_wpm2");
    } else if (rows_.empty() && complaints_.empty()) {
      complain(1, "poa_wpm2", "has no value");
    }
    look_for_gaps();
    if (suppressed_ > 0) complaints_.push_back({file_, 0, 0, "", "and " + std::to_string(suppressed_) + " more"});
    if (!complaints_.empty()) throw base::BadInput(std::move(complaints_));
    return result();
  }

 private:
  struct Row {
    int line{};
    plant::SeriesSky::Point point;  // its time still counts from wherever the file begins
  };

  void complain(int column, std::string field, std::string message) {
    complain_at(line_, column, std::move(field), std::move(message));
  }
  void complain_at(int line, int column, std::string field, std::string message) {
    if (complaints_.size() >= kMostComplaints) {
      ++suppressed_;
    } else {
      complaints_.push_back({file_, line, column, std::move(field), std::move(message)});
    }
  }

  void take(std::string_view line) {
    if (line.empty() || line.front() == '#') return;
    const std::vector<Cell> cells = cells_of(line);
    if (!headed_) {
      header(cells);
    } else if (usable_) {
      row(cells);
    }
  }

  void header(const std::vector<Cell>& cells) {
    headed_ = true;
    width_ = cells.size();
    for (std::size_t i = 0; i < cells.size(); ++i) {
      const std::string name{cells[i].text};
      const auto known = std::find(column_names.begin(), column_names.end(), name);
      if (known == column_names.end()) {
        complain(cells[i].column, name, unknown(name));
        continue;
      }
      auto& place = place_[static_cast<std::size_t>(known - column_names.begin())];
      if (place) complain(cells[i].column, name, "stands twice");
      place = i;
    }
    if (place_[kTime].has_value() == place_[kTimeS].has_value()) {
      complain(1, "time",
               place_[kTime] ? "stands beside time_s, must be one or the other" : "is missing, must be time or time_s");
    }
    if (!place_[kPoa]) complain(1, "poa_wpm2", "is missing");
    usable_ = complaints_.empty();
  }

  // A column in another unit is told so, any other the nearest name.
  static std::string unknown(const std::string& name) {
    const auto split = base::split_unit(name);
    for (const std::string& known : column_names) {
      const auto right = base::split_unit(known);
      if (split && right && split->stem == right->stem) {
        return "is in " + std::string(split->unit) + ", must be in " + std::string(right->unit) + ": " + known;
      }
    }
    return "is no column of a series" + base::did_you_mean(name, column_names);
  }

  void row(const std::vector<Cell>& cells) {
    if (cells.size() != width_) {
      complain(cells.back().column, "",
               "has " + std::to_string(cells.size()) + " cells, must have " + std::to_string(width_) +
                   " as the first line has");
      return;
    }
    const std::optional<Nanos> at = time_of(place_[kTime] ? cells[*place_[kTime]] : cells[*place_[kTimeS]]);
    if (!at) return;
    const Cell& poa = cells[*place_[kPoa]];
    Row row{line_, {*at, 0.0}};
    if (place_[kAmbient]) ambient(cells[*place_[kAmbient]]);
    row.point.ambient_degc = ambient_degc_;
    if (poa.text.empty()) {
      ++without_value_;
      return;
    }
    const auto value = bounded(poa, "poa_wpm2", kOffsetWpm2, kMostWpm2);
    if (!value) return;
    if (*value < 0) ++below_zero_;
    row.point.poa_wpm2 = std::max(0.0, *value);
    rows_.push_back(row);
  }

  void ambient(const Cell& cell) {
    if (cell.text.empty()) return;  // the last one holds
    if (const auto value = bounded(cell, "ambient_degc", kLowestDegc, kHighestDegc)) ambient_degc_ = *value;
  }

  std::optional<double> bounded(const Cell& cell, const char* field, double lowest, double highest) {
    const auto value = number_of(cell.text);
    if (!value) {
      complain(cell.column, field, "is \"" + std::string(cell.text) + "\", must be a number");
      return std::nullopt;
    }
    if (*value < lowest || *value > highest) {
      complain(cell.column, field,
               "is " + number_text(*value) + ", must be from " + number_text(lowest) + " to " + number_text(highest));
      return std::nullopt;
    }
    return value;
  }

  // Complains of what is no time, or does not lie after the row before it.
  std::optional<Nanos> time_of(const Cell& cell) {
    const char* field = place_[kTime] ? "time" : "time_s";
    std::optional<Nanos> at;
    if (place_[kTime]) {
      const auto time = parse_civil_time(cell.text);
      if (time && with_offset_.value_or(time->has_offset) != time->has_offset) {
        complain(cell.column, field,
                 "is written " + std::string(time->has_offset ? "with" : "without") +
                     " an offset from UTC, the first row is not");
        return std::nullopt;
      }
      if (time) {
        at = time->at.time_since_epoch();
        with_offset_ = time->has_offset;
      }
    } else if (const auto seconds = number_of(cell.text); seconds && std::abs(*seconds) <= 4e9) {
      at = from_seconds(*seconds);
    }
    if (!at) {
      complain(cell.column, field,
               "is \"" + std::string(cell.text) + "\", must be " +
                   (place_[kTime] ? "like 2026-06-21T05:00:00Z" : "seconds, a number"));
    } else if (last_at_ && *at <= *last_at_) {
      complain(cell.column, field, "is \"" + std::string(cell.text) + "\", must lie after the row before it");
      at.reset();
    } else {
      last_at_ = at;
    }
    return at;
  }

  void look_for_gaps() {
    if (rows_.size() < 3) return;
    std::vector<Nanos> steps;
    for (std::size_t i = 1; i < rows_.size(); ++i) steps.push_back(step(i));
    std::nth_element(steps.begin(), steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2), steps.end());
    const Nanos usual = steps[steps.size() / 2];
    std::size_t gaps = 0;
    for (std::size_t i = 1; i < rows_.size(); ++i) {
      if (step(i) <= usual + usual / 2) continue;
      const std::string seconds = number_text(in_seconds(step(i)), 3);
      if (step(i) > longest_gap_) {
        complain_at(rows_[i].line, 1, "poa_wpm2",
                    "comes after " + seconds + " s without values, must be at most longest_gap_s (" +
                        number_text(in_seconds(longest_gap_)) + ")");
      } else if (++gaps <= kMostGapNotes) {
        notes_.push_back(file_ + ":" + std::to_string(rows_[i].line) + ": " + seconds +
                         " s without values before it, bridged by a straight line");
      }
    }
    if (gaps > kMostGapNotes)
      notes_.push_back(file_ + ": " + std::to_string(gaps) + " gaps in all, each bridged by a straight line");
  }
  [[nodiscard]] Nanos step(std::size_t i) const { return rows_[i].point.at - rows_[i - 1].point.at; }

  SeriesFile result() {
    SeriesFile out;
    for (const Row& row : rows_) {
      out.series.points.push_back(row.point);
      out.series.points.back().at -= rows_.front().point.at;
    }
    if (without_value_ > 0)
      notes_.push_back(file_ + ": " + std::to_string(without_value_) + " row(s) without a value left out");
    if (below_zero_ > 0)
      notes_.push_back(file_ + ": " + std::to_string(below_zero_) + " value(s) below zero taken for 0");
    out.notes = std::move(notes_);
    out.sha256 = base::sha256_hex(bytes_);
    return out;
  }

  std::string file_;
  std::string bytes_;
  Nanos longest_gap_;
  int line_{0};
  bool headed_{false};
  bool usable_{false};
  std::size_t width_{0};
  std::array<std::optional<std::size_t>, kColumns> place_{};
  std::optional<bool> with_offset_;
  std::optional<Nanos> last_at_;
  double ambient_degc_{std::nan("")};
  std::size_t without_value_{0}, below_zero_{0};
  std::vector<Row> rows_;
  std::vector<std::string> notes_;
  std::vector<base::Complaint> complaints_;
  std::size_t suppressed_{0};
};

}  // namespace

SeriesFile read_series(const std::filesystem::path& file, Nanos longest_gap) {
  return Reader{file, longest_gap}.all();
}

}  // namespace dawnrig::scenario
