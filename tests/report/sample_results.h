// Results of a made-up but physically plausible campaign: two revisions of the ridge repeater's controller.
// Room: tests/report.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "proto/result.pb.h"

namespace dawnrig::report {

/// A folder of its own that goes when the object goes.
class Scratch {
 public:
  Scratch();
  ~Scratch();
  Scratch(const Scratch&) = delete;
  Scratch& operator=(const Scratch&) = delete;
  [[nodiscard]] const std::filesystem::path& folder() const { return folder_; }
  std::filesystem::path put(const std::string& name, const proto::ResultSet& set) const;

 private:
  std::filesystem::path folder_;
};

/// Identity only; complete, no tests.
[[nodiscard]] proto::ResultSet empty_set(const std::string& revision);

/// A finding about a level in volts with an upper limit.
void add_level(proto::TestResult& test, const std::string& id, double measured_v, double highest_v, double tolerance_v);

/// Revision "A" passes but for one vacuous requirement; "B" overshoots and leaves its gate on.
[[nodiscard]] proto::ResultSet sample_of(const std::string& revision);

}  // namespace dawnrig::report
