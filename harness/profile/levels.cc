// The order of levels: whatever the chemistry, a controller whose voltages stand in another order cannot work.
// Equalisation is not below absorption, absorption above float, float above the loads' reconnection, and that above
// disconnection. Of two levels that a set of requirements bounds, both bounds must stand in that order.
#include <array>
#include <string_view>

#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"

namespace dawnrig::profile {
namespace {

constexpr std::array<std::string_view, 5> kFromTheTop{"LEVEL-EQUALISE", "LEVEL-ABSORPTION", "LEVEL-FLOAT",
                                                      "LEVEL-LOAD-RECONNECT", "LEVEL-LOAD-DISCONNECT"};

/// A level may not be bounded as its neighbour; equalisation may be absorption by another name.
bool in_order(const std::optional<double>& upper, const std::optional<double>& lower, bool may_be_equal) {
  return !upper || !lower || *upper > *lower || (may_be_equal && *upper == *lower);
}

void judge_pair(const RequirementSet& set, const Requirement& upper, const Requirement& lower, const char* end,
                const std::optional<double>& above, const std::optional<double>& below,
                std::vector<base::Complaint>& complaints) {
  if (in_order(above, below, upper.id == kFromTheTop.front())) return;
  // At the line of the file that was given, if one of the two stands there: that is the one which was changed.
  const Requirement& at = lower.file == set.file && upper.file != set.file ? lower : upper;
  complaints.push_back({at.file, at.line, 1, upper.id,
                        std::string{end} + " is " + base::number_text(*above) + ", must be above the " + end + " of " +
                            lower.id + ", " + base::number_text(*below)});
}

}  // namespace

void judge_levels(const RequirementSet& set) {
  std::vector<base::Complaint> complaints;
  const Requirement* upper = nullptr;
  for (const std::string_view id : kFromTheTop) {
    const Requirement* level = set.find(id);
    if (level == nullptr) continue;
    if (upper != nullptr) {
      judge_pair(set, *upper, *level, "lowest", upper->lowest, level->lowest, complaints);
      judge_pair(set, *upper, *level, "highest", upper->highest, level->highest, complaints);
    }
    upper = level;
  }
  if (!complaints.empty()) throw base::BadInput(complaints);
}

}  // namespace dawnrig::profile
