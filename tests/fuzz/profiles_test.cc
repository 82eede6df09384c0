// Files that people write, with random changes in them: each is refused with a complaint or works. None may crash,
// hang or show a number that is none. A failure prints the seed that draws the same file again, and keeps the file.
//
// A few seconds by default. Longer, or one seed alone:
//   DAWNRIG_FUZZ_SECONDS=600 build/release/tests/fuzz/fuzz_test
//   DAWNRIG_FUZZ_FIRST=4711 DAWNRIG_FUZZ_FILES=1 build/release/tests/fuzz/fuzz_test
#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <filesystem>

#include "board.pb.h"
#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/base/textproto.h"
#include "requirement.pb.h"
#include "scenario.pb.h"
#include "site.pb.h"
#include "tests/base/scratch_folder.h"
#include "tests/fuzz/exercise.h"
#include "tests/fuzz/mutation.h"

namespace dawnrig::fuzz {
namespace {

namespace fs = std::filesystem;

// Told by the handler when a file makes the process hang or crash: the seed is all that is needed to see it again.
volatile std::sig_atomic_t seed_now = 0;

void tell_seed(int signal) {
  char text[] = "fuzz: seed ........... ended with a signal: a hang if it was the alarm's\n";
  long rest = seed_now;
  for (int i = 21; i > 10; --i, rest /= 10) text[i] = rest > 0 || i == 21 ? static_cast<char>('0' + rest % 10) : ' ';
  (void)!::write(STDERR_FILENO, text, sizeof text - 1);
  std::signal(signal, SIG_DFL);
  std::raise(signal);
}

/// The repository's own files, and what they are made of.
class House {
 public:
  House() {
    const fs::path source{DAWNRIG_SOURCE_DIR};
    for (const char* folder : {"fixtures/profiles", "fixtures/scenarios", "fixtures/requirements", "tests/fuzz/data",
                               "tests/profile/data"}) {
      std::vector<fs::path> files;
      for (const auto& entry : fs::directory_iterator(source / folder)) files.push_back(entry.path());
      std::sort(files.begin(), files.end());
      for (const fs::path& file : files) {
        if (file.extension() == ".textproto") take(file);
      }
    }
  }

  template <class Kind>
  struct Template {
    fs::path file;
    Kind message;
  };
  std::vector<Template<proto::BoardProfile>> boards;
  std::vector<Template<proto::SiteProfile>> sites;
  std::vector<Template<proto::Scenario>> scenarios;
  std::vector<Template<proto::RequirementSet>> requirements;
  std::vector<profile::BoardProfile> good_boards;
  std::vector<profile::SiteProfile> good_sites;
  std::vector<scenario::Scenario> good_scenarios;
  Parts parts;

 private:
  template <class Kind>
  bool takes(const fs::path& file, const std::string& text, std::vector<Template<Kind>>& list) {
    Kind message;
    if (!base::parse_textproto(file.string(), text, message).complaints.empty()) return false;
    at_home(message, file.parent_path());
    parts.feed(message);
    list.push_back({file, std::move(message)});
    return true;
  }

  // A copy lies elsewhere than the files that it names.
  static void at_home(proto::BoardProfile& board, const fs::path& folder) {
    if (!board.mcu().eeprom_image().empty()) {
      board.mutable_mcu()->set_eeprom_image((folder / board.mcu().eeprom_image()).string());
    }
  }
  static void at_home(proto::SiteProfile& site, const fs::path& folder) {
    for (proto::Load& load : *site.mutable_load()) {
      if (load.has_series()) load.mutable_series()->set_file((folder / load.series().file()).string());
    }
  }
  static void at_home(proto::Scenario& scenario, const fs::path& folder) {
    for (proto::Stimulus& at : *scenario.mutable_at()) {
      if (!at.sky().has_series()) continue;
      at.mutable_sky()->mutable_series()->set_file((folder / at.sky().series().file()).string());
    }
  }
  static void at_home(proto::RequirementSet& /*set*/, const fs::path& /*folder*/) {}

  void take(const fs::path& file) {
    const std::string text = base::read_text(file);
    if (text.find("proto-message: dawnrig.proto.Catalogue") != std::string::npos) {
      return;  // no run takes it: the house's own list of what its suite covers
    }
    if (takes(file, text, boards)) {
      good_boards.push_back(profile::load_board(file));
    } else if (takes(file, text, sites)) {
      good_sites.push_back(profile::load_site(file));
    } else if (takes(file, text, scenarios)) {
      good_scenarios.push_back(scenario::load_scenario(file));
    } else if (!takes(file, text, requirements)) {
      throw std::runtime_error(file.string() + " is none of the kinds of file");
    }
  }
};

template <class List>
const auto& one_of(const List& list, Dice& dice) {
  return list[static_cast<std::size_t>(dice.below(static_cast<int>(list.size())))];
}

class Profiles : public base::testing::ScratchFolder {
 protected:
  template <class Kind>
  fs::path changed(const std::vector<House::Template<Kind>>& templates, Dice& dice) {
    Kind message = one_of(templates, dice).message;
    do mutate(message, house_.parts, dice);
    while (dice.chance(0.4));
    std::string text;
    google::protobuf::TextFormat::PrintToString(message, &text);
    if (dice.chance(0.08)) text = garbled(text, dice);
    return write("changed.textproto", text);
  }

