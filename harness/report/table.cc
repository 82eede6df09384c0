// The verdict table of the terminal.
#include <algorithm>
#include <array>
#include <string>

#include "harness/report/report.h"
#include "harness/report/results.h"
#include "harness/report/text.h"

namespace dawnrig::report {
namespace {

constexpr std::size_t kSentenceWidth = 52;
constexpr std::size_t kColumns = 7;
using Line = std::array<std::string, kColumns>;

/// Characters, not bytes: continuation bytes of UTF-8 take no room.
std::size_t width_of(const std::string& text) {
  return static_cast<std::size_t>(
      std::count_if(text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

std::string shortened(const std::string& sentence) {
  if (width_of(sentence) <= kSentenceWidth) return sentence;
  std::string cut;
  std::size_t begin = 0;
  while (begin < sentence.size()) {
    const std::size_t end = std::min(sentence.find(' ', begin), sentence.size());
    if (width_of(sentence.substr(0, end)) + 2 > kSentenceWidth) break;
    cut = sentence.substr(0, end);
    begin = end + 1;
  }
  return cut + " …";
}

std::string padded(const std::string& text, std::size_t width, bool right) {
  const std::string space(width - std::min(width, width_of(text)), ' ');
  return right ? space + text : text + space;
}

bool is_right_aligned(std::size_t column) {
  return column == 3 || column >= 5;
}

void print_line(const Line& line, const std::array<std::size_t, kColumns>& widths, std::FILE* out) {
  std::string text;
  for (std::size_t c = 0; c < kColumns; ++c) text += padded(line[c], widths[c], is_right_aligned(c)) + "  ";
  text.erase(text.find_last_not_of(' ') + 1);
  std::fprintf(out, "%s\n", text.c_str());
}

Line line_of(const Row& row, const Judged& judged) {
  return {std::string{verdict::text_of(judged.verdict)},
          row.id,
          shortened(row.sentence),
          measured_text(judged),
          limit_text(judged),
          margin_text(judged),
          normalised_text(judged)};
}

struct Entry {
  const Judged* judged;
  Line line;
};

void print_device(std::size_t index, const Results& results, std::FILE* out) {
  const Device& device = results.devices[index];
  std::vector<Entry> entries;
  for (const Row& row : results.rows) {
    if (const Judged* judged = row.worst_on(index)) entries.push_back({judged, line_of(row, *judged)});
  }
  std::stable_sort(entries.begin(), entries.end(),
                   [](const Entry& a, const Entry& b) { return is_worse(*a.judged, *b.judged); });
  const Line head{"verdict", "requirement", "what must hold", "measured", "limit", "margin", "in tolerances"};
  std::array<std::size_t, kColumns> widths{};
  for (std::size_t c = 0; c < kColumns; ++c) {
    widths[c] = width_of(head[c]);
    for (const Entry& entry : entries) widths[c] = std::max(widths[c], width_of(entry.line[c]));
  }
  std::fprintf(out, "%s at %s: %s\n", device_name(device).c_str(), device.site_name.c_str(),
               std::string{verdict::text_of(device.overall)}.c_str());
  if (!entries.empty()) print_line(head, widths, out);
  for (const Entry& entry : entries) {
    print_line(entry.line, widths, out);
    if (entry.judged->verdict != Verdict::kPass) {
      std::fprintf(out, "         %s  [%s]\n", as_sentence(entry.judged->reason).c_str(), entry.judged->test.c_str());
    }
  }
  for (const Trouble& trouble : device.troubles) {
    std::fprintf(out, "%-7s  %s: %s\n", std::string{verdict::text_of(trouble.verdict)}.c_str(), trouble.test.c_str(),
                 trouble.text.c_str());
  }
  std::fprintf(out, "\n");
}

std::string counted(int count, const char* one, const char* many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

}  // namespace

void print_table(const std::vector<std::filesystem::path>& result_files, std::FILE* out) {
  const Results results = load_results(result_files);
  std::map<Verdict, int> counts;
  int troubles = 0;
  int tests = 0;
  for (std::size_t i = 0; i < results.devices.size(); ++i) {
    print_device(i, results, out);
    for (const auto& [verdict, count] : results.devices[i].counts) counts[verdict] += count;
    troubles += static_cast<int>(results.devices[i].troubles.size());
    tests += results.devices[i].tests;
  }
  std::fprintf(out, "%s, %s: %d PASS, %d FAIL, %d INVALID, %d VACUOUS%s\n",
               counted(static_cast<int>(results.devices.size()), "device", "devices").c_str(),
               counted(tests, "test", "tests").c_str(), counts[Verdict::kPass], counts[Verdict::kFail],
               counts[Verdict::kInvalid], counts[Verdict::kVacuous],
               troubles > 0 ? (", " + counted(troubles, "other trouble", "other troubles")).c_str() : "");
}

int exit_code(const std::vector<std::filesystem::path>& result_files) {
  constexpr int kFailed = 1;
  constexpr int kUntrustworthy = 2;
  const Results results = load_results(result_files);
  int code = results.devices.empty() ? kUntrustworthy : 0;
  for (const Device& device : results.devices) {
    if (device.overall == Verdict::kFail) return kFailed;
    if (device.overall != Verdict::kPass) code = kUntrustworthy;
  }
  return code;
}

}  // namespace dawnrig::report
