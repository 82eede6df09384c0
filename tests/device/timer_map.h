// Where the timers of the two parts keep their registers and outputs, by the data sheets.
// Room: tests/device.
#pragma once

#include <string>
#include <vector>

#include "harness/device/parts.h"

namespace dawnrig::device {

struct TimerMap {
  std::string part;
  int number{};
  bool wide{};           ///< 16 bits
  unsigned control_a{};  ///< TCCRnA; TCCRnB is the next
  unsigned count{};      ///< TCNTn
  unsigned top{};        ///< ICRn, wide timers only
  unsigned flags{};      ///< TIFRn
  unsigned mask{};       ///< TIMSKn
  std::vector<unsigned> compare;
  std::vector<Pin> outputs;
};

inline unsigned ddr_of(Pin pin) {
  return pin.port < 'H' ? 0x21U + 3U * static_cast<unsigned>(pin.port - 'A')
                        : 0x101U + 3U * static_cast<unsigned>(pin.port - (pin.port > 'H' ? 'I' : 'H'));
}

inline TimerMap wide_timer(const std::string& part, int number, unsigned base, const std::vector<Pin>& outputs) {
  TimerMap map{part,
               number,
               true,
               base,
               base + 4,
               base + 6,
               0x35U + static_cast<unsigned>(number),
               0x6EU + static_cast<unsigned>(number),
               {},
               outputs};
  for (unsigned i = 0; i < outputs.size(); ++i) {
    map.compare.push_back(base + 8 + 2 * i);
  }
  return map;
}

inline TimerMap narrow_timer(const std::string& part, int number, const std::vector<Pin>& outputs) {
  const unsigned base = number == 0 ? 0x44 : 0xB0;
  return {part,
          number,
          false,
          base,
          base + 2,
          0,
          0x35U + static_cast<unsigned>(number),
          0x6EU + static_cast<unsigned>(number),
          {base + 3, base + 4},
          outputs};
}

inline std::vector<TimerMap> all_timers() {
  const std::string small = "atmega328p";
  const std::string big = "atmega2560";
  return {narrow_timer(small, 0, {{'D', 6}, {'D', 5}}),
          wide_timer(small, 1, 0x80, {{'B', 1}, {'B', 2}}),
          narrow_timer(small, 2, {{'B', 3}, {'D', 3}}),
          narrow_timer(big, 0, {{'B', 7}, {'G', 5}}),
          wide_timer(big, 1, 0x80, {{'B', 5}, {'B', 6}, {'B', 7}}),
          narrow_timer(big, 2, {{'B', 4}, {'H', 6}}),
          wide_timer(big, 3, 0x90, {{'E', 3}, {'E', 4}, {'E', 5}}),
          wide_timer(big, 4, 0xA0, {{'H', 3}, {'H', 4}, {'H', 5}}),
          wide_timer(big, 5, 0x120, {{'L', 3}, {'L', 4}, {'L', 5}})};
}

inline std::string name_of(const TimerMap& timer) {
  return timer.part + "Timer" + std::to_string(timer.number);
}

}  // namespace dawnrig::device
