#include "harness/device/image.h"

#include <elf.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <sstream>
#include <string>

#include "harness/base/bad_input.h"

namespace dawnrig::device {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;
namespace fs = std::filesystem;

// A blinker in an ATmega328P: vectors, a start, a loop.
constexpr const char* kSmallHex =
    ":080000000C94040011241FBE42\n"
    ":0400080082E0FFCFC4\n"
    ":00000001FF\n";

constexpr const char* kSource = R"(#include <avr/io.h>
#include <avr/eeprom.h>
uint8_t EEMEM settings[4] = {1, 2, 3, 4};
volatile uint16_t setpoint_mv = 0x1234;
static volatile uint8_t cycles;
int main(void) { for (;;) { setpoint_mv++; cycles++; PORTB ^= 2; eeprom_update_byte(settings, cycles); } })";

std::string record(unsigned address, unsigned type, const std::string& data) {
  std::string bytes{static_cast<char>(data.size()), static_cast<char>(address >> 8U),
                    static_cast<char>(address & 0xFFU), static_cast<char>(type)};
  bytes += data;
  unsigned sum = 0;
  std::string line = ":";
  char digits[3];
  for (const char c : bytes) {
    const unsigned byte = static_cast<unsigned char>(c);
    sum += byte;
    std::snprintf(digits, sizeof digits, "%02X", byte);
    line += digits;
  }
  std::snprintf(digits, sizeof digits, "%02X", (0x100U - (sum & 0xFFU)) & 0xFFU);
  return line + digits + "\n";
}

const std::string kEndRecord = ":00000001FF\n";
const std::string kJump{"\x0C\x94\x04\x00", 4};

class ImageFile : public ::testing::Test {
 protected:
  ImageFile() {
    std::string pattern = fs::temp_directory_path() / "image_test_XXXXXX";
    folder_ = ::mkdtemp(pattern.data());
  }
  ~ImageFile() override { fs::remove_all(folder_); }

  fs::path write(const std::string& name, const std::string& contents) {
    fs::remove(folder_ / name);  // some file systems go to the disk when a file is overwritten, but not for a new one
    std::ofstream{folder_ / name, std::ios::binary} << contents;
    return folder_ / name;
  }

  static std::string contents_of(const fs::path& file) {
    std::ostringstream all;
    all << std::ifstream{file, std::ios::binary}.rdbuf();
    return all.str();
  }

  void shell(const std::string& command) {
    ASSERT_EQ(std::system(("cd '" + folder_.string() + "' && " + command).c_str()), 0) << command;
  }

  fs::path build(const std::string& mcu) {
    write("blink.c", kSource);
    shell("avr-gcc -Os -mmcu=" + mcu + " blink.c -o " + mcu + ".elf");
    return folder_ / (mcu + ".elf");
  }

  // The .elf of `mcu` with some bytes of its file header overwritten.
  fs::path patched(const std::string& mcu, const std::function<void(Elf32_Ehdr&)>& change) {
    std::string bytes = contents_of(build(mcu));
    change(*reinterpret_cast<Elf32_Ehdr*>(bytes.data()));
    return write("patched.elf", bytes);
  }

  static std::string complaint(const fs::path& file, std::string_view part = "atmega328p") {
    try {
      static_cast<void>(load_image(file, part));
    } catch (const base::BadInput& bad) {
      return bad.what();
    }
    return "nothing to complain about";
  }

  std::string complaint_about_hex(const std::string& text) { return complaint(write("bad.hex", text)); }

  fs::path folder_;
};

TEST_F(ImageFile, OfIntelHexIsLaidOutFromAddressZero) {
  const Image image = load_image(write("small.hex", kSmallHex), "atmega328p");
  EXPECT_THAT(image.flash, ElementsAre(0x0C, 0x94, 0x04, 0x00, 0x11, 0x24, 0x1F, 0xBE, 0x82, 0xE0, 0xFF, 0xCF));
  EXPECT_FALSE(image.eeprom);
  EXPECT_FALSE(image.mcu);
  EXPECT_TRUE(image.data_symbols.empty());
  EXPECT_EQ(image.file, (folder_ / "small.hex").string());
  EXPECT_EQ(image.sha256.size(), 64U);
}

