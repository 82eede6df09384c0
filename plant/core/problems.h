// What is wrong with a set of parameters: every complaint, not only the first.
#pragma once

#include <string>
#include <utility>
#include <vector>

namespace dawnrig::plant {

/// One complaint. `field` is the dotted path of the field inside the checked struct, named as in the profile schema
/// ("r_series_ohm", "divider.r_top_ohm"), so that a loader can find the line it came from.
struct Problem {
  std::string field;
  std::string message;  ///< the value and what would be right: "is -0.02, must be above 0"
};

class Problems {
 public:
  void add(std::string field, std::string message) { list_.push_back({std::move(field), std::move(message)}); }
  [[nodiscard]] bool empty() const { return list_.empty(); }
  [[nodiscard]] const std::vector<Problem>& list() const { return list_; }

 private:
  std::vector<Problem> list_;
};

}  // namespace dawnrig::plant
