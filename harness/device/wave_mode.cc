// The waveform generation tables of the two kinds of timer.
#include "harness/device/timer_unit_internal.h"

namespace dawnrig::device {

WaveMode wave_mode(bool is_16_bit, unsigned wgm) {
  using K = WaveKind;
  using T = TopSource;
  static constexpr std::array<WaveMode, 8> kNarrow{{{K::kNormal, T::kFixed, 0xFF, false},
                                                    {K::kPhaseCorrect, T::kFixed, 0xFF, false},
                                                    {K::kClearOnMatch, T::kOcra, 0xFF, false},
                                                    {K::kFast, T::kFixed, 0xFF, false},
                                                    {K::kNormal, T::kFixed, 0xFF, false},  // reserved
                                                    {K::kPhaseCorrect, T::kOcra, 0xFF, true},
                                                    {K::kNormal, T::kFixed, 0xFF, false},  // reserved
                                                    {K::kFast, T::kOcra, 0xFF, true}}};
  static constexpr std::array<WaveMode, 16> kWide{{{K::kNormal, T::kFixed, 0xFFFF, false},
                                                   {K::kPhaseCorrect, T::kFixed, 0xFF, false},
                                                   {K::kPhaseCorrect, T::kFixed, 0x1FF, false},
                                                   {K::kPhaseCorrect, T::kFixed, 0x3FF, false},
                                                   {K::kClearOnMatch, T::kOcra, 0xFFFF, false},
                                                   {K::kFast, T::kFixed, 0xFF, false},
                                                   {K::kFast, T::kFixed, 0x1FF, false},
                                                   {K::kFast, T::kFixed, 0x3FF, false},
                                                   {K::kPhaseFrequencyCorrect, T::kIcr, 0xFFFF, false},
                                                   {K::kPhaseFrequencyCorrect, T::kOcra, 0xFFFF, true},
                                                   {K::kPhaseCorrect, T::kIcr, 0xFFFF, false},
                                                   {K::kPhaseCorrect, T::kOcra, 0xFFFF, true},
                                                   {K::kClearOnMatch, T::kIcr, 0xFFFF, false},
                                                   {K::kNormal, T::kFixed, 0xFFFF, false},  // reserved
                                                   {K::kFast, T::kIcr, 0xFFFF, true},
                                                   {K::kFast, T::kOcra, 0xFFFF, true}}};
  return is_16_bit ? kWide[wgm & 15U] : kNarrow[wgm & 7U];
}

}  // namespace dawnrig::device
