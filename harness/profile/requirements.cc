#include <algorithm>
#include <map>

#include "harness/base/hash.h"
#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/requirement.pb.h"

namespace dawnrig::profile {
namespace {

Confidence confidence_of(proto::Confidence confidence) {
  switch (confidence) {
    case proto::STANDARD:
      return Confidence::kStandard;
    case proto::MAKER:
      return Confidence::kMaker;
    case proto::TRADE:
      return Confidence::kTrade;
    default:
      return Confidence::kProposed;
  }
}

bool is_id(std::string_view id) {
  return std::all_of(id.begin(), id.end(),
                     [](char c) { return (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-'; });
}

Requirement requirement_of(const proto::Requirement& written) {
  Requirement requirement;
  requirement.id = written.id();
  requirement.sentence = written.sentence();
  const proto::Limit& limit = written.limit();
  if (limit.has_lowest()) requirement.lowest = limit.lowest();
  if (limit.has_highest()) requirement.highest = limit.highest();
  requirement.unit = limit.unit();
  requirement.tolerance = limit.tolerance();
  requirement.per_12v = limit.per_12v();
  requirement.source = written.source();
  requirement.confidence = confidence_of(written.confidence());
  return requirement;
}

void judge_limit(const Requirement& requirement, const std::string& path, Judge& judge) {
  const std::string lowest = path + ".limit.lowest";
  const std::string highest = path + ".limit.highest";
  if (judge.trusts(lowest) && judge.trusts(highest) && *requirement.lowest > *requirement.highest) {
    judge.complain(lowest, "is " + base::number_text(*requirement.lowest) + ", must be at most highest (" +
                               base::number_text(*requirement.highest) + ")");
  }
  if (judge.trusts(path + ".limit") && !requirement.lowest && !requirement.highest) {
    judge.complain(path + ".limit", "has neither lowest nor highest, must have at least one");
  }
}

}  // namespace

std::string_view text_of(Confidence confidence) {
  switch (confidence) {
    case Confidence::kStandard:
      return "standard";
    case Confidence::kMaker:
      return "maker";
    case Confidence::kTrade:
      return "trade";
    case Confidence::kProposed:
      break;
  }
  return "proposed";
}

const Requirement* RequirementSet::find(std::string_view id) const {
  const auto found =
      std::find_if(requirements.begin(), requirements.end(), [&](const Requirement& r) { return r.id == id; });
  return found == requirements.end() ? nullptr : &*found;
}

namespace {

/// One file without what it builds upon.
std::pair<RequirementSet, std::string> load_one(const std::filesystem::path& file) {
  proto::RequirementSet written;
  base::TextprotoFile read = base::read_textproto(file, written);
  RequirementSet set;
  set.file = read.file;
  set.sha256 = read.sha256;
  set.name = written.name();
  Judge judge(read.complaints);
  std::map<std::string, int, std::less<>> lines;
  for (int i = 0; i < written.requirement_size(); ++i) {
    Requirement requirement = requirement_of(written.requirement(i));
    const std::string path = "requirement[" + std::to_string(i) + "]";
    requirement.file = read.file;
    requirement.line = read.complaints.locations.of(path).line;
    if (judge.trusts(path + ".id")) {
      const int line = read.complaints.locations.of(path + ".id").line;
      const auto [first, is_new] = lines.emplace(requirement.id, line);
      if (!is_new) {
        judge.complain(path + ".id", "is \"" + requirement.id + "\", the id of the requirement in line " +
                                         std::to_string(first->second));
      } else if (!is_id(requirement.id)) {
        judge.complain(path + ".id", "is \"" + requirement.id + "\", must be of capitals, digits and hyphens");
      }
    }
    judge_limit(requirement, path, judge);
    set.requirements.push_back(requirement);
  }
  if (!written.upon().empty() && !std::filesystem::exists(file.parent_path() / written.upon())) {
    judge.complain("upon", "is \"" + written.upon() + "\", and there is no such file beside this one");
  }
  read.complaints.throw_if_any();
  return {set, written.upon()};
}

/// What the file builds upon, and then the file: the later one of an id counts, in the place of the first.
void put_on(RequirementSet& base, const RequirementSet& more) {
  for (const Requirement& requirement : more.requirements) {
    const auto at = std::find_if(base.requirements.begin(), base.requirements.end(),
                                 [&](const Requirement& r) { return r.id == requirement.id; });
    if (at == base.requirements.end()) {
      base.requirements.push_back(requirement);
    } else {
      *at = requirement;
    }
  }
}

}  // namespace

RequirementSet load_requirements(const std::filesystem::path& file) {
  constexpr std::size_t kDeepest = 8;
  std::vector<RequirementSet> layers;  // the file itself first
  std::filesystem::path next = file;
  for (bool more = true; more;) {
    auto [set, upon] = load_one(next);
    layers.push_back(std::move(set));
    more = !upon.empty();
    next = next.parent_path() / upon;
    if (more && layers.size() == kDeepest) {
      throw base::BadInput(file.string(), "builds upon more than " + std::to_string(kDeepest) +
                                              " files, or upon itself: " + next.string());
    }
  }
  RequirementSet all = layers.back();
  std::string hashes = all.sha256;
  for (std::size_t i = layers.size() - 1; i-- > 0;) {
    put_on(all, layers[i]);
    hashes += layers[i].sha256;
  }
  all.file = layers.front().file;
  all.name = layers.front().name;
  all.sha256 = layers.size() == 1 ? hashes : base::sha256_hex(std::string_view{hashes});
  judge_levels(all);
  return all;
}

}  // namespace dawnrig::profile
