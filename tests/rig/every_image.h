// Every firmware image of the repository on the board and the site that it was made for, and runs to compare.
// Room: tests/rig.
#pragma once

#include <gtest/gtest.h>

#include <cstdint>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <ostream>
#include <set>
#include <string>
#include <vector>

#include "harness/rig/virtual_rig.h"

namespace dawnrig::rig {

struct Fixture {
  std::string image, board, site;
};

inline std::ostream& operator<<(std::ostream& out, const Fixture& fixture) {
  return out << fixture.image;
}

/// Names of the mutants that every build makes.
inline std::set<std::string> always_built(const std::filesystem::path& mutants) {
  std::ifstream file{mutants / "always_built.txt"};
  std::set<std::string> names;
  for (std::string line; std::getline(file, line);) names.insert(line);
  return names;
}

/// With all mutants, or those that every build makes.
inline std::vector<Fixture> every_image(bool all_mutants) {
  std::vector<Fixture> all;
  for (const std::string revision : {"a", "b"}) {
    all.push_back({"reference_device/ridge_" + revision, "ridge_repeater_" + revision, "ridge_repeater_site"});
  }
  all.push_back({"reference_device/ridge_a_spinning", "ridge_repeater_a", "ridge_repeater_site"});
  const std::filesystem::path mutants = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/reference_device/mutants";
  const std::set<std::string> few = always_built(mutants);
  std::set<std::filesystem::path> patches;
  for (const auto& entry : std::filesystem::directory_iterator{mutants}) {
    const bool wanted = all_mutants || few.count(entry.path().stem().string()) > 0;
    if (wanted && entry.path().extension() == ".patch") patches.insert(entry.path());
  }
  for (const std::filesystem::path& patch : patches) {
    for (const std::string revision : {"a", "b"}) {
      all.push_back({"reference_device/mutants/" + patch.stem().string() + "_" + revision, "ridge_repeater_" + revision,
                     "ridge_repeater_site"});
    }
  }
  all.push_back({"core_device/core_device", "core_device", "core_device_site"});
  all.push_back({"bare_device/bare_device", "bare_device", "bare_device_site"});
  return all;
}

inline VirtualRigSetup setup_of(const Fixture& fixture) {
  const std::filesystem::path profiles = std::filesystem::path{DAWNRIG_SOURCE_DIR} / "fixtures/profiles";
  const std::filesystem::path images = std::filesystem::path{DAWNRIG_BINARY_DIR} / "fixtures";
  VirtualRigSetup setup;
  setup.board = profile::load_board(profiles / (fixture.board + ".textproto"));
  setup.site = profile::load_site(profiles / (fixture.site + ".textproto"));
  setup.image = device::load_image(images / (fixture.image + ".elf"), setup.board.device.part);
  setup.initial.soc_frac = 0.9;
  setup.initial.poa_wpm2 = 700.0;
  setup.board.device.adc.noise_lsb = 0.4;  // so that one draw more or less shows
  setup.seed = 11;
  return setup;
}

/// Hashes every bit of every sample and event: nothing is thinned out, as it is in a trace.
class Fingerprint final : public trace::Sink {
 public:
  void on_sample(const trace::Sample& sample) override {
    add(sample.time.count());
    for (const double value : sample.value) {
      std::int64_t bits = 0;
      std::memcpy(&bits, &value, sizeof bits);
      add(bits);
    }
    ++samples_;
  }
  void on_event(const trace::Event& event) override {
    add(event.time.count());
    for (const char c : event.text) {
      add(c);
    }
  }
  void add(std::int64_t word) {
    hash_ = (hash_ ^ static_cast<std::uint64_t>(word)) * 0x100000001B3ULL;
    hash_ ^= hash_ >> 29U;
  }
  [[nodiscard]] std::string text() const { return std::to_string(samples_) + " samples, " + std::to_string(hash_); }

 private:
  std::uint64_t hash_{0xCBF29CE484222325ULL};
  std::int64_t samples_{0};
};

struct Ran {
  std::string fingerprint;
  std::int64_t idle_cycles{0};
  std::int64_t resets{0};
};

/// Clouds, a sagging supply, a wrong reference and serial input every few seconds; one reset and one power cycle.
inline Ran run_through_weather(const VirtualRigSetup& setup, Nanos duration) {
  using namespace std::chrono_literals;
  VirtualRig rig{setup};
  Fingerprint fingerprint;
  rig.attach(fingerprint);
  for (Nanos begin{0}; begin < duration; begin += 5s) {
    rig.schedule({begin + 1100ms, scenario::Sun{250.0, 700ms}});
    rig.schedule({begin + 2300ms, scenario::Sun{900.0, 0ms}});
    rig.schedule({begin + 2700ms, scenario::SerialInput{"status\r\n"}});
    rig.schedule({begin + 3100ms, scenario::ReferenceError{0.002}});
    rig.schedule({begin + 3300ms, scenario::Supply{4.9}});
    rig.schedule({begin + 3900ms, scenario::ReferenceError{0.0}});
    rig.schedule({begin + 4100ms, scenario::Supply{5.0}});
  }
  rig.schedule({duration * 4 / 10, scenario::ResetLine{true}});
  rig.schedule({duration * 4 / 10 + 13ms, scenario::ResetLine{false}});
  rig.schedule({duration * 7 / 10, scenario::PowerCycle{120ms}});
  rig.run_until(duration);
  EXPECT_EQ(rig.invalid_because(), "");
  for (const std::uint8_t cell : rig.eeprom()) {
    fingerprint.add(cell);
  }
  fingerprint.add(rig.resets());
  return {fingerprint.text(), rig.idle_cycles(), rig.resets()};
}

}  // namespace dawnrig::rig
