// Firmware images as files: read, checked, and laid out before the simulator sees a byte.
// Room: harness/device. May use harness/base; libelf in the .cc file.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace dawnrig::device {

/// A firmware image as loaded from .elf or Intel hex; checked before the simulator sees it.
struct Image {
  struct Symbol {
    std::string name;
    std::uint32_t address{};
    std::uint32_t size{};
  };                                                ///< data-space addresses
  std::vector<std::uint8_t> flash;                  ///< from address 0
  std::optional<std::vector<std::uint8_t>> eeprom;  ///< .eeprom section, if the .elf carries one
  std::vector<Symbol> data_symbols;                 ///< empty for hex
  std::optional<std::string> mcu;                   ///< if the file says
  std::string sha256;                               ///< of the file's bytes
  std::string file;
};

/// An Intel hex made from a whole .elf carries EEPROM contents at 0x810000 and on; they become `eeprom`. Bytes the file
/// does not mention are 0xFF. Throws base::BadInput, one message naming file and what would be right: missing, a
/// directory, empty, truncated, not an AVR image, checksum wrong (line), larger than `part`'s flash, built for another
/// part, unknown part, reset vector blank.
[[nodiscard]] Image load_image(const std::filesystem::path& file, std::string_view part);

/// Reads an Intel hex file as EEPROM contents of at most `size` bytes, 0xFF where the file says nothing. Addresses
/// count from 0, or from 0x810000 as the compiler's tools lay them out. Throws base::BadInput as load_image() does.
[[nodiscard]] std::vector<std::uint8_t> load_eeprom_hex(const std::filesystem::path& file, std::size_t size);

}  // namespace dawnrig::device
