// What a person is told about a file in protobuf text format.
#include "harness/base/textproto.h"

#include <gmock/gmock.h>
#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/text_format.h>
#include <google/protobuf/util/message_differencer.h>
#include <gtest/gtest.h>

#include "harness/base/files.h"
#include "harness/base/hash.h"
#include "proto/board.pb.h"
#include "proto/requirement.pb.h"
#include "proto/scenario.pb.h"
#include "proto/site.pb.h"
#include "tests/base/scratch_folder.h"

namespace dawnrig::base {
namespace {

using ::testing::ElementsAre;

template <class Message>
std::vector<std::string> complaints_about(std::string_view text) {
  Message message;
  std::vector<std::string> lines;
  for (const Complaint& complaint : parse_textproto("f", text, message).complaints.sorted()) {
    lines.push_back(complaint.text());
  }
  return lines;
}

/// A scenario that is right but for what is added to it, which begins in line 2.
std::vector<std::string> in_scenario(const std::string& added) {
  return complaints_about<proto::Scenario>("name: \"noon\" duration_s: 60\n" + added);
}

std::vector<std::string> in_wiring(const std::string& panel_cable_ohm) {
  return complaints_about<proto::Wiring>("battery_cable_ohm { value: 0.01 }\n" + panel_cable_ohm);
}

TEST(Textproto, ReadsEveryWayOfWritingThatTheFormatHas) {
  const std::string text =
      "# a comment with a \xC2\xB5 in it\r\n"
      "name: \"one \" 'cloud' duration_s: 6e1; seed: 0x10,\r\n"
      "initial < poa_wpm2: 800 ambient_degc: -5.5 >\r\n"
      "at [ { time_s: 1 sun: { poa_wpm2: 3 } }, { time_s: 2 reset_line { held_low: true } } ]\r\n"
      "at { serial_input { data: \"\\001a\\n\" } }  check [] ";
  proto::Scenario ours;
  const TextprotoFile file = parse_textproto("f", text, ours);
  EXPECT_TRUE(file.complaints.empty()) << file.complaints.sorted().front().text();
  EXPECT_EQ(file.sha256, sha256_hex(text));
  proto::Scenario theirs;
  ASSERT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &theirs));
  EXPECT_TRUE(google::protobuf::util::MessageDifferencer::Equals(ours, theirs)) << ours.DebugString();
}

TEST(Textproto, TellsPlacesByLineAndCharacter) {
  proto::Scenario scenario;
  const auto file = parse_textproto("f",
                                    "name: \"\xC2\xB5\xC2\xB5\" duration_s: 60\n"
                                    "at {\n"
                                    "\ttime_s: 1\n"
                                    "  sun { poa_wpm2: 800 }\n"
                                    "}\n"
                                    "at { time_s: 2 battery_cable { factor: 2 } }\n",
                                    scenario);
  const Locations& locations = file.complaints.locations;
  const auto at = [&](const char* path) {
    const Locations::Place place = locations.of(path);
    return std::to_string(place.line) + ":" + std::to_string(place.column);
  };
  EXPECT_EQ(at("duration_s"), "1:24") << "two-byte letters count once";
  EXPECT_EQ(at("at[0]"), "2:1") << "a block stands where its name does";
  EXPECT_EQ(at("at[0].time_s"), "3:10") << "a tab counts once";
  EXPECT_EQ(at("at[0].sun.poa_wpm2"), "4:19");
  EXPECT_EQ(at("at[1].battery_cable.factor"), "6:40");
  EXPECT_EQ(at("at[1].battery_cable.nothing"), "6:16") << "what is not there is looked for around";
  EXPECT_EQ(at("at[7].time_s"), "0:0");
  EXPECT_EQ(at("seed"), "0:0");
  EXPECT_TRUE(locations.has("at[1].time_s"));
  EXPECT_FALSE(locations.has("at[2]"));
}

TEST(Textproto, PointsAtTheNumberOfAParameter) {
  EXPECT_THAT(in_wiring("panel_cable_ohm {\n  value: 20\n  source: \"a guess\"\n}"),
              ElementsAre("f:3:10: panel_cable_ohm: is 20, must be at most 10"));
}

struct Fault {
  std::string text;
  std::string complaint;
};

