// Plant, battery: the board inside a lithium battery that takes it off its terminals. May use plant/core only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

#include "plant/core/problems.h"
#include "plant/core/time.h"

namespace dawnrig::plant {

struct ProtectionParams {
  bool fitted{true};
  double high_cell_v{3.65};
  double high_release_cell_v{3.50};
  double high_delay_s{1.0};
  double low_cell_v{2.50};
  double low_release_cell_v{2.90};
  double low_delay_s{1.0};
  double cold_charge_degc{0.0};  ///< below it, no charging
  double cold_release_degc{3.0};
  double hot_degc{60.0};
  double hot_release_degc{50.0};
  double temperature_delay_s{2.0};
  double release_delay_s{1.0};
  void check(Problems& problems) const;
};

enum class ProtectionCause : std::uint8_t { kHighVoltage, kLowVoltage, kColdCharge, kHot };
inline constexpr std::size_t kProtectionCauses = 4;

/// Time since power-up at which a condition began to hold, or kNever.
inline constexpr Nanos kNever{-1};

struct ProtectionState {
  bool open{false};
  ProtectionCause cause{};  ///< why it is open, or was last
  std::array<Nanos, kProtectionCauses> since{kNever, kNever, kNever, kNever};
  Nanos release_since{kNever};
};

/// What the board sees. outside_v: what stands at the wires, less what the cells have.
struct ProtectionView {
  double cell_v{};  ///< terminal voltage over cells
  double battery_a{};
  double battery_degc{};
  double outside_v{};
};

/// Opens when a condition has held without a break for its delay:
///
///     high voltage   cell_v > high_cell_v and no discharging current         releases at high_release_cell_v
///     low voltage    cell_v < low_cell_v and no charging current             releases at low_release_cell_v
///     cold           T < cold_charge_degc, and then opens as soon as it is charged; releases at cold_release_degc
///     hot            T > hot_degc                                            releases at hot_release_degc
///
/// Open, it carries nothing in either direction. Closes when the release has held for release_delay_s; and at once when
/// the wires ask for what is still allowed: when a load pulls them kDiodeV below the cells (opened by high voltage or
/// cold), or a charger lifts them kDiodeV above (opened by low voltage). A board with two switches would let that
/// current through a diode from the first; this one closes instead. Left out: over-current and short circuit, the
/// spread between cells, balancing, the board's own draw, pre-charge.
class Protection {
 public:
  static constexpr double kDiodeV = 0.6;

  explicit Protection(const ProtectionParams& checked);

  /// Takes note of what is seen at `now`, and opens or closes. True: it did.
  bool observe(ProtectionState& state, Nanos now, const ProtectionView& seen) const;
  /// Whether observe() would find any condition begun or ended that it has not noted yet.
  [[nodiscard]] bool would_note(const ProtectionState& state, Nanos now, const ProtectionView& seen) const;
  /// When the next delay after `now` runs out if all stays as it was; Nanos::max() if none is running.
  [[nodiscard]] Nanos due(const ProtectionState& state, Nanos now) const;

 private:
  [[nodiscard]] std::array<bool, kProtectionCauses> holding(const ProtectionView& seen) const;
  [[nodiscard]] bool released(ProtectionCause cause, const ProtectionView& seen) const;
  [[nodiscard]] static bool waits(ProtectionCause cause, const ProtectionView& seen);
  [[nodiscard]] static bool asked(ProtectionCause cause, const ProtectionView& seen);

  ProtectionParams p_;
  std::array<Nanos, kProtectionCauses> delay_;
  Nanos release_delay_;
};

}  // namespace dawnrig::plant
