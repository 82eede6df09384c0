#include "harness/link/pumped_stream.h"

#include <poll.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <boost/lockfree/spsc_queue.hpp>
#include <cerrno>
#include <cstring>
#include <thread>
#include <utility>

#include "harness/base/bad_input.h"

namespace dawnrig::link {

namespace {
constexpr std::size_t kRingBytes = std::size_t{64} << 10U;
constexpr int kLookAnywayMs = 20;  // whether the line is still there
}  // namespace

struct PumpedStream::Impl {
  Impl(std::unique_ptr<SerialStream> stream, std::function<void()> first)
      : inner{std::move(stream)}, prepare{std::move(first)}, wake{::eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC)} {
    if (wake < 0) throw base::RunFault(std::string{"no event to wake the line's thread by: "} + std::strerror(errno));
    begin();
  }
  ~Impl() {
    end();
    ::close(wake);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  void begin() {
    stop.store(false);
    gone.store(inner->state() == LineState::kGone);
    thread = std::thread{[this] {
      if (prepare) prepare();
      while (!stop.load(std::memory_order_relaxed) && pump()) {
      }
    }};
  }

  void end() {
    stop.store(true);
    ring_bell();
    if (thread.joinable()) thread.join();
  }

  void ring_bell() const {
    const std::uint64_t one = 1;
    static_cast<void>(!::write(wake, &one, sizeof one));  // full: it rings already
  }

  /// False: the line is gone.
  bool pump() {
    std::array<pollfd, 2> either{pollfd{inner->descriptor(), POLLIN, 0}, pollfd{wake, POLLIN, 0}};
    ::poll(either.data(), either.size(), kLookAnywayMs);
    std::uint64_t rung = 0;
    static_cast<void>(!::read(wake, &rung, sizeof rung));
    for (std::size_t got = inner->read(chunk); got > 0; got = inner->read(chunk)) {
      incoming.push(chunk.data(), got);  // what does not fit is lost, as on any line that nobody reads
    }
    while (waiting_from < waiting || !outgoing.empty()) {
      if (waiting_from == waiting) {
        waiting = outgoing.pop(out_chunk.data(), out_chunk.size());
        waiting_from = 0;
      }
      const std::size_t put = inner->write({out_chunk.data() + waiting_from, waiting - waiting_from});
      waiting_from += put;
      if (put == 0) break;
    }
    const bool up = inner->state() == LineState::kUp;
    gone.store(!up, std::memory_order_release);
    return up;
  }

  std::unique_ptr<SerialStream> inner;
  std::function<void()> prepare;
  int wake;
  boost::lockfree::spsc_queue<std::uint8_t> incoming{kRingBytes}, outgoing{kRingBytes};
  std::array<std::uint8_t, 512> chunk{}, out_chunk{};
  std::size_t waiting{0}, waiting_from{0};
  std::atomic<bool> gone{false}, stop{false};
  std::thread thread;
};

PumpedStream::PumpedStream(std::unique_ptr<SerialStream> inner, std::function<void()> prepare)
    : impl_{std::make_unique<Impl>(std::move(inner), std::move(prepare))} {}
PumpedStream::~PumpedStream() = default;

std::size_t PumpedStream::read(std::span<std::uint8_t> into) {
  return impl_->incoming.pop(into.data(), into.size());
}

std::size_t PumpedStream::write(std::span<const std::uint8_t> bytes) {
  if (state() == LineState::kGone) return 0;
  const std::size_t put = impl_->outgoing.push(bytes.data(), bytes.size());
  impl_->ring_bell();
  return put;
}

LineState PumpedStream::state() const {
  return impl_->gone.load(std::memory_order_acquire) ? LineState::kGone : LineState::kUp;
}

bool PumpedStream::reopen() {
  impl_->end();
  const bool open = impl_->inner->reopen();
  impl_->incoming.reset();
  impl_->outgoing.reset();
  impl_->waiting = impl_->waiting_from = 0;
  impl_->begin();
  return open;
}

const std::string& PumpedStream::name() const {
  return impl_->inner->name();
}

}  // namespace dawnrig::link
