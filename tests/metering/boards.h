// The boards that this room's tests measure with.
#pragma once

#include <gtest/gtest.h>

#include <string>

#include "harness/base/bad_input.h"
#include "harness/profile/profile.h"

namespace dawnrig::metering::testing {

inline profile::BoardProfile ridge(const std::string& revision) {
  return profile::load_board(std::string{DAWNRIG_SOURCE_DIR} + "/fixtures/profiles/ridge_repeater_" + revision +
                             ".textproto");
}

template <class Call>
std::string refusal_of(Call call) {
  try {
    call();
  } catch (const base::BadInput& e) {
    return e.what();
  }
  return "nothing refused";
}

}  // namespace dawnrig::metering::testing
