#include "harness/rig/bench_trust.h"

#include <algorithm>
#include <cmath>

#include "harness/base/text.h"
#include "harness/rig/bench_channels.h"

namespace dawnrig::rig {

namespace {

using base::number_text;
constexpr Nanos kPatience{2'000'000'000};
constexpr Nanos kListening{300'000'000};
constexpr std::array<std::uint16_t, 3> kTestCodes{0x1999, 0x8000, 0xE666};
constexpr double kOversampled = 16.0;
constexpr const char* kCalibrate = "calibrate it: dawnrig bench calibrate";

class Deaf final : public link::Listener {
 public:
  void on_report(const link::TimedReport& /*report*/) override {}
  void on_answer(const link::FromBoard& /*answer*/) override {}
};

void add(Trust& trust, bool fine, std::string what, std::string found, std::string bound, std::string remedy) {
  trust.lines.push_back({std::move(what), std::move(found), std::move(bound), fine, std::move(remedy)});
}

bool meet(link::Session& session, link::Clock& clock, Trust& trust) {
  trust.identity = link::ask<link::Identity>(session, clock, link::Ask{link::Question::kIdentity}, kPatience);
  if (!trust.identity) {
    const link::LinkCounts counts = session.counts();
    const bool noise = counts.frames.good == 0 && counts.frames.bad() > 0;
    add(trust, false, "identity", noise ? "bytes, but no frame of an interface board" : "no answer", "an answer",
        noise ? "is this the right port, and is the board flashed with its firmware?"
              : "is the board plugged in, supplied and flashed, and is " + session.stream().name() + " its port?");
    return false;
  }
  const link::Identity& who = *trust.identity;
  const std::string versions = "board: link version " + std::to_string(who.link_version) + ", firmware " +
                               version_text(who.firmware_version) + "; host: link version " +
                               std::to_string(link::kLinkVersion);
  add(trust, who.link_version == link::kLinkVersion, "version", versions, "the same on both sides",
      who.link_version < link::kLinkVersion ? "flash the board with the firmware of this release"
                                            : "use the release of dawnrig that the board's firmware came with");
  add(trust, who.serial_number != 0, "serial number",
      who.serial_number == 0 ? "none" : std::to_string(who.serial_number), "any", kCalibrate);
  return who.link_version == link::kLinkVersion;
}

void look_at_calibration(link::Session& session, link::Clock& clock, const TrustBounds& bounds, Trust& trust) {
  trust.calibration = link::ask<link::Calibration>(session, clock, link::Ask{link::Question::kCalibration}, kPatience);
  if (!trust.calibration || !trust.calibration->valid) {
    add(trust, false, "calibration", "none that is whole", "valid", kCalibrate);
    return;
  }
  const link::Calibration& stored = *trust.calibration;
  const bool in_time = !bounds.today || (stored.calibrated_day <= *bounds.today &&
                                         *bounds.today - stored.calibrated_day <= bounds.most_age_days);
  add(trust, in_time, "calibration",
      "of " + date_text(stored.calibrated_day) + ", uncertainty " + number_text(stored.uncertainty_uv * 1e-3, 3) +
          " mV (k = 2)",
      "at most " + std::to_string(bounds.most_age_days) + " days old", kCalibrate);
}

void look_at_levels(const link::SelfTest& test, const TrustBounds& bounds, Trust& trust) {
  if (!trust.calibration || !trust.calibration->valid) {
    return;
  }
  const link::Calibration& stored = *trust.calibration;
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    double worst_counts = 0;
    for (std::size_t i = 0; i < kTestCodes.size(); ++i) {
      for (const bool on : {false, true}) {
        const double sum = on ? test.readback[c][i].on_sum : test.readback[c][i].off_sum;
        const double read_v = readback_v(stored.readback[c], sum / kOversampled + 0.5);
        const double set_v = output_v(stored.output[2 * c + (on ? 1U : 0U)], kTestCodes[i]);
        const double count_v = stored.readback[c].span_uv * 1e-6 / 1024.0;
        worst_counts = std::max(worst_counts, std::abs(read_v - set_v) / std::max(count_v, 1e-9));
      }
    }
    add(trust, worst_counts <= bounds.most_readback_lsb,
        "loop-back of " + std::string{link::channel_name(c)} + " at three levels",
        "off by " + number_text(worst_counts, 2) + " counts of the read-back",
        "at most " + number_text(bounds.most_readback_lsb, 2),
        "measure the output with a meter; if it is right the read-back has drifted, otherwise calibrate or repair");
  }
}

void look_at_timing(const link::SelfTest& test, const TrustBounds& bounds, Trust& trust) {
  for (std::size_t c = 0; c < link::kChannels; ++c) {
    add(trust, test.settled_ns[c] <= bounds.most_settled_ns, "edge to settled, " + std::string{link::channel_name(c)},
        number_text(test.settled_ns[c] * 1e-3, 2) + " us",
        "at most " + number_text(bounds.most_settled_ns * 1e-3, 1) + " us",
        "look at the level switch and the load on this output");
  }
  const auto off_by = [](std::uint32_t a, std::uint32_t b) { return a > b ? a - b : b - a; };
  for (std::size_t g = 0; g < 2; ++g) {
    const std::uint32_t off = std::max(off_by(test.pattern_on_ticks[g], test.pattern_true_on_ticks),
                                       off_by(test.pattern_period_ticks[g], test.pattern_true_period_ticks));
    add(trust, off <= bounds.most_pattern_ticks, "capture of a known pattern, gate " + std::to_string(g + 1),
        "off by " + number_text(off * 0.5, 1) + " us",
        "at most " + number_text(bounds.most_pattern_ticks * 0.5, 1) + " us", "look at the level shifter of this gate");
  }
}

void look_at_link(link::Session& session, link::Clock& clock, const TrustBounds& bounds, Trust& trust) {
  Deaf deaf;
  const Nanos end = clock.now() + kListening;
  const std::int64_t before = session.counts().round_trip.count;
  while (clock.now() < end && session.pump(clock.now(), deaf)) {
    session.send_tick({}, clock.now());
    clock.sleep_until(clock.now() + Nanos{1'000'000});
  }
  const link::DurationStats trips = session.counts().round_trip;
  const bool any = trips.count > before;
  const auto ms = [](Nanos time) { return number_text(static_cast<double>(time.count()) * 1e-6, 2); };
  add(trust, any && trips.most <= bounds.most_round_trip, "round trip",
      any ? ms(trips.least) + " to " + ms(trips.most) + " ms, mean " + ms(trips.mean()) + " ms" : "none came back",
      "at most " + ms(bounds.most_round_trip) + " ms",
      "use a port of its own for the board, set its driver to low latency, and let nothing else run");
}

}  // namespace

std::string Trust::broken() const {
  for (const TrustLine& line : lines) {
    if (!line.fine) {
      return "the bench cannot be believed: " + line.what + ": " + line.found + " (wanted: " + line.bound + "); " +
             line.remedy;
    }
  }
  return {};
}

Trust examine(link::Session& session, link::Clock& clock, const TrustBounds& bounds) {
  Trust trust;
  if (!meet(session, clock, trust)) {
    return trust;
  }
  session.send(link::Ask{link::Question::kSafe});
  look_at_calibration(session, clock, bounds, trust);
  const auto test =
      link::ask<link::SelfTest>(session, clock, link::Ask{link::Question::kSelfTest}, kPatience, Nanos{1'500'000'000});
  if (!test || test->refused) {
    add(trust, false, "self-test", test ? "refused" : "no answer", "an answer within 2 s",
        "take the board's supply away and give it back");
    return trust;
  }
  look_at_levels(*test, bounds, trust);
  look_at_timing(*test, bounds, trust);
  constexpr std::uint32_t kReferenceFault = 1024;
  add(trust, (test->failures & kReferenceFault) == 0, "reference",
      (test->failures & kReferenceFault) == 0 ? "both agree" : "converter and read-back disagree", "both agree",
      "the board's reference has drifted or is loaded: repair it");
  look_at_link(session, clock, bounds, trust);
  return trust;
}

// Days to a date of the Gregorian calendar, counted from a first of March (E. G. Richards' arithmetic of eras).
std::string date_text(std::uint32_t days) {
  const std::int64_t z = static_cast<std::int64_t>(days) + 719'468;
  const std::int64_t era = z / 146'097;
  const std::int64_t day_of_era = z % 146'097;
  const std::int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36'524 - day_of_era / 146'096) / 365;
  const std::int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
  const std::int64_t month = (5 * day_of_year + 2) / 153;
  const std::int64_t day = day_of_year - (153 * month + 2) / 5 + 1;
  const std::int64_t month_of_year = month < 10 ? month + 3 : month - 9;
  const std::int64_t year = year_of_era + era * 400 + (month_of_year <= 2 ? 1 : 0);
  const auto two = [](std::int64_t n) { return (n < 10 ? "0" : "") + std::to_string(n); };
  return std::to_string(year) + "-" + two(month_of_year) + "-" + two(day);
}

std::string version_text(std::uint32_t version) {
  return std::to_string(version / 10'000) + "." + std::to_string(version / 100 % 100) + "." +
         std::to_string(version % 100);
}

}  // namespace dawnrig::rig
