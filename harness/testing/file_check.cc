#include "harness/testing/file_check.h"

#include <array>
#include <optional>
#include <set>
#include <string_view>

#include "harness/base/files.h"
#include "harness/base/textproto.h"
#include "harness/device/image.h"
#include "harness/profile/profile.h"
#include "harness/scenario/stimulus.h"
#include "harness/trace/recorder.h"
#include "proto/catalogue.pb.h"

namespace dawnrig::testing {

namespace {

namespace fs = std::filesystem;

enum class Kind : std::uint8_t { kBoard, kSite, kRequirements, kScenario, kCatalogue };

struct KindFacts {
  Kind kind;
  std::string_view name;
  std::array<std::string_view, 8> fields;
};

constexpr std::array<KindFacts, 5> kKinds{{
    {Kind::kBoard, "board profile", {"mcu", "gate", "load_output", "stage", "sense", "declared", "hooks", "revision"}},
    {Kind::kSite, "site profile", {"panel", "battery", "wiring", "load", "ambient_degc", "", "", ""}},
    {Kind::kRequirements, "requirement file", {"requirement", "", "", "", "", "", "", ""}},
    {Kind::kScenario, "scenario", {"duration_s", "seed", "initial", "at", "recording", "check", "", ""}},
    {Kind::kCatalogue, "catalogue", {"subject", "", "", "", "", "", "", ""}},
}};

/// The words at the outermost level of a text-format file, comments and strings left out.
std::set<std::string> outermost_words(const std::string& text) {
  std::set<std::string> words;
  std::string word;
  int depth = 0;
  char quote = 0;
  bool comment = false;
  for (std::size_t i = 0; i <= text.size(); ++i) {
    const char c = i < text.size() ? text[i] : '\n';
    if (comment) {
      comment = c != '\n';
      continue;
    }
    if (quote != 0) {
      if (c == '\\') {
        ++i;
      } else if (c == quote) {
        quote = 0;
      }
      continue;
    }
    const bool of_word = (c >= 'a' && c <= 'z') || c == '_' || (c >= '0' && c <= '9');
    if (of_word) {
      word.push_back(c);
      continue;
    }
    if (depth == 0 && !word.empty()) {
      words.insert(word);
    }
    word.clear();
    comment = c == '#';
    quote = (c == '"' || c == '\'') ? c : '\0';
    depth += c == '{' ? 1 : (c == '}' ? -1 : 0);
  }
  return words;
}

std::optional<Kind> kind_of(const std::string& text) {
  const std::set<std::string> words = outermost_words(text);
  std::optional<Kind> best;
  std::size_t most = 0;
  for (const KindFacts& facts : kKinds) {
    std::size_t found = 0;
    for (const std::string_view field : facts.fields) {
      found += !field.empty() && words.count(std::string{field}) > 0 ? 1 : 0;
    }
    if (found > most) {
      most = found;
      best = facts.kind;
    }
  }
  return best;
}

bool is_image(const fs::path& file) {
  return file.extension() == ".elf" || file.extension() == ".hex";
}

/// Collects what one check finds; a check that throws BadInput adds all its complaints.
class Checker {
 public:
  template <class Call>
  void attempt(Call call) {
    try {
      call();
    } catch (const base::BadInput& e) {
      result.complaints.insert(result.complaints.end(), e.complaints().begin(), e.complaints().end());
    }
  }

  void text_file(const fs::path& file) {
    const std::optional<Kind> kind = kind_of(base::read_text(file));
    if (!kind) {
      throw base::BadInput(
          file.string(),
          "is none of the files this tool reads: a board profile has `mcu`, a site `panel`, a requirement "
          "file `requirement`, a scenario `duration_s`");
    }
    switch (*kind) {
      case Kind::kBoard:
        boards.push_back(profile::load_board(file));
        result.fine.push_back(file.string() + ": board profile, " + boards.back().name + " revision " +
                              boards.back().revision);
        break;
      case Kind::kSite:
        sites.push_back(profile::load_site(file));
        result.fine.push_back(file.string() + ": site profile, " + sites.back().name);
        break;
      case Kind::kRequirements: {
        const auto set = profile::load_requirements(file);
        result.fine.push_back(file.string() + ": " + std::to_string(set.requirements.size()) + " requirements, " +
                              set.name);
        break;
      }
      case Kind::kScenario: {
        const auto scenario = scenario::load_scenario(file);
        result.fine.push_back(file.string() + ": scenario, " + scenario.name + ", " +
                              std::to_string(scenario.timeline.size()) + " stimuli");
        break;
      }
      case Kind::kCatalogue: {
        proto::Catalogue catalogue;
        const base::TextprotoFile read = base::read_textproto(file, catalogue);
        read.complaints.throw_if_any();
        result.fine.push_back(file.string() + ": catalogue of " + std::to_string(catalogue.subject_size()) +
                              " subjects, " + catalogue.name());
        break;
      }
    }
  }

  void image(const fs::path& file) {
    if (boards.size() != 1) {
      throw base::BadInput(file.string(), "is a firmware image; name the one board profile it is for as well");
    }
    const device::Image image = device::load_image(file, boards[0].device.part);
    result.fine.push_back(file.string() + ": firmware image, " + std::to_string(image.flash.size()) + " bytes for " +
                          boards[0].device.part);
  }

  void trace(const fs::path& file) {
    const trace::Trace trace = trace::read_trace(file);
    result.fine.push_back(file.string() + ": trace, " + std::to_string(in_seconds(trace.end)) + " s" +
                          (trace.complete ? "" : ", cut off"));
  }

  FileCheck result;
  std::vector<profile::BoardProfile> boards;
  std::vector<profile::SiteProfile> sites;
};

}  // namespace

FileCheck check_files(const std::vector<fs::path>& files) {
  Checker checker;
  for (const fs::path& file : files) {
    if (is_image(file)) {
      continue;
    }
    checker.attempt([&] { file.extension() == ".trace" ? checker.trace(file) : checker.text_file(file); });
  }
  for (const fs::path& file : files) {
    if (is_image(file)) {
      checker.attempt([&] { checker.image(file); });
    }
  }
  if (checker.boards.size() == 1 && checker.sites.size() == 1) {
    checker.attempt([&] { profile::check_together(checker.boards[0], checker.sites[0]); });
  }
  return std::move(checker.result);
}

}  // namespace dawnrig::testing
