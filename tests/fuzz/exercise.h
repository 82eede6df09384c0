// Whatever was read without complaint has to work: its circuit under random edges and weather, its curves, its skies,
// and a device in it. Room: tests.
#pragma once

#include <stdexcept>
#include <string>

#include "harness/profile/profile.h"
#include "harness/scenario/stimulus.h"
#include "tests/fuzz/dice.h"

namespace dawnrig::fuzz {

/// What was found: a sentence for people.
class Finding : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

/// How often what is no finding came up: a run that says of itself that nobody can vouch for it is as it should be.
struct Tally {
  long read{0}, refused{0}, apart{0};  ///< apart: each file is fine, the two do not fit
  long circuits{0}, curves{0}, skies{0}, devices{0};
  long unsolved{0}, slow{0}, open_books{0};  ///< circuits that end as INVALID in the rig
};

/// Board and site in a circuit for a few gate edges. Throws Finding.
void exercise_circuit(const profile::BoardProfile& board, const profile::SiteProfile& site, Dice& dice, Tally& tally);

/// Panel and battery curves of a site; every sense channel of a board.
void exercise_curves(const profile::SiteProfile& site, Dice& dice, Tally& tally);
void exercise_curves(const profile::BoardProfile& board, Dice& dice, Tally& tally);

/// The scenario's day, and its stimuli over a second site that can take them.
void exercise_sky(const scenario::Scenario& scenario, const profile::SiteProfile& site, Tally& tally);

/// A device of the house in it, with the scenario's stimuli, for a moment.
void exercise_device(const profile::BoardProfile& board, const profile::SiteProfile& site,
                     const scenario::Scenario& scenario, Tally& tally);

}  // namespace dawnrig::fuzz
