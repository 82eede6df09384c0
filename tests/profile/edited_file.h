// A good file with something changed in it: what a person's mistakes look like.
#pragma once

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <utility>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/profile/profile.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::profile::testing {

using Edits = std::vector<std::pair<std::string, std::string>>;

/// The fault in `text` before and after: `edits` replace, each exactly once.
struct Fault {
  Edits edits;
  std::vector<std::string> complaints;
};

class EditedFile : public base::testing::ScratchFolder {
 protected:
  static std::string good(const std::string& name) {
    return base::read_text(std::string(DAWNRIG_SOURCE_DIR) + "/tests/profile/data/" + name);
  }

  std::filesystem::path edited(const std::string& name, const Edits& edits) const {
    std::string text = good(name);
    for (const auto& [before, after] : edits) {
      const std::size_t at = text.find(before);
      EXPECT_NE(at, std::string::npos) << before;
      EXPECT_EQ(text.find(before, at + 1), std::string::npos) << "twice: " << before;
      if (at != std::string::npos) text.replace(at, before.size(), after);
    }
    return write(name, text);
  }

  template <class Load>
  [[nodiscard]] std::vector<std::string> complaints_of(Load load) const {
    std::vector<std::string> lines;
    try {
      load();
    } catch (const base::BadInput& fault) {
      for (const base::Complaint& complaint : fault.complaints()) lines.push_back(local(complaint.text()));
    }
    return lines;
  }
};

/// The board of tests/profile/data, and what is complained of when it is edited.
class EditedBoard : public EditedFile {
 protected:
  void SetUp() override {
    EditedFile::SetUp();
    (void)write("settings.hex", good("settings.hex"));
  }
  [[nodiscard]] BoardProfile load(const Edits& edits = {}) const {
    return load_board(edited("board.textproto", edits));
  }
  void expect(const std::vector<Fault>& faults) const {
    for (const Fault& fault : faults) {
      EXPECT_THAT(complaints_of([&] { (void)load(fault.edits); }), ::testing::ElementsAreArray(fault.complaints))
          << (fault.edits.empty() ? "" : fault.edits.front().second);
    }
  }
};

}  // namespace dawnrig::profile::testing
