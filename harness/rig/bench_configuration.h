// What the interface board is told about the device before a run. Room: harness/rig.
#pragma once

#include "harness/link/message.h"
#include "harness/link/session.h"
#include "harness/profile/profile.h"
#include "harness/rig/bench_loop.h"

namespace dawnrig::rig {

/// Gate 1 and its polarity, the channels the profile has, and what the device sees when the host falls silent: a full
/// battery and no sun, its supply staying on.
[[nodiscard]] link::Configure configuration_of(const profile::BoardProfile& board, const BenchSettings& settings,
                                               const link::Calibration& calibration);

/// How far ahead levels have to be sent over a line with this round trip.
[[nodiscard]] Nanos lead_for(const link::DurationStats& round_trip);

}  // namespace dawnrig::rig
