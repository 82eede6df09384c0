#include "harness/testing/identity.h"

namespace dawnrig::testing {

std::string tool_version() {
  return DAWNRIG_VERSION;
}

trace::Identity identity_of(const profile::BoardProfile& board, const profile::SiteProfile& site,
                            const device::Image& image, std::uint64_t seed) {
  trace::Identity identity;
  identity.tool_version = tool_version();
  identity.image_file = image.file;
  identity.image_sha256 = image.sha256;
  identity.board_file = board.file;
  identity.board_sha256 = board.sha256;
  identity.site_file = site.file;
  identity.site_sha256 = site.sha256;
  identity.seed = seed;
  identity.board_name = board.name;
  identity.board_revision = board.revision;
  identity.site_name = site.name;
  identity.rig = "virtual rig";
  return identity;
}

trace::Identity identity_of(const Bench& bench, const std::string& test_name) {
  trace::Identity identity = identity_of(bench.board, bench.site, bench.image, bench.seed);
  identity.scenario_name = test_name;
  if (bench.rig.kind != RigKind::kVirtual) identity.rig = text_of(bench.rig.kind);
  return identity;
}

}  // namespace dawnrig::testing