TEST_F(ImageFile, HasTheHashOfItsBytes) {
  const fs::path file = write("small.hex", kSmallHex);
  shell("sha256sum small.hex | cut -c1-64 | tr -d '\\n' > sum");
  EXPECT_EQ(load_image(file, "atmega328p").sha256, contents_of(folder_ / "sum"));
}

TEST_F(ImageFile, OfIntelHexMayHaveGapsWhichAreErasedFlash) {
  const Image image =
      load_image(write("gap.hex", record(0, 0, kJump) + record(6, 0, "\x01") + kEndRecord), "atmega328p");
  EXPECT_THAT(image.flash, ElementsAre(0x0C, 0x94, 0x04, 0x00, 0xFF, 0xFF, 0x01));
}

TEST_F(ImageFile, OfIntelHexReachesHighFlashBySegmentOrLinearBase) {
  const std::string one{"\x55", 1};
  const std::string linear = record(0, 0, kJump) + record(0, 4, {"\x00\x01", 2}) + record(2, 0, one) + kEndRecord;
  const std::string segment = record(0, 0, kJump) + record(0, 2, {"\x10\x00", 2}) + record(2, 0, one) + kEndRecord;
  for (const std::string& text : {linear, segment}) {
    const Image image = load_image(write("high.hex", text), "atmega2560");
    ASSERT_EQ(image.flash.size(), 0x10003U) << text;
    EXPECT_EQ(image.flash.back(), 0x55);
  }
}

TEST_F(ImageFile, OfIntelHexWrapsWithinASegmentButNotInALinearRange) {
  const std::string two{"\x55\x66", 2};
  const Image wrapped = load_image(write("wrap.hex", record(4, 0, kJump) + record(0, 2, {"\x00\x00", 2}) +
                                                         record(0xFFFF, 0, two) + record(1, 0, two) + kEndRecord),
                                   "atmega2560");
  ASSERT_EQ(wrapped.flash.size(), 0x10000U);
  EXPECT_EQ(wrapped.flash[0xFFFF], 0x55);
  EXPECT_EQ(wrapped.flash[0], 0x66);
  const Image straight = load_image(
      write("run_on.hex", record(0, 0, kJump) + record(0, 4, {"\x00\x00", 2}) + record(0xFFFF, 0, two) + kEndRecord),
      "atmega2560");
  ASSERT_EQ(straight.flash.size(), 0x10001U);
  EXPECT_EQ(straight.flash.back(), 0x66);
}

TEST_F(ImageFile, OfIntelHexMayBeLowerCaseWithDosLineEndsAndStartAddresses) {
  std::string text = record(0, 5, {"\0\0\0\0", 4}) + record(0, 3, {"\0\0\0\0", 4}) +
                     ":080000000c94040011241fbe42\r\n\r\n" + ":00000001ff";
  EXPECT_EQ(load_image(write("dos.hex", text), "atmega328p").flash.size(), 8U);
}

