// What the operating system is asked for before a loop that must keep time. Room: harness/rig. POSIX calls in the .cc.
#pragma once

#include <string>
#include <vector>

namespace dawnrig::rig {

/// For the calling thread and, as far as memory goes, the process: FIFO scheduling, all memory locked, a stack that is
/// there before it is needed, and no power saving that takes long to wake from. What is not permitted is left out and
/// named, a sentence each; the loop then runs as an ordinary thread. To be called by the loop's own thread, before its
/// first tick. Priority 80 is below that of interrupt threads where a kernel has them, as it must be.
[[nodiscard]] std::vector<std::string> ask_for_realtime(int fifo_priority = 80);

}  // namespace dawnrig::rig
