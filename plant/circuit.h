// Plant: the room's front door. May use the rooms of plant only.
//
// The whole circuit around a charge controller: sun, panel, cable, power stage, battery, loads and sense networks,
// solved together between gate edges. Both rigs call this and nothing else of the plant.
//
//   panel --[panel_cable]--+--[power stage]--+-- bus --[battery_cable]--[connector]-- terminal (battery)
//                          |                 |
//                       input C          output C, loads (switched and not), quiescent draw
//
// The stage is series or shunt PWM (plant/stage/series_pwm.h) or a step-down converter (plant/stage/buck.h).
//
// Signs: battery_a > 0 charges; panel_a > 0 flows out of the panel; load_a > 0 flows into the loads.
// Voltages are against battery negative, which is the board's ground in this first cut.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "plant/battery/battery.h"
#include "plant/core/problems.h"
#include "plant/core/time.h"
#include "plant/load/load.h"
#include "plant/panel/array.h"
#include "plant/panel/single_diode.h"
#include "plant/panel/source.h"
#include "plant/sense/adc_input.h"
#include "plant/sense/network.h"
#include "plant/stage/buck.h"
#include "plant/stage/series_pwm.h"
#include "plant/stage/stage.h"
#include "plant/step_observer.h"
#include "plant/wiring/wiring.h"