TEST(Textproto, TellsWhatIsWrongWithAField) {
  const std::vector<Fault> faults = {
      // Names.
      {"sede: 1", "f:2:1: sede: unknown; did you mean seed?"},
      {"at { tmie_s: 3 sun { } }", "f:2:6: at[0].tmie_s: unknown; did you mean time_s?"},
      {"at { sun { poa_kwpm2: 1 } }", "f:2:12: at[0].sun.poa_kwpm2: unknown; did you mean poa_wpm2 (wpm2)?"},
      {"at { sun { poa: 1 } }", "f:2:12: at[0].sun.poa: unknown; did you mean poa_wpm2 (wpm2)?"},
      {"at { sun { wind { from: [1, {}] } } }", "f:2:12: at[0].sun.wind: unknown; must be one of poa_wpm2, over_s"},
      {"Seed: 1", "f:2:1: Seed: unknown; did you mean seed?"},
      // Types.
      {"seed: -1", "f:2:7: seed: is -1, must be a whole number from 0 to 18446744073709551615"},
      {"seed: 18446744073709551616",
       "f:2:7: seed: is 18446744073709551616, must be a whole number from 0 to 18446744073709551615"},
      {"seed: 1.5", "f:2:7: seed: is 1.5, must be a whole number"},
      {"seed: \"1\"", "f:2:7: seed: is \"1\", must be a whole number"},
      {"at { sun { poa_wpm2: \"800\" } }", "f:2:22: at[0].sun.poa_wpm2: is \"800\", must be a number"},
      {"at { sun { poa_wpm2: high } }", "f:2:22: at[0].sun.poa_wpm2: is high, must be a number"},
      {"at { sun { poa_wpm2: 800W } }",
       "f:2:22: at[0].sun.poa_wpm2: is 800W, must be a number alone: the unit is in the name of the field"},
      {"at { sun { poa_wpm2: 800,5 } }",
       "f:2:22: at[0].sun.poa_wpm2: has a comma before 5, must be written with a point"},
      {"at { sun { poa_wpm2: 0x20 } }", "f:2:22: at[0].sun.poa_wpm2: is 0x20, must be written as a decimal number"},
      {"at { sun { poa_wpm2: 020 } }", "f:2:22: at[0].sun.poa_wpm2: is 020, must be written as a decimal number"},
      {"at { sun { poa_wpm2: { value: 3 } } }", "f:2:12: at[0].sun.poa_wpm2: is a block, must be a number"},
      {"at { sun { poa_wpm2: [3] } }", "f:2:12: at[0].sun.poa_wpm2: is a list, must be a number"},
      {"at { sun: 3 }", "f:2:11: at[0].sun: is 3, must be a block: sun { ... }"},
      {"initial: \"full\"", "f:2:10: initial: is \"full\", must be a block: initial { ... }"},
      {"at { load { name: lamp } }", "f:2:19: at[0].load.name: is lamp, must be in quotes: \"lamp\""},
      {"at { reset_line { held_low: yes } }", "f:2:29: at[0].reset_line.held_low: is yes, must be true or false"},
      {"at { switch_fault { kind: STUCK_SHUT } }",
       "f:2:27: at[0].switch_fault.kind: is STUCK_SHUT; must be one of NONE, STUCK_OPEN, STUCK_CLOSED, DRIVER_DEAD"},
      {"at { switch_fault { kind: STUCK_CLOSE } }",
       "f:2:27: at[0].switch_fault.kind: is STUCK_CLOSE; did you mean STUCK_CLOSED?"},
      {"at { switch_fault { kind: \"STUCK_OPEN\" } }",
       "f:2:27: at[0].switch_fault.kind: is \"STUCK_OPEN\", must be written without quotes: STUCK_OPEN"},
      {"at { switch_fault { kind: 2 } }",
       "f:2:27: at[0].switch_fault.kind: is 2, must be one of NONE, STUCK_OPEN, STUCK_CLOSED, DRIVER_DEAD"},
      {"at { switch_fault { kind: KIND_UNSPECIFIED } }",
       "f:2:27: at[0].switch_fault.kind: is KIND_UNSPECIFIED, must be one of NONE, STUCK_OPEN, STUCK_CLOSED, "
       "DRIVER_DEAD"},
      // Numbers that are none.
      {"at { sun { poa_wpm2: nan } }", "f:2:22: at[0].sun.poa_wpm2: is nan, must be a finite number"},
      {"at { sun { poa_wpm2: -inf } }", "f:2:22: at[0].sun.poa_wpm2: is -inf, must be a finite number"},
      {"at { sun { poa_wpm2: 1e999 } }", "f:2:22: at[0].sun.poa_wpm2: is 1e999, must be a finite number"},
      // Twice, or both.
      {"seed: 1 seed: 2", "f:2:9: seed: is written twice, first in line 2"},
      {"initial { }\ninitial { }", "f:3:1: initial: is written twice, first in line 2"},
      {"at { sun { }\nsupply { supply_v: 5 } }",
       "f:3:1: at[0].supply: cannot stand beside sun of line 2: only one change"},
      // Bounds.
      {"at { time_s: -1 sun { } }", "f:2:14: at[0].time_s: is -1, must be at least 0"},
      {"at { supply { supply_v: 6.5 } }", "f:2:25: at[0].supply.supply_v: is 6.5, must be at most 6"},
      {"at { battery_cable { factor: 0 } }", "f:2:30: at[0].battery_cable.factor: is 0, must be at least 0.001"},
      {"at { battery_cable { } }",
       "f:2:6: at[0].battery_cable.factor: is missing, must be at least 0.001 and at most 1000"},
      {"initial { state_of_charge_frac: 80 }", "f:2:33: initial.state_of_charge_frac: is 80, must be at most 1"},
      // Absence.
      {"at { load { } }", "f:2:6: at[0].load.name: is missing"},
      {"at { load { name: \" \" } }", "f:2:19: at[0].load.name: is empty"},
      {"at { switch_fault { } }",
       "f:2:6: at[0].switch_fault.kind: is missing, must be one of NONE, STUCK_OPEN, STUCK_CLOSED, DRIVER_DEAD"},
  };
  for (const Fault& fault : faults) EXPECT_THAT(in_scenario(fault.text), ElementsAre(fault.complaint)) << fault.text;
}

