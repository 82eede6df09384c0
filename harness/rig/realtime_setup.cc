#include "harness/rig/realtime_setup.h"

#include <fcntl.h>
#include <pthread.h>
#include <sched.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdint>
#include <cstring>

namespace dawnrig::rig {

namespace {

constexpr std::size_t kStackBytes = std::size_t{256} << 10U;

void touch_stack() {
  std::array<volatile unsigned char, kStackBytes> pages;
  for (std::size_t i = 0; i < pages.size(); i += 1024) {
    pages[i] = 0;
  }
}

/// Under a limit, memory that is asked for later might not be lockable, and then would be refused altogether.
bool may_lock_all_there_will_be() {
  rlimit limit{};
  return ::geteuid() == 0 || (::getrlimit(RLIMIT_MEMLOCK, &limit) == 0 && limit.rlim_cur == RLIM_INFINITY);
}

/// Held open for the life of the process: closing it would let the processor sleep deeply again.
bool keep_processor_awake() {
  static const int handle = [] {
    const int fd = ::open("/dev/cpu_dma_latency", O_WRONLY | O_CLOEXEC);
    const std::int32_t none = 0;
    return fd >= 0 && ::write(fd, &none, sizeof none) == static_cast<ssize_t>(sizeof none) ? fd : -1;
  }();
  return handle >= 0;
}

}  // namespace

std::vector<std::string> ask_for_realtime(int fifo_priority) {
  std::vector<std::string> lacking;
  sched_param priority{};
  priority.sched_priority = fifo_priority;
  if (const int error = ::pthread_setschedparam(::pthread_self(), SCHED_FIFO, &priority); error != 0) {
    lacking.push_back(std::string{"no FIFO priority ("} + std::strerror(error) +
                      "): other programs may delay the loop; grant it with an rtprio limit of " +
                      std::to_string(fifo_priority));
  }
  if (::mlockall(MCL_CURRENT | (may_lock_all_there_will_be() ? MCL_FUTURE : 0)) != 0) {
    lacking.push_back(std::string{"memory cannot be locked ("} + std::strerror(errno) +
                      "): a page fault may delay the loop; grant it with an unlimited memlock limit");
  }
  if (!keep_processor_awake()) {
    lacking.emplace_back("/dev/cpu_dma_latency may not be written: the processor may take some time to wake");
  }
  touch_stack();
  return lacking;
}

}  // namespace dawnrig::rig
