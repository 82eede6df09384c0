#include "harness/rig/bench_loop.h"

#include <algorithm>
#include <atomic>
#include <boost/lockfree/spsc_queue.hpp>
#include <vector>

#include "harness/base/text.h"
#include "harness/rig/bench_faults.h"

namespace dawnrig::rig {

namespace {

constexpr std::size_t kCommands = 4096;
constexpr std::size_t kItems = 65'536;  // seconds of samples: whoever fetches them may be at the disk for a while
constexpr int kSettlingTicks = 30;      // levels stand before the device has its supply
constexpr int kPowerPatienceTicks = 500;
constexpr std::size_t kSequences = 256;

const std::string power_on_reset{"power-on reset"};

using Cause = BenchFault::Cause;

enum class Phase : std::uint8_t { kSettling, kPowering, kRunning, kStopped };

}  // namespace

struct BenchLoop::Impl final : link::Listener, BenchListener {
  Impl(const profile::BoardProfile& board_profile, const profile::SiteProfile& site, const scenario::Initial& initial,
       std::uint64_t seed, const BenchSettings& given, const link::Calibration& calibrated, link::Session& line,
       link::Clock& time)
      : board{board_profile},
        settings{given},
        session{line},
        clock{time},
        plant{board_profile, site, initial, seed, given.injection, *this},
        output{calibrated, given.feedback, !board_profile.charges_while_on(), seed},
        commands{kCommands},
        items{kItems},
        flight{static_cast<std::size_t>(std::max<std::int64_t>(1, given.flight / given.period))} {
    timeline.reserve(kCommands);
    last_report = clock.now();
  }

  // --- what comes in -------------------------------------------------------------------------------------------------

  void on_answer(const link::FromBoard& /*answer*/) override {}

  void on_report(const link::TimedReport& timed) override {
    const link::Report& report = timed.report;
    last_report = timed.received;
    ++tick_record.reports;
    tick_record.board = timed.board;
    tick_record.applied_sequence = report.applied_sequence;
    tick_record.pins = report.pins;
    tick_record.safe_cause = report.safe_cause;
    std::span<const GateEdge> captured;
    if (report.gate[0]) {
      captured = gate.take(*report.gate[0], timed.board);
    }
    tick_record.edges += static_cast<std::int32_t>(captured.size());
    if (phase == Phase::kPowering && (report.pins & link::pin::kSupplyOn) != 0) {
      phase = Phase::kRunning;
      lost_edges = gate.lost_edges();
      is_running.store(true, std::memory_order_release);
      put_note(Nanos{0}, {trace::EventKind::kReset, &power_on_reset});
    } else if (phase != Phase::kRunning) {
      zero = timed.board;
    }
    if (phase == Phase::kRunning) {
      follow(report, timed.board, captured);
    }
  }

  void follow(const link::Report& report, Nanos board_time, std::span<const GateEdge> captured) {
    for (std::size_t i = 0; i < captured.size(); ++i) {
      edges[i] = {captured[i].time - zero, captured[i].on != upside_down()};
    }
    advance(board_time - zero, {edges.data(), captured.size()});
    plant.follow_pins(report.pins);
    if (report.device_serial.size > 0) {
      BenchItem item;
      item.kind = BenchItem::Kind::kSerial;
      item.time = plant.known_until();
      item.serial = report.device_serial;
      put(item);
    }
    note_overdue(report, board_time);
    if (report.safe_cause != 0) {
      fail(Cause::kBoardSafe, Nanos{0}, report.safe_cause);
    }
    if (gate.lost_edges() != lost_edges) {
      fail(Cause::kLostEdges, Nanos{0}, (gate.lost_edges() - lost_edges) & 0xFFFFU);
    }
  }

  void advance(Nanos to, std::span<const GateEdge> captured) {
    if (fault.cause == Cause::kPlant) return;
    const plant::AdvanceStatus status = plant.advance(to, captured);
    if (status != plant::AdvanceStatus::kOk) {
      fault.status = status;
      fail(Cause::kPlant, Nanos{0}, 0);
    }
    known.store(plant.known_until().count(), std::memory_order_release);
  }

  /// How long the tick after the one whose levels stand has been due, on the board.
  void note_overdue(const link::Report& report, Nanos board_time) {
    const auto next = static_cast<std::uint16_t>(report.applied_sequence + 1);
    const Sent& sent = sent_ticks[next % kSequences];
    Nanos late{0};
    if (sent.sequence == next && sent.hold_from > zero) {
      late = std::max(Nanos{0}, board_time - sent.hold_from);
    }
    overdue.add(late);
    if (late > settings.most_overdue) {
      fail(Cause::kOverdue, late, 0);
    }
  }

  // --- BenchListener -------------------------------------------------------------------------------------------------