TEST_F(ImageFile, OfIntelHexIsRefusedWithTheLineThatIsWrong) {
  EXPECT_THAT(complaint_about_hex(":080000000C94040011241FBE42\n:0400080082E0FFCFC5\n:00000001FF\n"),
              AllOf(HasSubstr("bad.hex:2:"), HasSubstr("checksum C5"), HasSubstr("add up to C4")));
  EXPECT_THAT(complaint_about_hex(":080000000C94040011241FBE42\n:0400080082G0FFCFC4\n:00000001FF\n"),
              AllOf(HasSubstr("bad.hex:2:12:"), HasSubstr("hex digit")));
  EXPECT_THAT(complaint_about_hex(":080000000C94040011241FBEF\n"),
              AllOf(HasSubstr(":1:"), HasSubstr("middle of a byte")));
  EXPECT_THAT(complaint_about_hex(":080000000C940400112\x34"), HasSubstr("bad.hex:1:"));
  EXPECT_THAT(complaint_about_hex(":\n:00000001FF\n"), AllOf(HasSubstr(":1:"), HasSubstr("0 bytes")));
  EXPECT_THAT(complaint_about_hex(":090000000C94040011241FBE41\n"), AllOf(HasSubstr(":1:"), HasSubstr("asks for 14")));
  EXPECT_THAT(complaint_about_hex(record(0, 0, kJump) + record(0, 7, "") + kEndRecord),
              AllOf(HasSubstr(":2:"), HasSubstr("type 07"), HasSubstr("00 to 05")));
  EXPECT_THAT(complaint_about_hex(record(0, 4, "\x01") + kEndRecord),
              AllOf(HasSubstr(":1:"), HasSubstr("must have 2")));
  EXPECT_THAT(complaint_about_hex(std::string{kSmallHex} + kEndRecord),
              AllOf(HasSubstr(":4:"), HasSubstr("end record")));
  EXPECT_THAT(complaint_about_hex(record(0, 0, kJump) + "hello\n"), AllOf(HasSubstr(":2:"), HasSubstr("':'")));
  EXPECT_THAT(complaint_about_hex(record(0, 0, kJump) + record(3, 0, "\x7F") + kEndRecord),
              AllOf(HasSubstr(":2:"), HasSubstr("flash address 3"), HasSubstr("two different bytes")));
}

TEST_F(ImageFile, OfIntelHexWithoutItsEndMayBeCutOffAndIsRefused) {
  EXPECT_THAT(complaint_about_hex(":080000000C94040011241FBE42\n"), HasSubstr("no end record"));
}

TEST_F(ImageFile, BeyondThePartsFlashIsRefusedWithBothSizes) {
  const std::string last = record(0, 0, kJump) + record(0x7FFF, 0, "\x55") + kEndRecord;
  EXPECT_EQ(load_image(write("full.hex", last), "atmega328p").flash.size(), 32768U);
  EXPECT_THAT(
      complaint_about_hex(record(0, 0, kJump) + record(0x8000, 0, "\x55") + kEndRecord),
      AllOf(HasSubstr("bad.hex:2:"), HasSubstr("needs 32769 bytes of flash"), HasSubstr("atmega328p has 32768")));
}

TEST_F(ImageFile, WithABlankResetVectorIsRefused) {
  EXPECT_THAT(complaint_about_hex(kEndRecord), HasSubstr("reset vector"));
  EXPECT_THAT(complaint_about_hex(record(0x7000, 0, kJump) + kEndRecord), HasSubstr("reset vector"));
}

TEST_F(ImageFile, OfTheCompilerCarriesCodeDataEepromSymbolsAndPart) {
  const Image image = load_image(build("atmega328p"), "atmega328p");
  shell("avr-objcopy -O binary -j .text -j .data atmega328p.elf flash.bin");
  const std::string flash = contents_of(folder_ / "flash.bin");
  EXPECT_EQ(std::string(image.flash.begin(), image.flash.end()), flash) << "what the programmer's tool would burn";
  ASSERT_TRUE(image.eeprom);
  EXPECT_THAT(*image.eeprom, ElementsAre(1, 2, 3, 4));
  EXPECT_EQ(image.mcu, "atmega328p");
  const auto symbol = [&](const std::string& name) {
    const auto at = std::find_if(image.data_symbols.begin(), image.data_symbols.end(),
                                 [&](const Image::Symbol& s) { return s.name == name; });
    return at == image.data_symbols.end() ? Image::Symbol{"(none)"} : *at;
  };
  EXPECT_EQ(symbol("setpoint_mv").address, 0x100U);
  EXPECT_EQ(symbol("setpoint_mv").size, 2U);
  EXPECT_EQ(symbol("cycles").address, 0x102U);
  EXPECT_EQ(symbol("main").name, "(none)") << "code is no data symbol";
  EXPECT_EQ(symbol("settings").name, "(none)") << "EEPROM is no data space";
}

