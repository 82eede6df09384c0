// Pairs as people write them: on the command line, and in files.
#include <algorithm>
#include <charconv>
#include <cmath>
#include <sstream>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/base/text.h"
#include "harness/metering/calibration.h"

namespace dawnrig::metering {
namespace {

std::string trimmed(const std::string& text) {
  const std::size_t first = text.find_first_not_of(" \t\r");
  if (first == std::string::npos) return "";
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

std::vector<std::string> fields_of(const std::string& line) {
  std::vector<std::string> fields;
  std::istringstream in{line};
  for (std::string field; std::getline(in, field, ',');) fields.push_back(trimmed(field));
  if (line.ends_with(',')) fields.emplace_back();
  return fields;
}

std::optional<double> number_in(const std::string& text) {
  double value = 0;
  const char* end = text.data() + text.size();
  const auto [stopped, error] = std::from_chars(text.data(), end, value);
  if (error != std::errc{} || stopped != end || !std::isfinite(value)) return std::nullopt;
  return value;
}

/// The last digit that was written: "28.6" resolves tenths.
double resolution_of(const std::string& text) {
  const std::size_t point = text.find('.');
  if (point == std::string::npos) return 1;
  return std::pow(10, -static_cast<double>(text.size() - point - 1));
}

std::size_t column(const std::vector<std::string>& names, const std::string& wanted) {
  return static_cast<std::size_t>(std::find(names.begin(), names.end(), wanted) - names.begin());
}

}  // namespace

Pair pair_of(const std::string& text) {
  const std::vector<std::string> fields = fields_of(text);
  const auto wrong = [&](const std::string& why) {
    return base::BadInput("--pair", "is \"" + text + "\", " + why +
                                        ": must be meter,reported or meter,reported,board_degc, as in 28.80,28.61,-5");
  };
  if (fields.size() < 2 || fields.size() > 3) throw wrong(std::to_string(fields.size()) + " numbers");
  std::vector<double> numbers;
  for (const std::string& field : fields) {
    const auto number = number_in(field);
    if (!number) throw wrong("in which \"" + field + "\" is no number");
    numbers.push_back(*number);
  }
  return {numbers[0], numbers[1], numbers.size() > 2 ? numbers[2] : kRoomDegc, resolution_of(fields[1])};
}

std::vector<Pair> read_pairs(const std::filesystem::path& file, const std::string& suffix) {
  std::istringstream in{base::read_text(file)};
  std::vector<base::Complaint> complaints;
  const auto complain = [&](int line, const std::string& field, std::string message) {
    complaints.push_back({file.string(), line, 0, field, std::move(message)});
  };
  std::string line;
  std::getline(in, line);
  const std::vector<std::string> names = fields_of(line);
  const std::vector<std::string> known = {"meter_" + suffix, "reported_" + suffix, "board_degc"};
  for (const std::string& name : names) {
    if (std::find(known.begin(), known.end(), name) == known.end()) {
      complain(1, name, "is no column of a file of pairs" + base::did_you_mean(name, known));
    }
  }
  for (std::size_t i = 0; i < 2; ++i) {
    if (column(names, known[i]) == names.size()) complain(1, known[i], "is missing among the columns");
  }
  std::vector<Pair> pairs;
  for (int number = 2; complaints.empty() && std::getline(in, line); ++number) {
    if (trimmed(line).empty()) continue;
    const std::vector<std::string> fields = fields_of(line);
    if (fields.size() != names.size()) {
      complain(number, "", "has " + std::to_string(fields.size()) + " fields, must be " + std::to_string(names.size()));
      break;
    }
    Pair pair;
    for (std::size_t c = 0; c < fields.size(); ++c) {
      const auto value = number_in(fields[c]);
      if (!value) {
        complain(number, names[c], "is \"" + fields[c] + "\", must be a number");
        continue;
      }
      if (names[c] == known[0]) pair.meter = *value;
      if (names[c] == known[2]) pair.board_degc = *value;
      if (names[c] != known[1]) continue;
      pair.reported = *value;
      pair.resolution = resolution_of(fields[c]);
    }
    pairs.push_back(pair);
  }
  if (complaints.empty() && pairs.empty()) complain(2, "", "holds no pair: a line for each reading beside the meter");
  if (!complaints.empty()) throw base::BadInput(std::move(complaints));
  return pairs;
}

}  // namespace dawnrig::metering
