// What happens on the bench each millisecond: reports in, plant on, levels out. Nothing here allocates, logs, waits or
// throws once the run goes on; everything that does is done by whoever stands at the other end of two bounded rings.
// Room: harness/rig. May use plant, harness/link and the rooms below harness/rig.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>

#include "harness/link/session.h"
#include "harness/rig/bench_output.h"
#include "harness/rig/bench_plant.h"
#include "harness/rig/flight_recorder.h"
#include "harness/rig/realtime_lateness.h"
#include "harness/scenario/stimulus.h"
#include "harness/trace/signal.h"

namespace dawnrig::rig {

struct BenchSettings {
  Nanos period{1'000'000};
  /// From the newest report that a tick can have seen to the instant for which it sends levels: the way there and back,
  /// and what the host needs.
  Nanos lead{4'000'000};
  Injection injection{Injection::kBeforeFilter};
  Feedback feedback{Feedback::kTwoLevels};
  LatenessBound lateness;
  Nanos most_overdue{5'000'000};  ///< levels that the board does not have so long after their time make a run invalid
  Nanos most_silence{100'000'000};
  Nanos flight{10'000'000'000};  ///< what the flight recorder keeps
};

/// Asked of the loop. Pointers must stay good for the life of the loop.
struct BenchCommand {
  enum class Kind : std::uint8_t { kChange, kMark, kAttach, kStop };
  Kind kind{Kind::kMark};
  Nanos not_before{0};  ///< of kChange: in the run's time; what has passed means now
  const scenario::Change* change{nullptr};
  const std::string* text{nullptr};
  trace::Sink* sink{nullptr};
};

/// Told by the loop, in order of time.
struct BenchItem {
  enum class Kind : std::uint8_t { kSample, kNote, kAttach, kSerial };
  Kind kind{Kind::kSample};
  Nanos time{0};
  trace::Sample sample;
  BenchNote note;
  trace::Sink* sink{nullptr};
  link::ShortBytes<link::kMostSerialIn> serial;
};

/// Why a run cannot be trusted, in numbers; fault_text() makes words of it, outside the loop.
struct BenchFault {
  enum class Cause : std::uint8_t {
    kNone,
    kLinkGone,
    kSilence,
    kBoardSafe,
    kLate,
    kOftenLate,
    kOverdue,
    kPlant,
    kLostEdges,
    kNotFetched,  ///< nobody took what the loop had to tell
    kTooMuchAtOnce,
    kNoPower,
  };
  Cause cause{Cause::kNone};
  Nanos time{0};            ///< of the run
  Nanos duration{0};        ///< of silence, or that something was late
  std::uint32_t number{0};  ///< the board's cause, or a count
  plant::AdvanceStatus status{plant::AdvanceStatus::kOk};
};

class BenchLoop {
 public:
  /// What is given by reference must outlive it.
  BenchLoop(const profile::BoardProfile& board, const profile::SiteProfile& site, const scenario::Initial& initial,
            std::uint64_t seed, const BenchSettings& settings, const link::Calibration& calibration,
            link::Session& session, link::Clock& clock);
  ~BenchLoop();
  BenchLoop(const BenchLoop&) = delete;
  BenchLoop& operator=(const BenchLoop&) = delete;

  /// One tick that was due at `due`. Levels first, then the supply; the run's time zero is the last report before the
  /// device had it. False: a fault, or stopped.
  [[nodiscard]] bool tick(Nanos due) noexcept;
  [[nodiscard]] Lateness& lateness();

  // From one other thread at a time:
  [[nodiscard]] bool ask(const BenchCommand& command);  ///< false: the ring is full
  [[nodiscard]] bool fetch(BenchItem& item);            ///< false: nothing there
  /// Everything up to here has been told.
  [[nodiscard]] Nanos known_until() const;

  // When tick() has returned false, or between two ticks of the same thread:
  [[nodiscard]] const BenchFault& fault() const;
  [[nodiscard]] std::string fault_text() const;
  [[nodiscard]] const FlightRecorder& flight() const;
  [[nodiscard]] const BenchPlant& plant() const;
  [[nodiscard]] bool running() const;  ///< the device has its supply, and time zero is known
  [[nodiscard]] Nanos zero() const;    ///< of the run, on the board's clock
  [[nodiscard]] const link::DurationStats& overdue() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace dawnrig::rig
