#include "harness/device/image.h"

#include <gelf.h>
#include <libelf.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <span>
#include <utility>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/base/hash.h"
#include "harness/device/intel_hex.h"
#include "harness/device/parts.h"

namespace dawnrig::device {
namespace {

// How the AVR tools fold separate memories into one address space.
constexpr std::uint32_t kDataBase = 0x800000;
constexpr std::uint32_t kEepromBase = 0x810000;
constexpr std::uint32_t kFuseBase = 0x820000;

constexpr unsigned kArchMask = 0x7F;  // of e_flags
constexpr std::uint8_t kErased = 0xFF;

struct Arch {
  std::string_view part;
  unsigned number{};
};
constexpr std::array<Arch, 3> kArchs{{{"atmega328p", 5}, {"atmega328", 5}, {"atmega2560", 6}}};

[[noreturn]] void complain(const std::string& file, std::string message, int line = 0) {
  throw base::BadInput({base::Complaint{file, line, 0, "", std::move(message)}});
}

std::string parts_listed() {
  std::string list;
  for (const std::string& part : known_parts()) list += (list.empty() ? "" : ", ") + part;
  return list;
}

// The same die under two names: the P has finer power-down control, no firmware can tell them apart otherwise.
std::string_view die_of(std::string_view part) {
  return part == "atmega328p" ? "atmega328" : part;
}

/// A memory that is filled piece by piece; what nobody writes stays erased.
class Memory {
 public:
  Memory(std::string_view what, std::string_view part, std::size_t size) : what_{what}, part_{part}, size_{size} {}

  void put(const std::string& file, std::uint64_t address, std::span<const std::uint8_t> piece, int line = 0) {
    const std::uint64_t end = address + piece.size();
    if (end > size_) {
      complain(file,
               "needs " + std::to_string(end) + " bytes of " + what_ + ", " + part_ + " has " + std::to_string(size_),
               line);
    }
    if (end > bytes_.size()) {
      bytes_.resize(end, kErased);
      written_.resize(end, false);
    }
    for (std::size_t i = 0; i < piece.size(); ++i) {
      const std::size_t at = address + i;
      if (written_[at] && bytes_[at] != piece[i]) {
        complain(file, "gives " + what_ + " address " + std::to_string(at) + " two different bytes", line);
      }
      bytes_[at] = piece[i];
      written_[at] = true;
    }
  }

  [[nodiscard]] bool empty() const { return bytes_.empty(); }
  [[nodiscard]] std::vector<std::uint8_t> take() { return std::move(bytes_); }

 private:
  std::string what_;
  std::string part_;
  std::size_t size_;
  std::vector<std::uint8_t> bytes_;
  std::vector<bool> written_;
};

/// An .elf in memory, taken apart by libelf. `bytes` must outlive it.
class ElfFile {
 public:
  ElfFile(std::span<const std::uint8_t> bytes, const std::string& file) : bytes_{bytes}, file_{file} {
    elf_version(EV_CURRENT);
    // The library asks for a mutable buffer but, without a write command, does not write to it.
    elf_ = elf_memory(const_cast<char*>(reinterpret_cast<const char*>(bytes.data())), bytes.size());
  }
  ~ElfFile() { elf_end(elf_); }
  ElfFile(const ElfFile&) = delete;
  ElfFile& operator=(const ElfFile&) = delete;

  /// The right kind of file, and all of it there.
  void check(std::string_view part) {
    if (elf_ == nullptr || gelf_getehdr(elf_, &header_) == nullptr) truncated();
    if (header_.e_machine != EM_AVR) {
      complain(file_, "is an .elf for " + machine_name() + ", must be one for AVR (build it with avr-gcc)");
    }
    if (header_.e_type != ET_EXEC) {
      complain(file_, "is an .elf that was not linked; give the linked image, not an object");
    }
    static_cast<void>(need(header_.e_phoff, std::uint64_t{header_.e_phnum} * header_.e_phentsize));
    static_cast<void>(need(header_.e_shoff, std::uint64_t{header_.e_shnum} * header_.e_shentsize));
    const unsigned number = header_.e_flags & kArchMask;
    for (const Arch& arch : kArchs) {
      if (arch.part == part && arch.number != number) {
        complain(file_, "is built for avr" + std::to_string(number) + ", " + std::string{part} + " needs avr" +
                            std::to_string(arch.number) + " (build it with -mmcu=" + std::string{part} + ")");
      }
    }
  }

  void load(Memory& flash, Memory& eeprom) const {
    std::size_t count = 0;
    if (elf_getphdrnum(elf_, &count) != 0) truncated();
    for (std::size_t i = 0; i < count; ++i) {
      GElf_Phdr segment;
      if (gelf_getphdr(elf_, static_cast<int>(i), &segment) == nullptr) truncated();
      if (segment.p_type != PT_LOAD || segment.p_filesz == 0) continue;
      const std::span<const std::uint8_t> piece = need(segment.p_offset, segment.p_filesz);
      if (segment.p_paddr < kDataBase) {
        flash.put(file_, segment.p_paddr, piece);
      } else if (segment.p_paddr >= kEepromBase && segment.p_paddr < kFuseBase) {
        eeprom.put(file_, segment.p_paddr - kEepromBase, piece);
      }
    }
  }