namespace dawnrig::plant {

inline constexpr std::size_t kMaxLoads = 8;
inline constexpr std::size_t kMaxSense = 8;

/// What is built: fixed for the life of a Circuit.
struct CircuitParams {
  PanelParams panel;                 ///< of an array: the whole of it, in full light
  std::optional<ArrayParams> array;  ///< in place of the single source, where bypass diodes or shade matter
  double panel_cable_ohm{0.05};
  double battery_cable_ohm{0.01};
  double cable_per_k{0.0};  ///< of either cable's resistance at 20 degC, per kelvin of ambient temperature
  std::optional<FuseParams> battery_fuse;  ///< between the board and its battery connector
  std::optional<FuseParams> panel_fuse;    ///< in the panel's cable
  StageParams stage;
  BatteryParams battery;
  double load_switch_ohm{0.01};    ///< on-resistance of the load output
  std::vector<LoadParams> loads;   ///< at most kMaxLoads
  std::vector<SenseParams> sense;  ///< at most kMaxSense; order is the order of Probes::sense_v
  void check(Problems& problems) const;
};

/// Of the stage's main switch. A dead driver moves no transistor of the stage at all: in a buck stage the freewheeling
/// transistor is left to its body diode too.
enum class SwitchFaultKind : std::uint8_t { kNone, kStuckOpen, kStuckClosed, kDriverDead };

/// What the world and the device do to the circuit. Constant during one advance(), except the sun, which may ramp.
struct Conditions {
  /// The stage's switch is commanded to conduct, which in a shunt stage shorts the panel; polarity is the caller's
  /// business.
  bool gate_on{false};
  bool load_switch_on{false};
  struct Sun {
    Nanos since{0};        ///< poa_wpm2 holds at this instant
    double poa_wpm2{0.0};  ///< irradiance in the plane of the panel
    double slope_wpm2_per_s{0.0};
    bool operator==(const Sun&) const = default;
  } sun;
  double ambient_degc{25.0};
  bool battery_held_at_temperature{false};
  bool stage_held_at_temperature{false};  ///< its heat sink, whatever the losses
  double battery_held_degc{25.0};
  double stage_held_degc{25.0};
  double supply_v{5.0};  ///< the microcontroller's supply: thermistor pull-ups and pin clamps hang on it
  bool battery_connected{true};
  bool panel_connected{true};
  PanelFaultKind panel_fault{PanelFaultKind::kNone};
  PanelShade panel_shade;    ///< of an array
  double wind_m_per_s{1.0};  ///< across the panel; of no matter where cells settle by NOCT
  double battery_resistance_scale{1.0};
  double battery_cable_scale{1.0};
  double panel_cable_scale{1.0};
  double battery_contact_ohm{0.0};  ///< of a connector that is corroded or loose, beside its cable
  double panel_contact_ohm{0.0};
  struct LoadSetting {
    bool on{false};     ///< the user's own switch on the load
    double scale{1.0};  ///< of its rated current
    bool operator==(const LoadSetting&) const = default;
  };
  std::array<LoadSetting, kMaxLoads> loads{};
  std::array<SenseFaultKind, kMaxSense> sense_faults{};
  SwitchFaultKind switch_fault{SwitchFaultKind::kNone};
  bool operator==(const Conditions&) const = default;
};

/// Energy and charge since the start, by quadrature along the solution. books_residual_j() says how well they close.
struct Books {
  double panel_j{0.0};       ///< out of the panel's terminals
  double wiring_j{0.0};      ///< lost in both cables
  double stage_j{0.0};       ///< lost in the stage's diodes, switches and inductor
  double battery_in_j{0.0};  ///< into the battery's terminals, net
  double loads_j{0.0};       ///< taken by all loads, load switch included, and the board's own draw
  double sense_j{0.0};
  double battery_charge_ah{0.0};  ///< charged, gross
  double battery_discharge_ah{0.0};
  double gassing_ah{0.0};
  double unstored_ah{0.0};  ///< other charge that went in and is not there: self-discharge, and past full
};

enum class GateSeen : std::uint8_t { kNotYet, kOff, kOn };

/// Everything that changes. A plain value: copy it to branch a run.
struct CircuitState {
  Nanos now{0};
  double input_v{0.0};      ///< across the input capacitor
  double bus_v{0.0};        ///< across the output capacitor
  double inductor_a{0.0};   ///< of a buck stage, towards the bus
  double stage_degc{25.0};  ///< of the stage's heat sink, or the ambient where there is none
  BatteryState battery;
  ProtectionState protection;                  ///< of the battery's own board, if it has one
  std::array<double, kMaxLoads> load_state{};  ///< one per load: see load.h
  std::array<double, kMaxSense> sense_v{};     ///< at each ADC pin
  double cell_degc{25.0};
  FuseState battery_fuse, panel_fuse;
  Books books;
  GateSeen gate{GateSeen::kNotYet};  ///< at the end of the last advance, so that an edge is known as one
  double step_hint_s{0.0};           ///< the integrator's last step, so that a run resumes bit for bit
};

/// What can be seen at one instant. Unit suffixes as everywhere.
struct Probes {
  double panel_v{}, panel_a{};
  double input_v{};
  double bus_v{};       ///< battery terminals of the board
  double terminal_v{};  ///< battery's own terminals, whether or not the connector is closed
  double battery_a{};
  double charge_a{};  ///< out of the power stage, into battery and loads together
  double inductor_a{};
  double stage_degc{};
  double load_v{}, load_a{};  ///< all loads; load_v is behind the load switch
  double switched_a{};        ///< of the loads behind it; not a number at an instant that was remembered
  double poa_wpm2{};
  double cell_degc{};
  double battery_degc{};
  double soc_frac{};
  double gassing_a{};
  bool battery_open{false};  ///< taken off its terminals by its own board
  std::array<double, kMaxSense> sense_v{};
};

struct InitialConditions {
  double soc_frac{0.8};
  double battery_degc{25.0};
  double ambient_degc{25.0};
  double poa_wpm2{0.0};
};

/// Of an edge in a load's schedule that falls on the present instant.
enum class ScheduleSide : std::uint8_t { kBefore, kAfter };

/// When a converter looks, and until when conditions are likely to last, which decides how little work it is.
struct Sight {
  Nanos at{0}, until{0};
};

/// What is worked out once from CircuitParams, for the models to use.
struct CircuitParts {
  explicit CircuitParts(const CircuitParams& checked);
  PanelSource panel;
  BlockingBranch branch;
  std::optional<BuckStage> buck;
  Battery battery;
  std::vector<SenseChannel> sense;
};

struct Standing;         // circuit_system.h
struct CircuitRun;       // circuit_run.h
class TransitionMemory;  // transition_memory.h

/// Immutable; all state is the caller's. No call allocates. Thread-safe as a const object. Parameters: checked.
class Circuit {
 public:
  explicit Circuit(const CircuitParams& checked);

