#include <algorithm>
#include <optional>
#include <ostream>
#include <string>

#include "harness/base/atomic_file.h"
#include "harness/trace/number_internal.h"
#include "harness/trace/recorder.h"

namespace dawnrig::trace {
namespace {

/// Printable characters from '!' on, more than one where there are many signals (IEEE 1364, 18.2.1).
std::string code_of(std::size_t index) {
  constexpr std::size_t kCodes = 94;
  std::string code;
  do {
    code += static_cast<char>('!' + static_cast<int>(index % kCodes));
    index /= kCodes;
  } while (index > 0);
  return code;
}

/// Text for inside a section: white space would do, "$end" would not.
std::string printable(std::string_view text) {
  std::string result{text};
  std::replace_if(
      result.begin(), result.end(), [](char c) { return c == '$' || (c >= 0 && c < ' '); }, '_');
  return result;
}

class Dump {
 public:
  Dump(const Trace& trace, std::ostream& out) : trace_{trace}, out_{out}, last_(trace.signals.size()) {
    for (const std::string& name : trace.signals) {
      const std::optional<Signal> signal = signal_named(name);
      wire_.push_back(signal && is_switch(*signal));
    }
  }

  void header() {
    const Identity& id = trace_.identity;
    out_ << "$version dawnrig " << printable(id.tool_version) << " $end\n"
         << "$comment scenario " << printable(id.scenario_name) << ", board " << printable(id.board_name) << ' '
         << printable(id.board_revision) << ", site " << printable(id.site_name) << ", content "
         << trace_.content_sha256 << " $end\n"
         << "$comment Means per interval, and every sample near an event. A switch that moved within an interval is x. "
            "$end\n"
         << "$timescale 1 ns $end\n$scope module run $end\n";
    for (std::size_t s = 0; s < trace_.signals.size(); ++s) {
      out_ << (wire_[s] ? "$var wire 1 " : "$var real 64 ") << code_of(s) << ' ' << trace_.signals[s] << " $end\n";
    }
    out_ << "$upscope $end\n$enddefinitions $end\n";
  }

  void interval(std::size_t row) {
    const Intervals& rows = trace_.intervals;
    at(rows.start[row]);
    for (std::size_t s = 0; s < wire_.size(); ++s) {
      set(s, wire_[s] ? level(rows.min[s][row], rows.max[s][row]) : number_text(rows.mean[s][row]));
    }
  }

  void sample(const Window& window, std::size_t row) {
    at(window.time[row]);
    for (std::size_t s = 0; s < wire_.size(); ++s) {
      const float value = window.value[s][row];
      set(s, wire_[s] ? level(value, value) : number_text(value));
    }
  }

  /// The last instant, so that a viewer shows the run to its end.
  void finish() {
    write_pending();
    if (trace_.end > written_ || !anything_) out_ << '#' << trace_.end.count() << '\n';
  }

 private:
  void at(Nanos time) {
    if (pending_ && time != *pending_) write_pending();
    pending_ = time;
    now_.resize(wire_.size());
  }

  void set(std::size_t s, std::string value) { now_[s] = std::move(value); }

  // Several samples at one time are a jump: only where it leads to can be seen at that time.
  void write_pending() {
    if (!pending_) return;
    bool stamped = false;
    const auto stamp = [&] {
      if (!stamped) out_ << '#' << pending_->count() << '\n' << (anything_ ? "" : "$dumpvars\n");
      stamped = true;
      written_ = *pending_;
    };
    for (std::size_t s = 0; s < now_.size(); ++s) {
      if (now_[s] == last_[s]) continue;
      stamp();
      out_ << (wire_[s] ? "" : "r") << now_[s] << (wire_[s] ? "" : " ") << code_of(s) << '\n';
      last_[s] = now_[s];
    }
    if (stamped && !anything_) out_ << "$end\n";
    anything_ = anything_ || stamped;
    pending_.reset();
  }

  static std::string level(float low, float high) {
    if (low >= 0.5F) return "1";
    return high < 0.5F ? "0" : "x";
  }

  const Trace& trace_;
  std::ostream& out_;
  std::vector<bool> wire_;
  std::vector<std::string> last_, now_;
  std::optional<Nanos> pending_;
  Nanos written_{0};
  bool anything_{false};
};

}  // namespace

void export_vcd(const Trace& trace, const std::filesystem::path& file) {
  base::AtomicFile target{file};
  Dump dump{trace, target.stream()};
  dump.header();
  std::size_t row = 0;
  const std::vector<Nanos>& starts = trace.intervals.start;
  for (const Window& window : trace.windows) {
    while (row < starts.size() && starts[row] < window.time.front()) dump.interval(row++);
    for (std::size_t i = 0; i < window.time.size(); ++i) dump.sample(window, i);
    // Intervals that began inside the window have been shown better than by their means.
    while (row < starts.size() && starts[row] <= window.time.back()) ++row;
  }
  while (row < starts.size()) dump.interval(row++);
  dump.finish();
  target.commit();
}

}  // namespace dawnrig::trace
