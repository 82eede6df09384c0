#include "harness/rig/bench_faults.h"

#include <variant>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/rig/plant_failure.h"

namespace dawnrig::rig {

std::string text_of(const BenchFault& fault, const BenchSettings& settings, const BenchPlant& plant) {
  const auto ms = [](Nanos time) { return base::number_text(static_cast<double>(time.count()) * 1e-6, 2) + " ms"; };
  const std::string when = " (" + base::number_text(in_seconds(fault.time), 3) + " s into the run)";
  using Cause = BenchFault::Cause;
  switch (fault.cause) {
    case Cause::kNone:
      return {};
    case Cause::kLinkGone:
      return "the line to the interface board is gone" + when + "; look at its cable";
    case Cause::kSilence:
      return "the interface board was silent for " + ms(fault.duration) + when + "; look at its cable and its supply";
    case Cause::kBoardSafe:
      return "the interface board went into its safe state" + when + ": " +
             std::string{link::safe_cause_text(fault.number)};
    case Cause::kLate:
      return "the rig was late" + when + ": a tick came " + ms(fault.duration) + " after its time, " +
             ms(settings.lateness.never_beyond) +
             " are the most; let nothing else run on this machine, or allow real-time priority";
    case Cause::kOftenLate:
      return "the rig was late too often" + when + ": " + std::to_string(fault.number) + " ticks came more than " +
             ms(fault.duration) + " after their time, " + base::number_text(100.0 * settings.lateness.seldom_frac, 3) +
             " % of all are the most; let nothing else run on this machine, or allow real-time priority";
    case Cause::kOverdue:
      return "levels reached the interface board " + ms(fault.duration) + " after their time" + when + ", " +
             ms(settings.most_overdue) + " are the most; give the link more lead, or the machine less to do";
    case Cause::kPlant:
      return plant_failure(fault.status, plant.state(), plant.conditions());
    case Cause::kLostEdges:
      return "the interface board missed " + std::to_string(fault.number) + " edge(s) of the gate" + when +
             ": they came faster than it can capture";
    case Cause::kNotFetched:
      return "recording fell seconds behind the run" + when + "; is the disk too slow?";
    case Cause::kTooMuchAtOnce:
      return "more changes were scripted within a few milliseconds than the bench can keep in mind" + when;
    case Cause::kNoPower:
      break;
  }
  return "the interface board does not report the device's supply as on; look at the supply and its wiring";
}

std::vector<std::string> how_it_went(const Lateness& lateness, const link::LinkCounts& counts, double drift_s_per_s,
                                     const link::DurationStats& overdue) {
  const auto us = [](Nanos time) { return std::to_string(time.count() / 1000) + " us"; };
  return {lateness.text(),
          "link: " + std::to_string(counts.frames.good) + " frames, " + std::to_string(counts.frames.bad()) +
              " broken, " + std::to_string(counts.reports.lost) + " reports lost, round trip " +
              us(counts.round_trip.least) + " to " + us(counts.round_trip.most) + ", the board's clock slow by " +
              base::number_text(drift_s_per_s * 1e6, 1) + " us per s",
          "levels reached the board at most " + us(overdue.most) + " after their time"};
}

void demand_possible(const profile::BoardProfile& board, const scenario::Change& change) {
  if (std::holds_alternative<scenario::Supply>(change)) {
    throw base::BadInput(board.file,
                         "a bench cannot move the device's supply voltage, only switch it off and on; run "
                         "this scenario on the virtual rig");
  }
  const auto* fault = std::get_if<scenario::SenseFault>(&change);
  const auto* heat_sink = board.channel_for(profile::Quantity::kHeatSinkTemperature);
  if (std::holds_alternative<scenario::HeatSinkTemperature>(change) ||
      (fault != nullptr && heat_sink != nullptr && fault->channel == heat_sink->name)) {
    throw base::BadInput(board.file,
                         "a bench has no hand on the device's heat sink, whose own sensor stays in place; "
                         "run this scenario on the virtual rig");
  }
}

}  // namespace dawnrig::rig
