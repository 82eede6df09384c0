// A good file with something changed in it: what a person's mistakes look like.
#pragma once

#include <gtest/gtest.h>

#include <string>
#include <utility>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
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

}  // namespace dawnrig::profile::testing
