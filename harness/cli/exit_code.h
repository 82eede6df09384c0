// What the command tells its caller by a number.
// Room: harness/cli, the top floor.
#pragma once

namespace dawnrig::cli {

constexpr int kPass = 0;
constexpr int kFail = 1;       ///< some requirement failed, or the firmware crashed
constexpr int kUndecided = 2;  ///< some run was invalid or some requirement vacuous, and none failed
constexpr int kBadInput = 3;

}  // namespace dawnrig::cli
