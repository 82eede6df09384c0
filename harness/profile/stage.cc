// The power stage of a board, whichever of the three it is.
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/board.pb.h"

namespace dawnrig::profile {
namespace {

plant::DiodeParams diode(const proto::Diode& written) {
  plant::DiodeParams params;
  params.saturation_current_a = written.saturation_current_a().value();
  params.emission_coefficient = written.emission_coefficient().value();
  params.series_resistance_ohm = written.series_resistance_ohm().value();
  params.follows_temperature = written.has_temperature();
  const proto::DiodeTemperature& warm = written.temperature();
  params.energy_gap_ev = value(warm.has_energy_gap_ev(), warm.energy_gap_ev()).value_or(0.69);
  params.saturation_exponent = value(warm.has_saturation_exponent(), warm.saturation_exponent()).value_or(2);
  return params;
}

// What every stage has.
template <class Written>
void read_common(const Written& written, plant::StageParams& params) {
  params.input_capacitance_f = written.input_capacitance_f().value();
  params.output_capacitance_f = written.output_capacitance_f().value();
  params.switch_on_resistance_ohm = written.switch_on_resistance_ohm().value();
  params.switch_per_k = written.switch_per_k().value();
  if (written.has_blocking_diode()) params.blocking_diode = diode(written.blocking_diode());
  params.quiescent_a = written.quiescent_a().value();
}

plant::BuckParams buck(const proto::Buck& written) {
  plant::BuckParams params;
  params.inductance_henry = written.inductance_henry().value();
  params.winding_ohm = written.winding_ohm().value();
  params.core_ohm = value(written.has_core_ohm(), written.core_ohm()).value_or(2000);
  if (written.freewheel() == proto::Buck::UNTIL_ZERO) params.freewheel = plant::Freewheel::kUntilZero;
  if (written.freewheel() == proto::Buck::COMPLEMENTARY) params.freewheel = plant::Freewheel::kComplementary;
  if (written.has_freewheel_ohm()) params.freewheel_ohm = written.freewheel_ohm().value();
  params.freewheel_diode = diode(written.freewheel_diode());
  params.blocks_reverse = written.has_blocking_diode();
  if (written.has_body_diode()) params.body_diode = diode(written.body_diode());
  return params;
}

// Fields that need or exclude one another.
void judge_buck(const proto::Buck& written, Judge& judge) {
  const std::string at = "stage.buck.";
  if (judge.trusts(at + "freewheel")) {
    const bool transistor = written.freewheel() != proto::Buck::DIODE;
    if (transistor && judge.knows_absent(at + "freewheel_ohm")) {
      judge.complain(at + "freewheel_ohm", "is missing, must be given for a transistor (freewheel: " +
                                               proto::Buck::Freewheel_Name(written.freewheel()) + ")");
    }
    if (!transistor && judge.trusts(at + "freewheel_ohm")) {
      judge.complain(at + "freewheel_ohm", "is the resistance of a transistor, but freewheel is DIODE");
    }
  }
  if (judge.trusts(at + "blocking_diode") && judge.trusts(at + "body_diode")) {
    judge.complain(at + "body_diode", "never conducts behind blocking_diode, must be left out, or that one");
  }
}

}  // namespace

plant::StageParams stage_params(const proto::PowerStage& written) {
  plant::StageParams params;
  if (written.has_shunt_pwm()) {
    params.topology = plant::ShuntPwmParams{};
    read_common(written.shunt_pwm(), params);
  } else if (written.has_buck()) {
    params.topology = buck(written.buck());
    read_common(written.buck(), params);
  } else {
    read_common(written.series_pwm(), params);
  }
  if (written.has_heat_sink()) {
    params.heat_sink = plant::HeatSinkParams{written.heat_sink().resistance_k_per_w().value(),
                                             written.heat_sink().heat_capacity_j_per_k().value()};
  }
  params.max_bus_v = written.max_bus_v().value();
  return params;
}

void judge_stage(const proto::PowerStage& written, const plant::StageParams& stage, Judge& judge) {
  plant::Problems all;
  stage.check(all);
  plant::Problems inside;
  plant::Problems around;
  for (const plant::Problem& problem : all.list()) {
    const bool of_any = problem.field == "max_bus_v" || problem.field.starts_with("heat_sink.");
    (of_any ? around : inside).add(problem.field, problem.message);
  }
  judge.pass_on(inside, written.has_shunt_pwm() ? "stage.shunt_pwm"
                        : written.has_buck()    ? "stage.buck"
                                                : "stage.series_pwm");
  judge.pass_on(around, "stage");
  if (written.has_buck()) judge_buck(written.buck(), judge);
}

}  // namespace dawnrig::profile