TEST(Textproto, TellsWhatIsWrongWithAParameter) {
  const std::vector<Fault> faults = {
      {"panel_cable_ohm: 0.05", "f:2:18: panel_cable_ohm: is 0.05, must be a block: panel_cable_ohm { value: 0.05 }"},
      {"panel_cable_ohm { }", "f:2:1: panel_cable_ohm.value: is missing, must be at least 1e-5 and at most 10"},
      {"panel_cable_ohm { source: \"x\" }",
       "f:2:1: panel_cable_ohm.value: is missing, must be at least 1e-5 and at most 10"},
      {"panel_cable_ohm { value: -0.05 }", "f:2:26: panel_cable_ohm: is -0.05, must be at least 1e-5"},
      {"panel_cable_mohm { value: 50 }", "f:2:1: panel_cable_mohm: unknown; did you mean panel_cable_ohm (ohm)?"},
      {"panel_cable_ohm { value: 1 tolerance: 0.1 }",
       "f:2:28: panel_cable_ohm.tolerance: unknown; did you mean tolerance_frac (frac)?"},
      {"panel_cable_ohm { value: 1 tolerance_frac: 5 }",
       "f:2:44: panel_cable_ohm.tolerance_frac: is 5, must be below 1"},
      {"panel_cable_ohm { value: 1 tolerance_abs: -5 }",
       "f:2:43: panel_cable_ohm.tolerance_abs: is -5, must be at least 0"},
      {"panel_cable_ohm { value: 1 tempco_per_k: 0.4 }",
       "f:2:42: panel_cable_ohm.tempco_per_k: is 0.4, must be below 0.1"},
      {"panel_cable_ohm { value: 1 drift_per_k: -1e-4 }",
       "f:2:41: panel_cable_ohm.drift_per_k: is -0.0001, must be at least 0"},
      {"panel_cable_ohm { value: 1 tolerance_frac: 0.1 tolerance_abs: 0.1 }",
       "f:2:63: panel_cable_ohm.tolerance_abs: cannot stand beside tolerance_frac: only one of them"},
      {"", "f: panel_cable_ohm: is missing, must be at least 1e-5 and at most 10"},
  };
  for (const Fault& fault : faults) EXPECT_THAT(in_wiring(fault.text), ElementsAre(fault.complaint)) << fault.text;
}