  void read_sections(Image& image) const {
    std::size_t names = 0;
    if (elf_getshdrstrndx(elf_, &names) != 0) truncated();
    for (Elf_Scn* section = elf_nextscn(elf_, nullptr); section != nullptr; section = elf_nextscn(elf_, section)) {
      GElf_Shdr header;
      if (gelf_getshdr(section, &header) == nullptr) truncated();
      if (header.sh_type == SHT_NOBITS || header.sh_type == SHT_NULL) continue;
      const std::span<const std::uint8_t> contents = need(header.sh_offset, header.sh_size);
      const char* found = elf_strptr(elf_, names, header.sh_name);
      const std::string_view name = found == nullptr ? "" : found;
      if (name == ".note.gnu.avr.deviceinfo") {
        image.mcu = mcu_of_note(contents);
      } else if (name == ".mmcu" && !image.mcu) {
        image.mcu = mcu_of_tags(contents);
      } else if (header.sh_type == SHT_SYMTAB) {
        read_symbols(section, header, image.data_symbols);
      }
    }
  }

 private:
  [[noreturn]] void truncated() const {
    complain(file_,
             "is a damaged or cut-off .elf (" + std::to_string(bytes_.size()) + " bytes); copy or build it again");
  }

  [[nodiscard]] std::string machine_name() const {
    switch (header_.e_machine) {
      case EM_X86_64:
        return "x86-64";
      case EM_386:
        return "x86";
      case EM_ARM:
        return "ARM";
      case EM_AARCH64:
        return "ARM64";
      case EM_RISCV:
        return "RISC-V";
      default:
        return "machine number " + std::to_string(header_.e_machine);
    }
  }

  [[nodiscard]] std::span<const std::uint8_t> need(std::uint64_t offset, std::uint64_t size) const {
    if (offset > bytes_.size() || size > bytes_.size() - offset) truncated();
    return bytes_.subspan(offset, size);
  }

  [[nodiscard]] static std::uint32_t word(std::span<const std::uint8_t> from, std::size_t at) {
    return from[at] | std::uint32_t{from[at + 1]} << 8U | std::uint32_t{from[at + 2]} << 16U |
           std::uint32_t{from[at + 3]} << 24U;
  }

  [[nodiscard]] static std::string text_at(std::span<const std::uint8_t> from, std::size_t at) {
    std::string text;
    for (; at < from.size() && from[at] != 0; ++at) text += static_cast<char>(from[at]);
    return text;
  }

  // Note header (sizes of name and description, type), the owner "AVR", six words of memory layout, a table of offsets
  // preceded by its size, a table of strings. The first entry is the offset of the device's name among the strings.
  [[nodiscard]] static std::optional<std::string> mcu_of_note(std::span<const std::uint8_t> note) {
    constexpr std::size_t kHeader = 12;
    constexpr std::size_t kLayout = 24;
    if (note.size() < kHeader) return std::nullopt;
    const std::size_t owner = (word(note, 0) + std::size_t{3}) / 4 * 4;
    const std::size_t table = kHeader + owner + kLayout;
    if (table + 8 > note.size()) return std::nullopt;
    // The table's size counts its own field.
    const std::size_t strings = table + std::max<std::size_t>(word(note, table), 8);
    const std::size_t name = strings + word(note, table + 4);
    std::string mcu = name < note.size() ? text_at(note, name) : "";
    return mcu.empty() ? std::nullopt : std::optional{std::move(mcu)};
  }

  // A run of tag, length, value; tag 1 is the name, tag 0 ends it.
  [[nodiscard]] static std::optional<std::string> mcu_of_tags(std::span<const std::uint8_t> tags) {
    for (std::size_t at = 0; at + 2 <= tags.size() && tags[at] != 0; at += std::size_t{2} + tags[at + 1]) {
      if (tags[at] != 1) continue;
      const std::size_t length = std::min<std::size_t>(tags[at + 1], tags.size() - at - 2);
      std::string mcu = text_at(tags.subspan(at + 2, length), 0);
      return mcu.empty() ? std::nullopt : std::optional{std::move(mcu)};
    }
    return std::nullopt;
  }