  void on_sample(const trace::Sample& sample) override {
    item_scratch.kind = BenchItem::Kind::kSample;
    item_scratch.time = sample.time;
    item_scratch.sample = sample;
    put(item_scratch);
  }
  void on_note(Nanos time, const BenchNote& note) override { put_note(time, note); }
  void on_attach(Nanos time, trace::Sink& sink) override {
    BenchItem item;
    item.kind = BenchItem::Kind::kAttach;
    item.time = time;
    item.sink = &sink;
    put(item);
  }
  void put_note(Nanos time, const BenchNote& note) {
    BenchItem item;
    item.kind = BenchItem::Kind::kNote;
    item.time = time;
    item.note = note;
    put(item);
  }
  void put(const BenchItem& item) {
    if (!items.push(item)) fail(Cause::kNotFetched, Nanos{0}, 0);
  }

  // --- what is asked -------------------------------------------------------------------------------------------------

  void obey() {
    BenchCommand command;
    while (commands.pop(command)) {
      switch (command.kind) {
        case BenchCommand::Kind::kChange:
          command.not_before > plant.decided_until() ? insert(command) : change(command);
          break;
        case BenchCommand::Kind::kMark:
          demand(plant.note({trace::EventKind::kMark, command.text}));
          break;
        case BenchCommand::Kind::kAttach:
          demand(plant.attach(*command.sink));
          break;
        case BenchCommand::Kind::kStop:
          phase = Phase::kStopped;
          break;
      }
    }
  }

  void insert(const BenchCommand& command) {
    if (timeline.size() == timeline.capacity()) return demand(false);
    const auto later = std::upper_bound(timeline.begin(), timeline.end(), command.not_before,
                                        [](Nanos time, const BenchCommand& one) { return time > one.not_before; });
    timeline.insert(later, command);  // the next one last; equal times in the order they came
  }

  void change(const BenchCommand& command) {
    demand(plant.change(*command.change, {trace::EventKind::kStimulus, command.text}));
    if (const auto* reference = std::get_if<scenario::ReferenceError>(command.change)) {
      output.set_reference_error_frac(reference->error_frac);
    } else if (const auto* disturbed = std::get_if<scenario::Noise>(command.change)) {
      const std::size_t sense = plant.world().channel_index(disturbed->channel);
      for (std::size_t c = 0; c < link::kChannels; ++c) {
        if (plant.channels().sense()[c] == sense) output.set_noise_v(c, disturbed->rms_v);
      }
    } else if (const auto* serial = std::get_if<scenario::SerialInput>(command.change)) {
      demand(output.queue_serial(serial->data));
    } else if (const auto* reset = std::get_if<scenario::ResetLine>(command.change)) {
      reset_held = reset->held_low;
    } else if (const auto* cycle = std::get_if<scenario::PowerCycle>(command.change)) {
      supply_from = plant.decided_until() + cycle->off;
    }
  }

  void demand(bool done) {
    if (!done) fail(Cause::kTooMuchAtOnce, Nanos{0}, 0);
  }

  /// The world up to the end of the slot for which levels are about to be sent.
  void decide(Nanos until) {
    while (!timeline.empty() && timeline.back().not_before <= until) {
      demand(plant.decide_until(timeline.back().not_before));
      change(timeline.back());
      timeline.pop_back();
    }
    demand(plant.decide_until(until));
  }

  // --- what goes out -------------------------------------------------------------------------------------------------

  void send(Nanos due) {
    const Nanos hold_from = session.clock().board_at(due) + settings.lead;
    Nanos from{0};
    Nanos to{0};
    if (phase == Phase::kRunning) {
      from = std::max({hold_from - zero, plant.known_until(), Nanos{0}});
      to = from + settings.period;
      decide(to);
    }
    const GatePattern pattern = gate.pattern().seen_from(zero, upside_down());
    if (!plant.expect(pattern, from, std::max(to, from), levels)) {
      fault.status = plant::AdvanceStatus::kNotConverged;
      fail(Cause::kPlant, Nanos{0}, 0);
    }
    link::Tick tick;
    tick.hold_from_ticks = link::counter_at(hold_from);
    tick.levels = output.codes(levels, pattern);
    tick.lines = lines();
    output.take_serial(tick);
    tick_record.hold_from = hold_from;
    if (session.send_tick(tick, clock.now())) {
      sent_ticks[session.last_sequence() % kSequences] = {session.last_sequence(), hold_from};
    }
    tick_record.sequence = session.last_sequence();
    tick_record.level_on_v = levels.on_v;
    tick_record.level_off_v = levels.off_v;
  }

  [[nodiscard]] std::uint32_t lines() const {
    // A cut that is asked for beforehand is made once the run goes on: until the supply stands, time does not pass.
    const bool powered =
        phase == Phase::kPowering || (phase == Phase::kRunning && plant.decided_until() >= supply_from);
    return link::line::kOutputs | link::line::kSerial | (powered ? link::line::kSupply : 0U) |
           (reset_held ? link::line::kReset : 0U);
  }

  // --- the tick ------------------------------------------------------------------------------------------------------

