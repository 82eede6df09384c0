// Panels: five parameters as they are written, or an array worked out from its modules' data sheet.
#include "harness/profile/panel_reading.h"
#include "harness/profile/reading.h"
#include "plant/panel/datasheet.h"
#include "proto/site.pb.h"

namespace dawnrig::profile {
namespace {

constexpr int kUsualCellsPerDiode = 24;

plant::PanelParams single_diode(const proto::SingleDiode& written) {
  plant::PanelParams params;
  params.light_current_a = written.light_current_a().value();
  params.saturation_current_a = written.saturation_current_a().value();
  params.modified_ideality_v = written.modified_ideality_v().value();
  params.series_resistance_ohm = written.series_resistance_ohm().value();
  params.shunt_resistance_ohm = written.shunt_resistance_ohm().value();
  params.short_circuit_tempco_a_per_k = written.short_circuit_tempco_a_per_k().value();
  return params;
}

int count_or(int written, int absent) {
  return written == 0 ? absent : written;
}

// Fits one module and sets up the array. Nothing is fitted to figures that contradict each other.
void from_datasheet(const proto::Datasheet& written, ReadPanel& panel) {
  plant::DatasheetParams label;
  label.short_circuit_a = written.short_circuit_a().value();
  label.open_circuit_v = written.open_circuit_v().value();
  label.peak_a = written.peak_a().value();
  label.peak_v = written.peak_v().value();
  label.short_circuit_tempco_a_per_k = written.short_circuit_tempco_a_per_k().value();
  label.open_circuit_tempco_v_per_k = written.open_circuit_tempco_v_per_k().value();
  label.cells = written.cells();
  const int modules = count_or(written.modules_in_series(), 1);
  const int strings = count_or(written.strings(), 1);
  const int diodes =
      count_or(written.bypass_diodes(), (written.cells() + kUsualCellsPerDiode - 1) / kUsualCellsPerDiode);
  label.check(panel.of_datasheet);
  if (!panel.of_datasheet.empty()) return;
  if (label.cells % diodes != 0) {
    panel.of_datasheet.add("bypass_diodes", "is " + std::to_string(diodes) + ", must divide the " +
                                                std::to_string(label.cells) + " cells evenly");
  }
  if (modules * diodes * strings > static_cast<int>(plant::kMaxSubstrings)) {
    panel.of_datasheet.add("modules_in_series", "makes " + std::to_string(modules * diodes * strings) +
                                                    " sub-strings in all, must be at most " +
                                                    std::to_string(plant::kMaxSubstrings));
  }
  if (!panel.of_datasheet.empty()) return;
  const auto fit = plant::fit_datasheet(label, panel.of_datasheet);
  if (!fit) return;
  panel.whole = plant::field_of(fit->module, modules, strings);
  plant::ArrayParams array;
  array.substring = fit->module;
  array.substring.modified_ideality_v /= diodes;
  array.substring.series_resistance_ohm /= diodes;
  array.substring.shunt_resistance_ohm /= diodes;
  array.series = modules * diodes;
  array.strings = strings;
  array.bypass.forward_a = label.short_circuit_a;
  if (written.has_bypass_forward_v()) array.bypass.forward_v = written.bypass_forward_v().value();
  panel.array = array;
}

}  // namespace

ReadPanel panel_of(const proto::Panel& written) {
  ReadPanel panel;
  if (written.has_datasheet()) {
    from_datasheet(written.datasheet(), panel);
  } else {
    panel.whole = single_diode(written.single_diode());
  }
  panel.whole.noct_degc = value(written.has_noct_degc(), written.noct_degc()).value_or(45);
  if (written.has_faiman()) {
    panel.whole.faiman = plant::FaimanParams{written.faiman().still_wpm2_per_k().value(),
                                             written.faiman().wind_wpm2_per_k_per_m_per_s().value()};
  }
  return panel;
}

}  // namespace dawnrig::profile
