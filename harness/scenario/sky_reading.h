// Skies out of scenario files. Room: harness/scenario, private to it. May use plant and harness/base; proto in .cc
// files.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "harness/base/textproto.h"
#include "harness/scenario/stimulus.h"

namespace dawnrig::proto {
class Initial;
class Scenario;
}  // namespace dawnrig::proto

namespace dawnrig::scenario {

/// One `sky` of a file, and which of the file's changes it is.
struct ReadSky {
  int at{0};
  std::shared_ptr<const plant::SkyParams> params;
  std::string sha256;  ///< of the bytes of its series; empty if it has none
  std::vector<std::string> notes;
};

/// Every `sky` of a scenario as it was read. Complains of what no single field can show, and of each fault of a series
/// at its own line. `file` is the scenario's: series are looked for beside it.
[[nodiscard]] std::vector<ReadSky> read_skies(const std::filesystem::path& file, const proto::Scenario& written,
                                              base::FileComplaints& complaints);

/// Puts them into the timeline, which is still in the order of the file; a sky that begins at once gives the initial
/// sun and, if it knows, the ambient temperature where the file does not. Hashes and notes of series go into the
/// scenario's.
void place_skies(const std::vector<ReadSky>& skies, const proto::Initial& written, Scenario& scenario);

}  // namespace dawnrig::scenario