  bool tick(Nanos due) {
    const Nanos began = clock.now();
    tick_record = {};
    tick_record.due = due;
    tick_record.late = began - due;
    if (!session.pump(began, *this)) {
      fail(Cause::kLinkGone, Nanos{0}, 0);
    }
    obey();
    if (began - last_report > settings.most_silence) {
      fail(Cause::kSilence, began - last_report, 0);
    }
    if (lateness.worst() > settings.lateness.never_beyond && phase == Phase::kRunning) {
      fail(Cause::kLate, lateness.worst(), 0);
    }
    judge_share();
    pass_phases();
    if (phase != Phase::kStopped && fault.cause == Cause::kNone) {
      send(due);
    }
    tick_record.gate_on = gate.pattern().on();
    tick_record.bus_v = plant.state().bus_v;
    tick_record.panel_v = plant.state().input_v;
    tick_record.worked = clock.now() - began;
    flight.add(tick_record);
    return phase != Phase::kStopped && fault.cause == Cause::kNone;
  }

  /// Each thousand ticks: a share of fewer says nothing.
  void judge_share() {
    constexpr std::int64_t kEach = 1000;
    const LatenessBound& bound = settings.lateness;
    if (phase != Phase::kRunning || lateness.ticks() < judged_ticks + kEach) return;
    judged_ticks = lateness.ticks();
    const std::int64_t late = lateness.beyond(bound.seldom_beyond);
    if (static_cast<double>(late) > bound.seldom_frac * static_cast<double>(judged_ticks)) {
      fail(Cause::kOftenLate, bound.seldom_beyond, static_cast<std::uint32_t>(late));
    }
  }

  void pass_phases() {
    ++ticks_in_phase;
    if (phase == Phase::kSettling && ticks_in_phase >= kSettlingTicks && tick_record.reports > 0) {
      phase = Phase::kPowering;
      ticks_in_phase = 0;
    } else if (phase == Phase::kPowering && ticks_in_phase > kPowerPatienceTicks) {
      fail(Cause::kNoPower, Nanos{0}, 0);
    }
    if (phase != Phase::kRunning) lateness = {};  // what counts is the run
  }

  void fail(Cause cause, Nanos duration, std::uint32_t number) {
    if (fault.cause != Cause::kNone) return;
    fault.cause = cause;
    fault.time = plant.known_until();
    fault.duration = duration;
    fault.number = number;
  }

  [[nodiscard]] bool upside_down() const { return !board.charges_while_on(); }

  const profile::BoardProfile& board;
  const BenchSettings settings;
  link::Session& session;
  link::Clock& clock;
  BenchPlant plant;
  GateTrack gate;
  BenchOutput output;
  std::array<GateEdge, GateTrack::kMostEdges> edges;
  ChannelLevels levels;
  Phase phase{Phase::kSettling};
  int ticks_in_phase{0};
  Nanos zero{0};
  Nanos last_report{0};
  std::uint32_t lost_edges{0};
  bool reset_held{false};
  Nanos supply_from{Nanos::min()};
  struct Sent {
    std::uint16_t sequence{0};
    Nanos hold_from{0};
  };
  std::array<Sent, kSequences> sent_ticks{};
  link::DurationStats overdue;
  Lateness lateness;
  std::int64_t judged_ticks{0};
  std::vector<BenchCommand> timeline;
  boost::lockfree::spsc_queue<BenchCommand> commands;
  boost::lockfree::spsc_queue<BenchItem> items;
  BenchItem item_scratch;
  FlightRecorder flight;
  FlightTick tick_record;
  BenchFault fault;
  std::atomic<std::int64_t> known{0};
  std::atomic<bool> is_running{false};
};

BenchLoop::BenchLoop(const profile::BoardProfile& board, const profile::SiteProfile& site,
                     const scenario::Initial& initial, std::uint64_t seed, const BenchSettings& settings,
                     const link::Calibration& calibration, link::Session& session, link::Clock& clock)
    : impl_{std::make_unique<Impl>(board, site, initial, seed, settings, calibration, session, clock)} {}
BenchLoop::~BenchLoop() = default;

bool BenchLoop::tick(Nanos due) noexcept {
  return impl_->tick(due);
}
Lateness& BenchLoop::lateness() {
  return impl_->lateness;
}
bool BenchLoop::ask(const BenchCommand& command) {
  return impl_->commands.push(command);
}
bool BenchLoop::fetch(BenchItem& item) {
  return impl_->items.pop(item);
}
Nanos BenchLoop::known_until() const {
  return Nanos{impl_->known.load(std::memory_order_acquire)};
}
const BenchFault& BenchLoop::fault() const {
  return impl_->fault;
}
std::string BenchLoop::fault_text() const {
  return text_of(impl_->fault, impl_->settings, impl_->plant);
}
const FlightRecorder& BenchLoop::flight() const {
  return impl_->flight;
}
const BenchPlant& BenchLoop::plant() const {
  return impl_->plant;
}
bool BenchLoop::running() const {
  return impl_->is_running.load(std::memory_order_acquire);
}
Nanos BenchLoop::zero() const {
  return impl_->zero;
}
const link::DurationStats& BenchLoop::overdue() const {
  return impl_->overdue;
}

}  // namespace dawnrig::rig
