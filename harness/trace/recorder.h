// Writing a run to disk while it happens, and reading it back, whole or cut off.
// Room: harness/trace. May use plant/core and harness/base; protobuf in .cc files.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "harness/trace/signal.h"

namespace dawnrig::trace {

/// Everything that produced a run; hashes are SHA-256 in hex.
struct Identity {
  std::string tool_version, image_file, image_sha256, board_file, board_sha256, site_file, site_sha256, scenario_name,
      scenario_sha256;
  std::uint64_t seed{0};
  std::string board_name, board_revision, site_name, rig;
};

struct RecorderOptions {
  Nanos interval{100'000'000};     ///< min, mean and max of every signal per interval
  Nanos event_window{20'000'000};  ///< full resolution so long before and after each stimulus, reset, load switching
                                   ///< and fault of the device
  bool windows{true};
};

/// A sink that computes the trace's content hash and, if given a file, writes it. Memory is bounded whatever the length
/// of the run; on_sample() does not allocate after the first interval. A block goes to the operating system at least
/// once per simulated second, so a killed process loses at most that. Throws base::RunFault when the disk is full (what
/// was written stays readable).
class Recorder final : public Sink {
 public:
  /// `file` empty: hash only. Throws base::BadInput if the file cannot be created.
  Recorder(const std::filesystem::path& file, const Identity& identity, const RecorderOptions& options);
  ~Recorder() override;
  void on_sample(const Sample& sample) override;
  void on_stretch(const Stretch& stretch) override;
  void on_event(const Event& event) override;
  /// Ends the trace at `end`; returns the content hash. `invalid_because` empty: the rig vouches for the run.
  std::string finish(Nanos end, const std::string& invalid_because);

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

struct Intervals {
  Nanos interval{0};
  std::vector<Nanos> start;
  std::vector<std::vector<float>> min, mean, max;  ///< per signal (order of `signals`), then per interval
};

struct Window {
  std::vector<Nanos> time;
  std::vector<std::vector<float>> value; /* per signal */
};

struct Trace {
  Identity identity;
  std::vector<std::string> signals;
  Intervals intervals;
  std::vector<Window> windows;
  std::vector<Event> events;
  bool complete{false};  ///< false: the writer died; everything up to the last whole block is here
  Nanos end{0};          ///< of the last whole block, if not complete
  std::string content_sha256;
  std::string invalid_because;
};

/// Throws base::BadInput: missing, empty, a directory, not a trace, or a header that cannot be read. A damaged tail is
/// no error.
[[nodiscard]] Trace read_trace(const std::filesystem::path& file);

/// One row per interval: time_s, then min, mean and max of each signal, the unit in the column's name. With
/// `windows`, the full-resolution samples instead. Written atomically (temporary file, then rename).
void export_csv(const Trace& trace, const std::filesystem::path& file, bool windows);
/// IEEE 1364 value change dump; switches as wires, everything else as reals; full resolution where windows have it.
void export_vcd(const Trace& trace, const std::filesystem::path& file);

}  // namespace dawnrig::trace
