#include "harness/profile/load_series.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <string>
#include <string_view>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/base/text.h"

namespace dawnrig::profile {
namespace {

constexpr std::string_view kHeader = "time_s,current_a";
constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";
constexpr std::size_t kMostComplaints = 12;
constexpr double kLongestTimeS = 1e9;  // thirty years
constexpr double kMostA = 1000.0;
constexpr double kGapToUsual = 10.0;

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t' || c == '\r'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

class SeriesReader {
 public:
  explicit SeriesReader(std::string file) : file_(std::move(file)) {}

  void read(std::string_view text) {
    if (text.starts_with(kByteOrderMark)) text.remove_prefix(kByteOrderMark.size());
    bool has_header = false;
    while (!text.empty() && complaints_.size() < kMostComplaints) {
      const std::size_t end = std::min(text.find('\n'), text.size());
      const std::string_view line = text.substr(0, end);
      text.remove_prefix(std::min(end + 1, text.size()));
      ++line_;
      if (trimmed(line).empty() || trimmed(line).front() == '#') continue;
      if (has_header) {
        read_row(line);
      } else if (!read_header(line)) {
        return;
      }
      has_header = true;
    }
    if (points_.empty() && complaints_.empty()) complain(0, "", "has no rows, must have time_s,current_a and points");
  }

  void find_gaps(std::optional<double> longest_gap_s) {
    if (points_.size() < 2 || !complaints_.empty()) return;
    std::vector<double> apart_s;
    for (std::size_t i = 1; i < points_.size(); ++i) {
      const double s = in_seconds(points_[i].at - points_[i - 1].at);
      if (s > 0.0) apart_s.push_back(s);
    }
    if (apart_s.empty()) return;
    const auto middle = apart_s.begin() + static_cast<std::ptrdiff_t>(apart_s.size() / 2);
    std::nth_element(apart_s.begin(), middle, apart_s.end());
    const double usual_s = *middle;
    const double most_s = longest_gap_s.value_or(kGapToUsual * usual_s);
    for (std::size_t i = 1; i < points_.size() && complaints_.size() < kMostComplaints; ++i) {
      const double gap_s = in_seconds(points_[i].at - points_[i - 1].at);
      if (gap_s <= most_s) continue;
      line_ = lines_[i];
      complain(1, "time_s",
               "comes " + base::number_text(gap_s, 3) + " s after the row before, a gap: rows are usually " +
                   base::number_text(usual_s, 3) + " s apart, and must be at most " + base::number_text(most_s, 3) +
                   (longest_gap_s ? " (longest_gap_s)" : "; write longest_gap_s if the current did not change"));
    }
  }

  [[nodiscard]] std::vector<plant::LoadSeries::Point> points() {
    if (!complaints_.empty()) throw base::BadInput(std::move(complaints_));
    return std::move(points_);
  }

 private:
  void complain(int column, std::string field, std::string message) {
    complaints_.push_back({file_, line_, column, std::move(field), std::move(message)});
  }

  bool read_header(std::string_view line) {
    std::string names;
    for (const char c : line) {
      if (c != ' ' && c != '\t' && c != '\r') names.push_back(c);
    }
    if (names == kHeader) return true;
    complain(1, "", "is \"" + names + "\", must be " + std::string(kHeader) + ", the names of the columns");
    return false;
  }

  void read_row(std::string_view line) {
    const std::size_t comma = line.find(',');
    if (comma == std::string_view::npos) {
      complain(1, "", "is \"" + std::string(trimmed(line)) + "\", must be a time and a current with a comma between");
      return;
    }
    const auto time_s = number(line, 0, comma, "time_s", 0.0, kLongestTimeS);
    const auto current_a = number(line, comma + 1, line.size(), "current_a", 0.0, kMostA);
    if (!time_s || !current_a) return;
    const Nanos at = from_seconds(*time_s);
    const std::size_t n = points_.size();
    if (n > 0 && at < points_[n - 1].at) {
      complain(1, "time_s",
               "is " + base::number_text(*time_s) + ", must not be before the row above (" +
                   base::number_text(in_seconds(points_[n - 1].at), 9) + ")");
      return;
    }
    if (n > 1 && at == points_[n - 2].at) {
      complain(1, "time_s", "is " + base::number_text(*time_s) + " for the third time, a step has two rows");
      return;
    }
    points_.push_back({at, *current_a});
    lines_.push_back(line_);
  }

  std::optional<double> number(std::string_view line, std::size_t from, std::size_t to, const char* field, double low,
                               double high) {
    const std::string_view word = trimmed(line.substr(from, to - from));
    const int column = static_cast<int>(word.empty() ? from : static_cast<std::size_t>(word.data() - line.data())) + 1;
    double value = 0.0;
    const auto [end, error] = std::from_chars(word.data(), word.data() + word.size(), value);
    if (error != std::errc{} || end != word.data() + word.size() || !std::isfinite(value)) {
      complain(column, field, "is \"" + std::string(word) + "\", must be a number");
      return std::nullopt;
    }
    if (value < low || value > high) {
      complain(
          column, field,
          "is " + base::number_text(value) + ", must be " + base::number_text(low) + " to " + base::number_text(high));
      return std::nullopt;
    }
    return value;
  }

  std::string file_;
  int line_{0};
  std::vector<base::Complaint> complaints_;
  std::vector<plant::LoadSeries::Point> points_;
  std::vector<int> lines_;
};

}  // namespace

std::shared_ptr<plant::LoadSeries> read_load_series(const std::filesystem::path& file,
                                                    std::optional<double> longest_gap_s) {
  SeriesReader reader{file.string()};
  reader.read(base::read_text(file));
  reader.find_gaps(longest_gap_s);
  auto series = std::make_shared<plant::LoadSeries>();
  series->points = reader.points();
  return series;
}

}  // namespace dawnrig::profile