  void read_symbols(Elf_Scn* section, const GElf_Shdr& header, std::vector<Image::Symbol>& symbols) const {
    Elf_Data* data = elf_getdata(section, nullptr);
    if (data == nullptr || header.sh_entsize == 0) truncated();
    const std::size_t count = header.sh_size / header.sh_entsize;
    for (std::size_t i = 0; i < count; ++i) {
      GElf_Sym symbol;
      if (gelf_getsym(data, static_cast<int>(i), &symbol) == nullptr) truncated();
      const int type = GELF_ST_TYPE(symbol.st_info);
      const bool names_a_place = type == STT_OBJECT || type == STT_NOTYPE;
      const bool in_a_section = symbol.st_shndx != SHN_UNDEF && symbol.st_shndx != SHN_ABS;
      if (!names_a_place || !in_a_section || symbol.st_value < kDataBase || symbol.st_value >= kEepromBase) continue;
      const char* name = elf_strptr(elf_, header.sh_link, symbol.st_name);
      if (name == nullptr || *name == '\0') continue;
      symbols.push_back(
          {name, static_cast<std::uint32_t>(symbol.st_value - kDataBase), static_cast<std::uint32_t>(symbol.st_size)});
    }
  }

  std::span<const std::uint8_t> bytes_;
  const std::string& file_;
  Elf* elf_{nullptr};
  GElf_Ehdr header_{};
};

bool is_elf(std::span<const std::uint8_t> bytes) {
  return bytes.size() >= SELFMAG && std::memcmp(bytes.data(), ELFMAG, SELFMAG) == 0;
}

std::string_view as_text(std::span<const std::uint8_t> bytes) {
  return {reinterpret_cast<const char*>(bytes.data()), bytes.size()};
}

bool is_hex(std::span<const std::uint8_t> bytes) {
  const std::string_view text = as_text(bytes);
  const std::size_t first = text.find_first_not_of(" \t\r\n");
  return first != std::string_view::npos && text[first] == ':';
}

void load_hex(std::span<const std::uint8_t> bytes, const std::string& file, Memory& flash, Memory& eeprom) {
  for (const HexRecord& record : parse_intel_hex(as_text(bytes), file)) {
    if (record.address >= kFuseBase && record.address < kFuseBase + 0x30000) continue;  // fuses, lock bits, signature
    if (record.address >= kEepromBase && record.address < kFuseBase) {
      eeprom.put(file, record.address - kEepromBase, record.bytes, record.line);
    } else {
      flash.put(file, record.address, record.bytes, record.line);
    }
  }
}

void check_mcu(const Image& image, std::string_view part) {
  if (image.mcu && die_of(*image.mcu) != die_of(part)) {
    complain(image.file, "is built for " + *image.mcu + ", the board has " + std::string{part} +
                             " (build it with -mmcu=" + std::string{part} + ", or correct the board profile)");
  }
}

}  // namespace

Image load_image(const std::filesystem::path& file, std::string_view part) {
  const std::optional<PartFacts> facts = facts_of(part);
  if (!facts) {
    complain(file.string(), "cannot be loaded into \"" + std::string{part} +
                                "\", which is no part this rig knows; it knows " + parts_listed());
  }
  Image image;
  image.file = file.string();
  const std::vector<std::uint8_t> bytes = base::read_file(file);
  if (bytes.empty()) complain(image.file, "is empty, must be an AVR .elf or an Intel hex file");
  image.sha256 = base::sha256_hex(bytes);
  Memory flash{"flash", part, facts->flash_bytes};
  Memory eeprom{"EEPROM", part, facts->eeprom_bytes};
  if (is_elf(bytes)) {
    ElfFile elf{bytes, image.file};
    elf.check(part);
    elf.read_sections(image);
    check_mcu(image, part);  // before the sizes: the wrong part explains a size that does not fit
    elf.load(flash, eeprom);
  } else if (is_hex(bytes)) {
    load_hex(bytes, image.file, flash, eeprom);
  } else {
    complain(image.file, "is neither an .elf nor an Intel hex file; give what avr-gcc or avr-objcopy -O ihex writes");
  }
  image.flash = flash.take();
  if (!eeprom.empty()) image.eeprom = eeprom.take();
  if (image.flash.size() < 2 || (image.flash[0] == kErased && image.flash[1] == kErased)) {
    complain(image.file,
             "has no code at the reset vector (flash address 0); is it a data file, or one for a bootloader?");
  }
  return image;
}

std::vector<std::uint8_t> load_eeprom_hex(const std::filesystem::path& file, std::size_t size) {
  const std::string name = file.string();
  const std::vector<std::uint8_t> bytes = base::read_file(file);
  if (!is_hex(bytes))
    complain(name, bytes.empty() ? "is empty, must be an Intel hex file" : "is not an Intel hex file");
  Memory eeprom{"EEPROM", "the part", size};
  for (const HexRecord& record : parse_intel_hex(as_text(bytes), name)) {
    const std::uint32_t base = record.address >= kEepromBase ? kEepromBase : 0;
    eeprom.put(name, record.address - base, record.bytes, record.line);
  }
  std::vector<std::uint8_t> contents = eeprom.take();
  contents.resize(size, kErased);
  return contents;
}

}  // namespace dawnrig::device
