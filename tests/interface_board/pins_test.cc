// The pin map in one header, and everything that has to agree with it: the wiring table for whoever solders, the
// circuit that the tests solder, and the registers that belong to interrupts.
#include <gtest/gtest.h>

#include <array>
#include <cstdio>
#include <fstream>
#include <map>
#include <memory>
#include <regex>
#include <sstream>
#include <string>
#include <tuple>

#include "fixtures/interface_board/firmware/board_pins.h"
#include "harness/device/board_circuit.h"
#include "harness/device/parts.h"

namespace dawnrig::interface_board {
namespace {

struct Wire {
  std::string pin, direction, what;
  bool operator==(const Wire&) const = default;
};
std::ostream& operator<<(std::ostream& out, const Wire& wire) {
  return out << wire.pin << ", " << wire.direction << ", " << wire.what;
}

std::map<std::string, Wire> pin_map() {
  std::map<std::string, Wire> pins;
#define TAKE_PIN(name, port, bit, direction, what) pins[#name] = {"P" #port #bit, #direction, what};
  BOARD_PINS(TAKE_PIN)
#undef TAKE_PIN
  return pins;
}

/// Rows of the form | `name` | PA0 | out | what |
std::map<std::string, Wire> wiring_table() {
  std::ifstream file(DAWNRIG_SOURCE_DIR "/fixtures/interface_board/README.md");
  const std::regex row(R"(\| `(\w+)` \| (P[A-L][0-7]) \| (in|out|spi) \| (.*) \|)");
  std::map<std::string, Wire> rows;
  std::string line;
  while (std::getline(file, line)) {
    std::smatch found;
    if (std::regex_match(line, found, row)) {
      EXPECT_EQ(rows.count(found[1]), 0U) << found[1] << " stands twice in the table";
      rows[found[1]] = {found[2], found[3], found[4]};
    }
  }
  return rows;
}

TEST(BoardPins, AreWiredAsTheTableSays) {
  const auto pins = pin_map();
  const auto table = wiring_table();
  for (const auto& [name, wire] : pins) {
    ASSERT_EQ(table.count(name), 1U) << name << " (" << wire.pin << ") is missing from the wiring table";
    EXPECT_EQ(table.at(name), wire) << name;
  }
  for (const auto& [name, wire] : table) {
    EXPECT_EQ(pins.count(name), 1U) << name << " stands in the wiring table only";
  }
}

TEST(BoardPins, ExistAndHaveOnePurposeEach) {
  std::map<std::string, std::string> taken;
  for (const auto& [name, wire] : pin_map()) {
    EXPECT_TRUE(device::pin_named("atmega2560", wire.pin).has_value()) << name << ": " << wire.pin;
    EXPECT_EQ(taken.count(wire.pin), 0U) << wire.pin << " is " << name << " and " << taken[wire.pin];
    taken[wire.pin] = name;
  }
}

/// The firmware moves whole ports at once in a few places.
TEST(BoardPins, StandWhereWholePortsAreMoved) {
  const auto pins = pin_map();
  const char* const channels[] = {"battery", "panel", "current", "thermistor"};
  for (int i = 0; i < 4; ++i) {
    EXPECT_EQ(pins.at(std::string(channels[i]) + "_connect").pin, "PA" + std::to_string(i));
    EXPECT_EQ(pins.at(std::string(channels[i]) + "_follow").pin, "PA" + std::to_string(i + 4));
    EXPECT_EQ(pins.at(std::string(channels[i]) + "_readback").pin, "PF" + std::to_string(i));
  }
  const char* const inputs[] = {"load_1", "load_2", "fault", "led_1", "led_2", "supply_good"};
  for (int i = 0; i < 6; ++i) {
    EXPECT_EQ(pins.at(inputs[i]).pin, "PJ" + std::to_string(i + 2));
  }
}

TEST(BoardPins, AreWatchedByTheCircuitThatStandsForTheBoard) {
  const auto watched = device::BoardCircuit::watched_pins();
  for (const auto& [name, wire] : pin_map()) {
    const bool acts = wire.direction == "out" && wire.pin[1] != 'D' && wire.pin[1] != 'E';  // those are serial lines
    const auto pin = device::pin_named("atmega2560", wire.pin).value();
    EXPECT_TRUE(!acts || std::find(watched.begin(), watched.end(), pin) != watched.end()) << name;
  }
}

/// Registers 2 to 7 belong to the short interrupts; a library routine that used one would be disturbed by them.
TEST(BoardRegisters, ThoseOfTheInterruptsAreUsedNowhereElse) {
  const std::string command = "avr-objdump -d " DAWNRIG_BINARY_DIR "/fixtures/interface_board/interface_board.elf 2>&1";
  const std::unique_ptr<FILE, int (*)(FILE*)> listing(popen(command.c_str(), "r"), pclose);
  ASSERT_NE(listing, nullptr);
  const std::regex heading(R"([0-9a-f]+ <(.*)>:\s*)");
  const std::regex reserved(R"(.*\br[2-9]\b.*\s*)");
  // The start gives the first values; of the page that is being sent and the place in it the sender has a say too.
  const std::regex handed_over(R"(.*(eor\tr2, r2|mov\tr3, r\d+|eor\tr8, r8|mov\tr[89], r\d+|mov\tr\d+, r9)\b.*\s*)");
  std::array<char, 512> line{};
  std::string routine;
  int in_interrupts = 0;
  while (std::fgets(line.data(), line.size(), listing.get()) != nullptr) {
    const std::string text = line.data();
    std::smatch found;
    if (std::regex_match(text, found, heading)) {
      routine = found[1];
    } else if (routine != "__vectors" && std::regex_match(text, reserved)) {  // that is a table, not instructions
      EXPECT_TRUE(routine.starts_with("__vector_") || std::regex_match(text, handed_over)) << routine << ": " << text;
      in_interrupts += routine.starts_with("__vector_") ? 1 : 0;
    }
  }
  EXPECT_GT(in_interrupts, 20) << "the listing does not show what it should";
}

}  // namespace
}  // namespace dawnrig::interface_board
