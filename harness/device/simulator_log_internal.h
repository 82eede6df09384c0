// The simulator's one process-wide logger, told apart by the thread that is inside a core.
// Room: harness/device, internal: included by .cc files of this room only.
#pragma once

namespace dawnrig::device {

class SimulatorCore;

/// While it lives, what the simulator says on this thread is said about `core`. Installs the logger on first use.
class LogScope {
 public:
  explicit LogScope(SimulatorCore* core);
  ~LogScope();
  LogScope(const LogScope&) = delete;
  LogScope& operator=(const LogScope&) = delete;

 private:
  SimulatorCore* outer_;
};

}  // namespace dawnrig::device
