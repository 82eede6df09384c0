// The plant at one instant as the signals of a trace. Room: harness/rig. May use plant, harness/trace.
#pragma once

#include "harness/trace/signal.h"
#include "plant/circuit.h"

namespace dawnrig::rig {

/// `charges_while_on`: whether the stage charges while its switch conducts.
void fill_sample(trace::Sample& sample, Nanos now, const plant::Conditions& conditions, const plant::Probes& probes,
                 bool charges_while_on);

}  // namespace dawnrig::rig
