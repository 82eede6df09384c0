// Figures measured on a running rig at full resolution, and findings: a figure held against a requirement.
// Room: harness/verdict. May use harness/trace, harness/profile and what lies below. Everything a suite needs of this
// room.
#pragma once

#include "harness/verdict/battery_counters.h"
#include "harness/verdict/durations.h"
#include "harness/verdict/evidence.h"
#include "harness/verdict/figure.h"
#include "harness/verdict/finding.h"
#include "harness/verdict/fit.h"
#include "harness/verdict/levels.h"
#include "harness/verdict/period.h"
#include "harness/verdict/switching.h"
#include "harness/verdict/wording.h"