TEST_F(ImageFile, OfTheCompilerMayBeginItsEepromAnywhere) {
  write("blink.c", kSource);
  shell("avr-gcc -Os -mmcu=atmega328p -Wl,--section-start=.eeprom=0x810002 blink.c -o shifted.elf");
  EXPECT_THAT(load_image(folder_ / "shifted.elf", "atmega328p").eeprom,
              ::testing::Optional(ElementsAre(0xFF, 0xFF, 1, 2, 3, 4)));
}

TEST_F(ImageFile, IsTheSameFromElfAndFromHex) {
  const Image elf = load_image(build("atmega2560"), "atmega2560");
  shell("avr-objcopy -O ihex atmega2560.elf whole.hex");
  const Image hex = load_image(folder_ / "whole.hex", "atmega2560");
  EXPECT_EQ(elf.flash, hex.flash);
  EXPECT_EQ(elf.eeprom, hex.eeprom);
  EXPECT_EQ(elf.mcu, "atmega2560");
  EXPECT_NE(elf.sha256, hex.sha256);
}

TEST_F(ImageFile, NamesItsPartInASectionOfTagsWhenItHasNoNote) {
  build("atmega328p");
  std::ofstream{folder_ / "tags", std::ios::binary} << std::string{
      "\x02\x01\x07\x01\x0B"
      "atmega2560\0\0",
      17};
  shell("avr-objcopy -R .note.gnu.avr.deviceinfo --add-section .mmcu=tags atmega328p.elf tagged.elf");
  EXPECT_THAT(complaint(folder_ / "tagged.elf"), HasSubstr("built for atmega2560"));
  shell("avr-objcopy -R .note.gnu.avr.deviceinfo atmega328p.elf anonymous.elf");
  EXPECT_FALSE(load_image(folder_ / "anonymous.elf", "atmega328p").mcu);
}

TEST_F(ImageFile, BuiltForAnotherPartIsRefusedByNoteOrArchitecture) {
  EXPECT_THAT(complaint(build("atmega2560")),
              AllOf(HasSubstr("avr6"), HasSubstr("needs avr5"), HasSubstr("-mmcu=atmega328p")));
  EXPECT_THAT(complaint(build("atmega328p"), "atmega2560"), AllOf(HasSubstr("avr5"), HasSubstr("needs avr6")));
  EXPECT_THAT(complaint(build("atmega644p")),
              AllOf(HasSubstr("built for atmega644p"), HasSubstr("board has atmega328p")));
}

TEST_F(ImageFile, BuiltForTheSameDieUnderItsOtherNameIsTaken) {
  EXPECT_EQ(load_image(build("atmega328"), "atmega328p").mcu, "atmega328");
  EXPECT_EQ(load_image(build("atmega328p"), "atmega328").mcu, "atmega328p");
}

TEST_F(ImageFile, ForAPartTheRigDoesNotKnowIsRefusedWithThoseItKnows) {
  EXPECT_THAT(complaint(write("small.hex", kSmallHex), "attiny13"),
              AllOf(HasSubstr("small.hex"), HasSubstr("\"attiny13\""), HasSubstr("atmega328p, atmega328, atmega2560")));
}

TEST_F(ImageFile, ThatIsMissingEmptyOrAFolderIsRefusedByName) {
  EXPECT_THAT(complaint(folder_ / "nowhere.elf"), HasSubstr("nowhere.elf"));
  EXPECT_THAT(complaint(folder_), HasSubstr(folder_.string()));
  EXPECT_THAT(complaint(write("empty.elf", "")), AllOf(HasSubstr("empty.elf"), HasSubstr("is empty")));
}

TEST_F(ImageFile, OfNeitherFormatIsRefused) {
  EXPECT_THAT(complaint(write("note.txt", "a shopping list")), AllOf(HasSubstr("note.txt"), HasSubstr("neither")));
  EXPECT_THAT(complaint(write("short",
                              "\x7F"
                              "EL")),
              HasSubstr("neither"));
  EXPECT_THAT(complaint(write("spaces", "  \n\n")), HasSubstr("neither"));
}

