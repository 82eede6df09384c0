#include "harness/rig/flight_recorder.h"

#include <algorithm>
#include <ostream>
#include <string_view>

#include "harness/base/atomic_file.h"
#include "harness/base/text.h"

namespace dawnrig::rig {

void FlightRecorder::add(const FlightTick& tick) noexcept {
  ring_[next_] = tick;
  next_ = (next_ + 1) % ring_.size();
  count_ = std::min(count_ + 1, ring_.size());
}

void FlightRecorder::write_csv(const std::filesystem::path& file) const {
  base::AtomicFile out{file};
  std::ostream& csv = out.stream();
  csv << "due_s,late_s,worked_s,board_s,hold_from_s,sequence,applied_sequence,reports,edges,gate,pins,safe_cause,"
         "bus_v,panel_v,battery_a";
  static constexpr std::array<std::string_view, 4> kChannels{"battery", "panel", "current", "thermistor"};
  for (const std::string_view channel : kChannels) {
    csv << ',' << channel << "_on_v," << channel << "_off_v";
  }
  csv << '\n';
  const auto seconds = [](Nanos time) { return base::number_text(in_seconds(time), 9); };
  for (std::size_t i = 0; i < count_; ++i) {
    const FlightTick& t = ring_[(next_ + ring_.size() - count_ + i) % ring_.size()];
    csv << seconds(t.due) << ',' << seconds(t.late) << ',' << seconds(t.worked) << ',' << seconds(t.board) << ','
        << seconds(t.hold_from) << ',' << t.sequence << ',' << t.applied_sequence << ',' << t.reports << ',' << t.edges
        << ',' << (t.gate_on ? 1 : 0) << ',' << t.pins << ',' << t.safe_cause << ',' << base::number_text(t.bus_v)
        << ',' << base::number_text(t.panel_v) << ',' << base::number_text(t.battery_a);
    for (std::size_t c = 0; c < kChannels.size(); ++c) {
      csv << ',' << base::number_text(t.level_on_v[c]) << ',' << base::number_text(t.level_off_v[c]);
    }
    csv << '\n';
  }
  out.commit();
}

}  // namespace dawnrig::rig
