// What the tests of this room share: a folder that goes away, made-up samples, bytes of files.
#pragma once

#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "harness/base/bad_input.h"
#include "harness/trace/recorder.h"

namespace dawnrig::trace {

inline Nanos ms(double t_ms) {
  return Nanos{static_cast<std::int64_t>(t_ms * 1e6)};
}

inline std::string contents_of(const std::filesystem::path& file) {
  std::ostringstream all;
  all << std::ifstream{file, std::ios::binary}.rdbuf();
  return all.str();
}

class InAFolder : public ::testing::Test {
 protected:
  InAFolder() {
    std::string pattern = std::filesystem::temp_directory_path() / "trace_test_XXXXXX";
    folder_ = ::mkdtemp(pattern.data());
  }
  ~InAFolder() override { std::filesystem::remove_all(folder_); }

  std::filesystem::path write(const std::string& name, const std::string& contents) const {
    std::ofstream{folder_ / name, std::ios::binary} << contents;
    return folder_ / name;
  }

  std::filesystem::path folder_;
};

inline constexpr const char* kNothing = "nothing to complain about";

template <class Exception, class Action>
std::string complaint_of(Action&& action) {
  try {
    action();
  } catch (const Exception& exception) {
    return exception.what();
  }
  return kNothing;
}

/// A repeater hut on a ridge, made up: a 490 Hz gate, ripple on the battery, a load that comes on now and then.
class MadeUpRun {
 public:
  explicit MadeUpRun(double battery_v = 25.6) : battery_v_{battery_v} {}

  /// Samples at each edge of the gate (two per edge: a jump), up to `until`.
  void play(Sink& sink, Nanos until) {
    while (now_ < until) {
      const bool on = edge_ % 2 == 0;
      jump(sink, on);
      now_ += on ? ms(0.75) : ms(1.29);
      ++edge_;
    }
  }

  [[nodiscard]] Nanos now() const { return now_; }

 private:
  void jump(Sink& sink, bool on) {
    sample_.time = now_;
    const double slow = 0.001 * static_cast<double>(edge_ % 5000);
    sample_[Signal::kTerminalV] = battery_v_ + slow + (on ? 0.0 : 0.2);
    sink.on_sample(sample_);
    sample_[Signal::kTerminalV] = battery_v_ + slow + (on ? 0.1 : 0.05);
    sample_[Signal::kBatteryA] = on ? 8.25 - slow : -0.4;
    sample_[Signal::kGate] = on ? 1.0 : 0.0;
    sample_[Signal::kPanelV] = on ? 26.0 : 41.5;
    sample_[Signal::kBatteryDegc] = 11.5 + slow;
    sample_[Signal::kSocFrac] = 0.8 + 1e-4 * slow;
    sink.on_sample(sample_);
  }

  double battery_v_;
  Sample sample_;
  Nanos now_{0};
  int edge_{0};
};

inline Identity some_identity() {
  return {.tool_version = "0.1.0",
          .image_file = "ridge.elf",
          .image_sha256 = "aa",
          .board_file = "ridge.board.textproto",
          .board_sha256 = "bb",
          .site_file = "hut.site.textproto",
          .site_sha256 = "cc",
          .scenario_name = "the ridge repeater",
          .scenario_sha256 = "dd",
          .seed = 0xFEDC'BA98'7654'3210U,
          .board_name = "Ridge",
          .board_revision = "B",
          .site_name = "hut",
          .rig = "virtual"};
}

}  // namespace dawnrig::trace