TEST_F(ImageFile, ForAPcIsRefusedAsTheWrongMachine) {
  EXPECT_THAT(complaint("/bin/true"), AllOf(HasSubstr("x86-64"), HasSubstr("must be one for AVR")));
  EXPECT_THAT(complaint(patched("atmega328p", [](Elf32_Ehdr& h) { h.e_machine = EM_ARM; })), HasSubstr("for ARM"));
}

TEST_F(ImageFile, ThatWasNotLinkedIsRefused) {
  write("blink.c", kSource);
  shell("avr-gcc -Os -mmcu=atmega328p -c blink.c -o blink.o");
  EXPECT_THAT(complaint(folder_ / "blink.o"), HasSubstr("not linked"));
}

TEST_F(ImageFile, CutOffAnywhereIsRefusedAndNeverHalfLoaded) {
  const std::string whole = contents_of(build("atmega328p"));
  for (std::size_t length = 4; length < whole.size(); length += (length < 1200 ? 1 : 37)) {
    const std::string message = complaint(write("cut.elf", whole.substr(0, length)));
    ASSERT_THAT(message, AllOf(HasSubstr("cut.elf"), HasSubstr("cut-off")))
        << length << " of " << whole.size() << " bytes";
  }
}

TEST_F(ImageFile, LargerThanThePartsFlashIsRefusedAsElfToo) {
  write("big.S", ".global main\nmain: rjmp main\n.fill 33000\n");
  shell("avr-gcc -mmcu=avr5 -nostartfiles -nodefaultlibs big.S -o big.elf");
  EXPECT_THAT(complaint(folder_ / "big.elf"), AllOf(HasSubstr("bytes of flash"), HasSubstr("atmega328p has 32768")));
}

TEST_F(ImageFile, WithRandomDamageIsLoadedOrRefusedButNeverBreaksTheRig) {
  const std::string whole = contents_of(build("atmega328p"));
  std::uint32_t state = 12345;
  const auto draw = [&state] { return state = state * 1664525U + 1013904223U, state >> 8U; };
  int refused = 0;
  for (int round = 0; round < 3000; ++round) {
    std::string damaged = whole;
    // Half of the hits go to the file header and the segments, where damage hurts.
    for (int hit = 0; hit < 4; ++hit) {
      const std::size_t range = hit % 2 == 0 ? 180 : damaged.size();
      damaged[draw() % range] = static_cast<char>(draw());
    }
    if (complaint(write("damaged.elf", damaged)) != "nothing to complain about") ++refused;
  }
  EXPECT_GT(refused, 100);
}

TEST_F(ImageFile, OfEepromIsPaddedWithErasedBytesFromEitherBase) {
  const std::string data{"\x01\x02", 2};
  EXPECT_THAT(load_eeprom_hex(write("a.hex", record(1, 0, data) + kEndRecord), 4), ElementsAre(0xFF, 1, 2, 0xFF));
  EXPECT_THAT(load_eeprom_hex(write("b.hex", record(0, 4, {"\x00\x81", 2}) + record(1, 0, data) + kEndRecord), 4),
              ElementsAre(0xFF, 1, 2, 0xFF));
}

TEST_F(ImageFile, OfEepromIsRefusedWhenItIsTooLongOrNoHex) {
  const auto complaint_of = [](const fs::path& file) -> std::string {
    try {
      static_cast<void>(load_eeprom_hex(file, 4));
    } catch (const base::BadInput& bad) {
      return bad.what();
    }
    return "nothing to complain about";
  };
  EXPECT_THAT(complaint_of(write("long.hex", record(3, 0, "\x01\x02") + kEndRecord)),
              AllOf(HasSubstr("long.hex:1:"), HasSubstr("5 bytes of EEPROM"), HasSubstr("has 4")));
  EXPECT_THAT(complaint_of(write("x.hex", "x")), HasSubstr("not an Intel hex file"));
  EXPECT_THAT(complaint_of(write("e.hex", "")), HasSubstr("is empty"));
  EXPECT_THAT(complaint_of(folder_ / "none.hex"), HasSubstr("none.hex"));
}

}  // namespace
}  // namespace dawnrig::device
