#include "harness/device/simulator_log_internal.h"

#include <cstdarg>
#include <mutex>

#include "harness/device/simulator_core_internal.h"

namespace dawnrig::device {
namespace {

thread_local SimulatorCore* current_core = nullptr;

void hear_simulator(avr_t*, const int level, const char* format, std::va_list arguments) {
  if (level <= LOG_ERROR && level > LOG_OUTPUT && current_core != nullptr) {
    current_core->hear(level, format, arguments);
  }
}

}  // namespace

LogScope::LogScope(SimulatorCore* core) : outer_(current_core) {
  static std::once_flag installed;
  std::call_once(installed, [] { avr_global_logger_set(&hear_simulator); });
  current_core = core;
}

LogScope::~LogScope() {
  current_core = outer_;
}

}  // namespace dawnrig::device
