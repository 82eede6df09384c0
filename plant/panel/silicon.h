// Plant, panel: what crystalline silicon does with temperature, after De Soto, Klein and Beckman (2006). Touches
// nothing.
#pragma once

namespace dawnrig::plant {

inline constexpr double kReferenceWpm2 = 1000.0;
inline constexpr double kReferenceK = 298.15;
inline constexpr double kBoltzmannEvPerK = 8.617333262e-5;
inline constexpr double kBandGapEv = 1.121;
inline constexpr double kBandGapPerK = -0.0002677;
/// Eg(T)/(k T) is this over T plus a constant, since Eg is linear in T.
inline constexpr double kActivationK = kBandGapEv * (1.0 - kBandGapPerK * kReferenceK) / kBoltzmannEvPerK;

}  // namespace dawnrig::plant
