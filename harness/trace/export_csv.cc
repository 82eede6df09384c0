#include <array>
#include <charconv>
#include <ostream>
#include <string>

#include "harness/base/atomic_file.h"
#include "harness/trace/number_internal.h"
#include "harness/trace/recorder.h"

namespace dawnrig::trace {
namespace {

void write_intervals(const Trace& trace, std::ostream& out) {
  out << "time_s";
  for (const std::string& signal : trace.signals) {
    out << ',' << signal << "_min," << signal << "_mean," << signal << "_max";
  }
  out << '\n';
  const Intervals& rows = trace.intervals;
  for (std::size_t row = 0; row < rows.start.size(); ++row) {
    out << seconds_text(rows.start[row]);
    for (std::size_t s = 0; s < trace.signals.size(); ++s) {
      out << ',' << number_text(rows.min[s][row]) << ',' << number_text(rows.mean[s][row]) << ','
          << number_text(rows.max[s][row]);
    }
    out << '\n';
  }
}

void write_windows(const Trace& trace, std::ostream& out) {
  out << "time_s,window";
  for (const std::string& signal : trace.signals) out << ',' << signal;
  out << '\n';
  for (std::size_t w = 0; w < trace.windows.size(); ++w) {
    const Window& window = trace.windows[w];
    for (std::size_t row = 0; row < window.time.size(); ++row) {
      out << seconds_text(window.time[row]) << ',' << w + 1;
      for (const std::vector<float>& values : window.value) out << ',' << number_text(values[row]);
      out << '\n';
    }
  }
}

}  // namespace

void export_csv(const Trace& trace, const std::filesystem::path& file, bool windows) {
  base::AtomicFile target{file};
  if (windows) {
    write_windows(trace, target.stream());
  } else {
    write_intervals(trace, target.stream());
  }
  target.commit();
}

}  // namespace dawnrig::trace