  /// At rest: capacitors settled, battery relaxed, sense networks at their resting voltages for `conditions`.
  [[nodiscard]] CircuitState at_rest(const InitialConditions& initial, const Conditions& conditions) const;

  /// Integrates from state.now to `to` (absolute) under constant conditions; observer may be null. `to` at or before
  /// state.now returns at once. Error control keeps bus_v within 0.1 mV of the exact solution at every instant,
  /// and energies and net charge of a PWM cycle within 1e-5; tests/plant/gate_stepper_test.cc measures it. Stretches
  /// of up to 10 ms go by GateStepper, longer ones by the L-stable Rodas3.
  /// With a memory, which goes along with the state, what follows a gate edge like earlier ones is laid down as it is
  /// remembered, up to the next: within 0.1 mV on the bus, as tests/plant/transition_memory_test.cc measures. It also
  /// keeps what the last advances have worked out; a run is the same, bit for bit, if it is watched as often as before.
  AdvanceStatus advance(CircuitState& state, const Conditions& conditions, Nanos to, StepObserver* observer,
                        TransitionMemory* memory = nullptr) const;

  /// For a converter that looks more often than the circuit needs steps: moves state on, but not past the beginning of
  /// the step within which it looks, so that sampled_v() can tell the pins at that instant. Then comes another approach
  /// or advance(), to an instant no earlier; conditions change, and probe() looks, where an advance() has led.
  AdvanceStatus approach(CircuitState& state, const Conditions& conditions, Sight sight, StepObserver* observer,
                         TransitionMemory& memory) const;
  /// Whether that would have nothing to do. Conditions are those of the last approach(), advance() or probe() with this
  /// memory: they are not compared, since a converter asks so often. In transition_memory.h.
  [[nodiscard]] static bool foresees(const CircuitState& state, const Conditions& conditions, Nanos at,
                                     const TransitionMemory& memory);

  /// A conversion at state.now: what the converter of `channel` gets, with `held_v` what it converted last, of whatever
  /// channel. Its sampling capacitor pulls at the pin, which moves in state; that jump is not told to anyone.
  [[nodiscard]] double sampled_v(CircuitState& state, const Conditions& conditions, std::size_t channel,
                                 const AdcInputParams& input, double held_v) const;
  /// The same at the instant of the last approach().
  [[nodiscard]] double sampled_v(CircuitState& state, const Conditions& conditions, std::size_t channel,
                                 const AdcInputParams& input, double held_v, Nanos at, TransitionMemory& memory) const;

  /// The voltages and currents at state.now under `conditions`, which may differ from those of the last advance: that
  /// is how both sides of an edge are seen; on_step() tells of a step's end, the near side of an edge of a schedule.
  [[nodiscard]] Probes probe(const CircuitState& state, const Conditions& conditions,
                             ScheduleSide side = ScheduleSide::kAfter) const;
  /// The same with what is kept: stage temperature and edges as the memory has them. Between advances it changes the
  /// memory, so who looks must look again to repeat a run bit for bit; in an advance's midst it changes nothing.
  [[nodiscard]] Probes probe(const CircuitState& state, const Conditions& conditions, TransitionMemory& memory) const;

  /// Panel energy minus losses, loads, battery and what the capacitors hold; zero but for rounding and quadrature.
  [[nodiscard]] double books_residual_j(const CircuitState& start, const CircuitState& end) const;

  [[nodiscard]] const CircuitParams& params() const { return built_->params; }

 private:
  [[nodiscard]] Standing standing(const CircuitState& state, const Conditions& conditions) const;
  AdvanceStatus run_on(CircuitState& state, const Conditions& conditions, Nanos to, StepObserver* observer,
                       TransitionMemory* memory) const;
  [[nodiscard]] CircuitRun& kept_run(TransitionMemory& memory, const CircuitState& state,
                                     const Conditions& conditions) const;

  struct Built {
    CircuitParams params;
    CircuitParts parts;
  };
  std::shared_ptr<const Built> built_;  // copies of a circuit are one circuit
};

}  // namespace dawnrig::plant