TEST(Textproto, StopsAtASyntaxErrorAndSaysSo) {
  const std::string rest = "; nothing after this was read";
  const std::vector<Fault> faults = {
      {"seed 1", "f:2:6: expected \":\" after seed, found \"1\""},
      {"initial 1", "f:2:9: expected \":\" or \"{\" after initial, found \"1\""},
      {"seed:", "f:2:6: expected a value for seed, found the end of the file"},
      {"seed: }", "f:2:7: expected a value for seed, found \"}\""},
      {"}", "f:2:1: expected the name of a field, found \"}\""},
      {"\"seed\": 1", "f:2:1: expected the name of a field, found \"seed\""},
      {"initial {\n  poa_wpm2: 800\n", "f:4:1: the \"{\" of line 2 is not closed"},
      {"at [ { sun { } }", "f:2:17: expected \",\" or \"]\" in a list, found the end of the file"},
      {"at [ { sun { } },", "f:2:18: the \"[\" of line 2 is not closed"},
      {"colour {\n x [ 1 }", "f:3:8: expected \"]\", found \"}\""},
      {"colour {\n x [ 1 ]", "f:3:9: the \"{\" of line 2 is not closed"},
      {"// a comment", "f:2:1: expected the name of a field, found \"/\"; comments begin with #"},
      {"[a.b] { }", "f:2:1: extensions are not used in these files"},
      {"check { signal: \"terminal_v\n }", "f:2:28: a text in quotes is not closed on its line"},
      {"seed: 1 \x01", "f:2:9: a control character stands here"},
  };
  for (const Fault& fault : faults) {
    const auto complaints = in_scenario(fault.text);
    ASSERT_FALSE(complaints.empty()) << fault.text;
    EXPECT_EQ(complaints.back(), fault.complaint + rest) << fault.text;
  }
}

TEST(Textproto, StillJudgesWhatStoodBeforeASyntaxError) {
  EXPECT_THAT(complaints_about<proto::Scenario>("duration_s: -3\nat { sun { } time_s 3 }\nname: \"noon\""),
              ElementsAre("f:1:13: duration_s: is -3, must be above 0",
                          "f:2:21: expected \":\" after time_s, found \"3\"; nothing after this was read"));
}

TEST(Textproto, TellsEveryFaultOfAFileInTheOrderOfItsLines) {
  EXPECT_THAT(
      complaints_about<proto::Scenario>("duration_s: -3\n"
                                        "at { time_s: nan }\n"
                                        "sede: 3\n"
                                        "recording { interval_s: 0\n"
                                        "            event_window_ms: 20 }\n"
                                        "at { sun { poa_wpm2: 9000 over_s: -1 } }\n"),
      ElementsAre("f: name: is missing, for example \"one cloud at noon\"",
                  "f:1:13: duration_s: is -3, must be above 0",
                  "f:2:1: at[0]: has no change, write one of sun, ambient, battery_temperature, load, "
                  "battery_connector, panel_connector, sense_fault, battery_resistance, battery_cable, supply, "
                  "reference_error, noise, serial_input, reset_line, power_cycle, switch_fault, panel_cable, "
                  "corrosion, bounce, sky, shade, panel_fault, wind, heat_sink_temperature",
                  "f:2:14: at[0].time_s: is nan, must be a finite number", "f:3:1: sede: unknown; did you mean seed?",
                  "f:4:25: recording.interval_s: is 0, must be at least 0.001",
                  "f:5:13: recording.event_window_ms: unknown; did you mean event_window_s (s)?",
                  "f:6:22: at[1].sun.poa_wpm2: is 9000, must be at most 2500",
                  "f:6:35: at[1].sun.over_s: is -1, must be at least 0"));
}

TEST(Textproto, DoesNotCallMissingWhatIsOnlyMisspelt) {
  EXPECT_THAT(complaints_about<proto::Scenario>("nmae: \"noon\" duration_min: 1"),
              ElementsAre("f:1:1: nmae: unknown; did you mean name?",
                          "f:1:14: duration_min: unknown; did you mean duration_s (s)?"));
}

TEST(Textproto, CountsRepeatedFields) {
  std::string many;
  for (int i = 0; i < 10; ++i) many += "load { name: \"l\" resistive { resistance_ohm { value: 1 } } }\n";
  const auto complaints = complaints_about<proto::SiteProfile>(many);
  EXPECT_THAT(complaints, ::testing::Contains("f:9:1: load[8]: is one too many, must be at most 8"));
  EXPECT_THAT(complaints_about<proto::RequirementSet>("name: \"x\""),
              ElementsAre("f: requirement: is missing, must be written at least once"));
}

TEST(Textproto, KnowsTheUnitsOfRequirements) {
  const auto with_unit = [](const std::string& unit) {
    return complaints_about<proto::Limit>("highest: 1 tolerance: 1 unit: \"" + unit + "\"");
  };
  EXPECT_TRUE(with_unit("mV/K").empty());
  EXPECT_THAT(with_unit("v"), ElementsAre("f:1:31: unit: is \"v\", an unknown unit; did you mean V?"));
}