  void try_board(Dice& dice) {
    const profile::BoardProfile board = profile::load_board(changed(house_.boards, dice));
    ++tally_.read;
    exercise_curves(board, dice, tally_);
    together(board, one_of(house_.good_sites, dice), dice);
  }
  void try_site(Dice& dice) {
    const profile::SiteProfile site = profile::load_site(changed(house_.sites, dice));
    ++tally_.read;
    exercise_curves(site, dice, tally_);
    together(one_of(house_.good_boards, dice), site, dice);
  }
  void try_scenario(Dice& dice) {
    const scenario::Scenario scenario = scenario::load_scenario(changed(house_.scenarios, dice));
    ++tally_.read;
    exercise_sky(scenario, house_.good_sites.front(), tally_);
    if (dice.chance(0.15)) exercise_device(house_.good_boards[0], one_of(house_.good_sites, dice), scenario, tally_);
  }
  void try_requirements(Dice& dice) {
    (void)profile::load_requirements(changed(house_.requirements, dice));
    ++tally_.read;
  }

  // What was read is kept from falling apart over a nominal voltage that its neighbour does not share.
  void together(const profile::BoardProfile& board, const profile::SiteProfile& site, Dice& dice) {
    try {
      profile::check_together(board, site);
    } catch (const base::BadInput&) {
      ++tally_.apart;
      if (dice.chance(0.5)) return;
      plant::Problems problems;
      profile::circuit_of(board, site).check(problems);
      if (!problems.empty()) return;
    }
    exercise_circuit(board, site, dice, tally_);
    if (dice.chance(0.04)) exercise_device(board, site, one_of(house_.good_scenarios, dice), tally_);
  }

  /// Empty: nothing was found.
  std::string try_file(std::uint64_t seed) {
    Dice dice{seed};
    try {
      const int kind = dice.below(20);
      if (kind < 8) {
        try_site(dice);
      } else if (kind < 15) {
        try_board(dice);
      } else if (kind < 19) {
        try_scenario(dice);
      } else {
        try_requirements(dice);
      }
    } catch (const base::BadInput& refusal) {
      ++tally_.refused;
      for (const base::Complaint& complaint : refusal.complaints()) {
        if (complaint.message.empty()) return "refused without a word";
      }
      return refusal.complaints().empty() ? "refused without a complaint" : "";
    } catch (const std::exception& e) {
      return e.what();
    }
    return "";
  }

  House house_;
  Tally tally_;
};

TEST_F(Profiles, WithRandomChangesAreRefusedWithAComplaintOrWork) {
  const std::uint64_t first = from_environment("DAWNRIG_FUZZ_FIRST", 1);
  const std::uint64_t files = from_environment("DAWNRIG_FUZZ_FILES", 400);
  const std::uint64_t seconds = from_environment("DAWNRIG_FUZZ_SECONDS", 0);  // instead of a number of files
  for (const int signal : {SIGALRM, SIGSEGV, SIGABRT, SIGFPE, SIGBUS}) std::signal(signal, tell_seed);
  const auto start = std::chrono::steady_clock::now();
  const auto time_is_up = [&] { return std::chrono::steady_clock::now() - start > std::chrono::seconds{seconds}; };
  int findings = 0;
  double slowest_s = 0;
  std::uint64_t slowest = first;
  std::uint64_t seed = first;
  for (; seconds > 0 ? !time_is_up() : seed < first + files; ++seed) {
    seed_now = static_cast<std::sig_atomic_t>(seed);
    ::alarm(60);
    const auto begun = std::chrono::steady_clock::now();
    const std::string finding = try_file(seed);
    const std::chrono::duration<double> taken_s = std::chrono::steady_clock::now() - begun;
    if (taken_s.count() > slowest_s) slowest_s = taken_s.count(), slowest = seed;
    ::alarm(0);
    if (finding.empty() || ++findings > 50) continue;
    const fs::path kept = fs::temp_directory_path() / ("dawnrig-fuzz-" + std::to_string(seed) + ".textproto");
    fs::copy_file(place("changed.textproto"), kept, fs::copy_options::overwrite_existing);
    ADD_FAILURE() << "seed " << seed << ", " << kept.string() << ": " << finding;
  }
  for (const int signal : {SIGALRM, SIGSEGV, SIGABRT, SIGFPE, SIGBUS}) std::signal(signal, SIG_DFL);
  std::printf(
      "fuzz: %llu files from seed %llu, %d findings; %ld refused, %ld read, %ld pairs that do not fit; %ld circuits, "
      "%ld curves, %ld skies, %ld devices; as INVALID would end: %ld unsolved, %ld too slow, %ld with open books; "
      "slowest seed %llu with %.1f s\n",
      static_cast<unsigned long long>(seed - first), static_cast<unsigned long long>(first), findings, tally_.refused,
      tally_.read, tally_.apart, tally_.circuits, tally_.curves, tally_.skies, tally_.devices, tally_.unsolved,
      tally_.slow, tally_.open_books, static_cast<unsigned long long>(slowest), slowest_s);
  EXPECT_GT(tally_.read, 0) << "nothing was read at all: the changes are too wild to find anything";
}

}  // namespace
}  // namespace dawnrig::fuzz
