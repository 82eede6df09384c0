#include "harness/device/parts.h"

#include <array>
#include <charconv>

namespace dawnrig::device {
namespace {

struct PortBits {
  char port{};
  int bits{};  // bits 0 to bits - 1 exist
};

struct AdcGroup {
  int first_channel{};
  int count{};
  char port{};  // 0: pins of their own, without a port
};

struct Part {
  std::string_view name;
  PartFacts facts;
  std::array<PortBits, 11> ports;
  std::array<AdcGroup, 2> adc;
};

constexpr std::size_t kKib = 1024;

// Figures from the data sheets' "Features" and "Pin Configurations". On the smaller part, channels 6 and 7 are bonded
// out only in the 32-lead packages; PC6 is the reset pin unless a fuse frees it.
constexpr std::array<PortBits, 11> kSmallPorts{{{'B', 8}, {'C', 7}, {'D', 8}}};
constexpr std::array<AdcGroup, 2> kSmallAdc{{{0, 6, 'C'}, {6, 2, '\0'}}};
constexpr std::array<PortBits, 11> kLargePorts{
    {{'A', 8}, {'B', 8}, {'C', 8}, {'D', 8}, {'E', 8}, {'F', 8}, {'G', 6}, {'H', 8}, {'J', 8}, {'K', 8}, {'L', 8}}};
constexpr std::array<AdcGroup, 2> kLargeAdc{{{0, 8, 'F'}, {8, 8, 'K'}}};

constexpr std::array<Part, 3> kParts{{
    {"atmega328p", {32 * kKib, 2 * kKib, 1 * kKib, 8}, kSmallPorts, kSmallAdc},
    {"atmega328", {32 * kKib, 2 * kKib, 1 * kKib, 8}, kSmallPorts, kSmallAdc},
    {"atmega2560", {256 * kKib, 8 * kKib, 4 * kKib, 16}, kLargePorts, kLargeAdc},
}};

const Part* find_part(std::string_view name) {
  for (const Part& part : kParts) {
    if (part.name == name) return &part;
  }
  return nullptr;
}

}  // namespace

std::optional<PartFacts> facts_of(std::string_view part) {
  const Part* found = find_part(part);
  return found == nullptr ? std::nullopt : std::optional{found->facts};
}

std::vector<std::string> known_parts() {
  std::vector<std::string> names;
  names.reserve(kParts.size());
  for (const Part& part : kParts) names.emplace_back(part.name);
  return names;
}

std::optional<Pin> pin_named(std::string_view part, std::string_view name) {
  const Part* found = find_part(part);
  if (found == nullptr || name.size() != 3 || name[0] != 'P') return std::nullopt;
  const int bit = name[2] - '0';
  for (const PortBits& port : found->ports) {
    if (port.port == name[1] && bit >= 0 && bit < port.bits) return Pin{name[1], bit};
  }
  return std::nullopt;
}

std::optional<int> adc_channel_named(std::string_view part, std::string_view name) {
  const Part* found = find_part(part);
  if (found == nullptr) return std::nullopt;
  if (name.starts_with("ADC")) {
    const std::string_view digits = name.substr(3);
    int channel = -1;
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), channel);
    const bool whole = error == std::errc{} && end == digits.data() + digits.size();
    const bool canonical = digits.size() == 1 || !digits.starts_with('0');  // "ADC07" is a slip, not a channel
    if (!whole || !canonical || channel < 0 || channel >= found->facts.adc_channels) return std::nullopt;
    return channel;
  }
  const std::optional<Pin> pin = pin_named(part, name);
  if (!pin) return std::nullopt;
  for (const AdcGroup& group : found->adc) {
    if (group.port == pin->port && pin->bit < group.count) return group.first_channel + pin->bit;
  }
  return std::nullopt;
}

}  // namespace dawnrig::device
