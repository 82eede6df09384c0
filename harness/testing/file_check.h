// Checking files without running anything: which kind a file is, and everything that is wrong with it.
// Room: harness/testing. May use harness/profile, harness/scenario, harness/device.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "harness/base/bad_input.h"

namespace dawnrig::testing {

struct FileCheck {
  std::vector<std::string>
      fine;  ///< one line per file that is: "board.textproto: board profile, ridge repeater controller A"
  std::vector<base::Complaint> complaints;  ///< of all files
};

/// Checks board, site, requirement and scenario files (told apart by their fields), firmware images and traces. Images
/// are checked against the one board among the files; exactly one board and one site are checked together as well.
[[nodiscard]] FileCheck check_files(const std::vector<std::filesystem::path>& files);

}  // namespace dawnrig::testing
