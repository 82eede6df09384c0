#include "harness/profile/reading.h"

#include "proto/parameter.pb.h"

namespace dawnrig::profile {

std::optional<double> value(bool has, const proto::Parameter& parameter) {
  return has ? std::optional(parameter.value()) : std::nullopt;
}

bool Judge::trusts(std::string_view field) const {
  return complaints_.locations.has(field) && !complaints_.mentions(field);
}

void Judge::pass_on(const plant::Problems& problems, const std::string& prefix) {
  for (const plant::Problem& problem : problems.list()) {
    const std::string field = prefix + "." + problem.field;
    if (complaints_.mentions(field)) continue;
    // A parameter that was not written holds a default; in a file with faults it may stand for one misspelt.
    if (clean_ || complaints_.locations.has(field)) complaints_.add(field, problem.message);
  }
}

}  // namespace dawnrig::profile
