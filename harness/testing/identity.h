// What a run was made of, for its trace and its report.
// Room: harness/testing.
#pragma once

#include <string>

#include "harness/device/image.h"
#include "harness/profile/profile.h"
#include "harness/testing/suite.h"
#include "harness/trace/recorder.h"

namespace dawnrig::testing {

[[nodiscard]] std::string tool_version();

[[nodiscard]] trace::Identity identity_of(const profile::BoardProfile& board, const profile::SiteProfile& site,
                                          const device::Image& image, std::uint64_t seed);
/// The same with the name of a test as the scenario.
[[nodiscard]] trace::Identity identity_of(const Bench& bench, const std::string& test_name);

}  // namespace dawnrig::testing