class TextprotoFiles : public testing::ScratchFolder {
 protected:
  [[nodiscard]] std::string fault_of(const std::filesystem::path& file) const {
    proto::Scenario scenario;
    try {
      read_textproto(file, scenario).complaints.throw_if_any();
    } catch (const BadInput& fault) {
      return local(fault.what());
    }
    return "read without a fault";
  }
};

TEST_F(TextprotoFiles, ThatAreNoTextAreRefused) {
  EXPECT_EQ(fault_of(write("zero", std::string_view("\x7F"
                                                    "ELF\0\1",
                                                    6))),
            "zero: is not text: a zero byte at offset 4");
  EXPECT_EQ(fault_of(write("wide", "\xFF\xFEn")), "wide: is UTF-16 text, must be saved as UTF-8");
  EXPECT_EQ(fault_of(write("latin", "name: \"x\"\n# f\xFCr")),
            "latin:2:4: is not UTF-8 text: byte 0xFC; save the file as UTF-8");
  EXPECT_EQ(fault_of(write("empty", "")), "empty: is empty");
  EXPECT_EQ(fault_of(write("blank", "\r\n \t\n")), "blank: is empty");
  EXPECT_EQ(fault_of(place("")), local(place("").string()) + ": is a folder, must be a file");
  EXPECT_EQ(fault_of(place("none")), "none: does not exist");
  EXPECT_EQ(fault_of(write("huge", std::string(5U << 20U, '#'))),
            "huge: is larger than 4194304 bytes; is it the right file?");
}

TEST_F(TextprotoFiles, MayComeFromAnotherSystem) {
  const auto dos = write("dos", "\xEF\xBB\xBFname: \"noon\"\r\nduration_s: 60\r\nat { time_s: -1 sun { } }\r\n");
  EXPECT_EQ(fault_of(dos), "dos:3:14: at[0].time_s: is -1, must be at least 0");
}

// Whatever stands in the file: the reader never accepts what the format's own parser refuses, and where both accept
// they have read the same.
TEST(Textproto, AgreesWithTheParserOfTheFormatOnDamagedFiles) {
  const std::string good =
      "name: \"one\" duration_s: 6e1 seed: 16\n"
      "initial < poa_wpm2: 800 ambient_degc: -5.5 >\n"
      "at [ { time_s: 1 sun: { poa_wpm2: 3 } }, { time_s: 2 reset_line { held_low: true } } ]\n"
      "at { switch_fault { kind: STUCK_OPEN } } # end\n";
  const std::string alphabet = "{}<>[]:;,\"'-.#0179aesx_ \n\\\x80";
  google::protobuf::TextFormat::Parser parser;
  struct Silent : google::protobuf::io::ErrorCollector {
    void AddError(int, int, const std::string&) override {}
  } silent;
  parser.RecordErrorsTo(&silent);
  std::uint64_t random = 7;
  const auto draw = [&random](std::size_t below) {
    random = random * 6364136223846793005U + 1442695040888963407U;
    return static_cast<std::size_t>(random >> 33U) % below;
  };
  int accepted = 0;
  for (int i = 0; i < 20'000; ++i) {
    std::string text = good;
    for (std::size_t changes = 1 + draw(2); changes > 0; --changes) {
      const std::size_t at = draw(text.size());
      text.replace(at, draw(3), std::string(draw(2), alphabet[draw(alphabet.size())]));
    }
    proto::Scenario ours;
    proto::Scenario theirs;
    try {
      if (!parse_textproto("f", text, ours).complaints.empty()) continue;
    } catch (const BadInput&) {
      continue;
    }
    ++accepted;
    ASSERT_TRUE(parser.ParseFromString(text, &theirs)) << text;
    ASSERT_TRUE(google::protobuf::util::MessageDifferencer::Equals(ours, theirs)) << text;
  }
  EXPECT_GT(accepted, 1000) << "the damage was too great to say anything";
}

TEST(Textproto, SurvivesAnyDepthOfBrackets) {
  const std::string deep = "colour " + std::string(1'000'000, '{');
  EXPECT_EQ(in_scenario(deep).back(), "f:2:1000008: the \"{\" of line 2 is not closed; nothing after this was read");
}

}  // namespace
}  // namespace dawnrig::base
