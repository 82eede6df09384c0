// Judging what a maker declares: voltages that contradict each other cannot be held by any firmware.
#include "harness/base/text.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"

namespace dawnrig::profile {
namespace {

using base::number_text;

struct Voltage {
  const char* name;
  std::optional<double> value_v;
  [[nodiscard]] std::string field() const { return std::string("declared.") + name; }
};

class DeclaredJudge {
 public:
  DeclaredJudge(const BoardProfile& board, Judge& judge) : board_(board), declared_(board.declared), judge_(judge) {}

  void order() {
    const Voltage nominal{"nominal_v", declared_.nominal_v};
    const Voltage absorption{"absorption_v", declared_.absorption_v};
    const Voltage floating{"float_v", declared_.float_v};
    const Voltage over{"over_voltage_v", declared_.over_voltage_v};
    const Voltage sensor_fault{"sensor_fault_v", declared_.sensor_fault_v};
    const Voltage disconnect{"load_disconnect_v", declared_.load_disconnect_v};
    const Voltage reconnect{"load_reconnect_v", declared_.load_reconnect_v};
    above(absorption, nominal);
    above(over, absorption);
    if (declared_.float_v > declared_.absorption_v && both(floating, absorption)) {
      complain(floating, "must not be above", absorption);
    }
    above(over, sensor_fault);
    above(declared_.float_v ? floating : absorption, reconnect);
    above(reconnect, disconnect);
    const Voltage equalise{"equalise_v", declared_.equalise_v};
    const Voltage rebulk{"rebulk_v", declared_.rebulk_v};
    const Voltage load_high{"load_high_v", declared_.load_high_v};
    if (declared_.equalise_v && *declared_.equalise_v < declared_.absorption_v && both(equalise, absorption)) {
      complain(equalise, "must not be below", absorption);
    }
    above(over, equalise);
    above(declared_.float_v ? floating : absorption, rebulk);
    above(rebulk, disconnect);
    above(load_high, absorption);
    if (!declared_.load_reconnect_v) above(declared_.float_v ? floating : absorption, disconnect);
    if (judge_.trusts("stage.max_bus_v") && judge_.trusts(over.field()) &&
        !(board_.stage.max_bus_v > declared_.over_voltage_v)) {
      judge_.complain("stage.max_bus_v", "is " + number_text(board_.stage.max_bus_v) +
                                             ", must be above over_voltage_v (" +
                                             number_text(declared_.over_voltage_v) + ")");
    }
  }

  void cold() {
    if (!judge_.trusts("declared.compensation_v_per_k") || !judge_.trusts("declared.compensation_lowest_degc")) return;
    if (!judge_.trusts("declared.absorption_v") || !judge_.trusts("declared.over_voltage_v")) return;
    const double coldest_degc = *declared_.compensation_lowest_degc;
    const double highest_v = declared_.absorption_v_at(coldest_degc);
    if (highest_v < declared_.over_voltage_v) return;
    judge_.complain("declared.compensation_lowest_degc",
                    "puts the absorption set point at " + number_text(highest_v, 3) + " V at " +
                        number_text(coldest_degc) + " degC, must stay below over_voltage_v (" +
                        number_text(declared_.over_voltage_v) + ")");
  }

  void heat_sink() {
    for (const char* name : {"heat_sink_derate_degc", "heat_sink_hottest_degc"}) {
      const std::string field = std::string("declared.") + name;
      if (judge_.trusts(field) && board_.channel_for(Quantity::kHeatSinkTemperature) == nullptr) {
        judge_.complain(field, "is declared, but the board has no channel with quantity HEAT_SINK_TEMPERATURE");
      }
    }
    if (!judge_.trusts("declared.heat_sink_derate_degc") || !judge_.trusts("declared.heat_sink_hottest_degc")) return;
    if (*declared_.heat_sink_derate_degc < *declared_.heat_sink_hottest_degc) return;
    judge_.complain("declared.heat_sink_derate_degc", "is " + number_text(*declared_.heat_sink_derate_degc) +
                                                          ", must be below heat_sink_hottest_degc (" +
                                                          number_text(*declared_.heat_sink_hottest_degc) + ")");
  }

  // A figure that means nothing without another one.
  void needs(const char* name, const char* other) {
    const std::string needed = std::string("declared.") + other;
    // Misspelt is not the same as not declared: a complaint about the other is enough then.
    if (judge_.trusts(std::string("declared.") + name) && judge_.knows_absent(needed)) {
      judge_.complain(std::string("declared.") + name, std::string("means nothing without ") + other);
    }
  }

  void load_figures() {
    for (const char* name : {"load_disconnect_v", "load_reconnect_v"}) {
      const std::string field = std::string("declared.") + name;
      if (judge_.trusts(field) && judge_.knows_absent("load_output")) {
        judge_.complain(field, "is declared, but the board has no load_output");
      }
    }
  }

 private:
  [[nodiscard]] bool both(const Voltage& a, const Voltage& b) const {
    return a.value_v && b.value_v && judge_.trusts(a.field()) && judge_.trusts(b.field());
  }
  void complain(const Voltage& a, const char* must, const Voltage& b) {
    judge_.complain(
        a.field(), "is " + number_text(*a.value_v) + ", " + must + " " + b.name + " (" + number_text(*b.value_v) + ")");
  }
  void above(const Voltage& upper, const Voltage& lower) {
    if (both(upper, lower) && !(*upper.value_v > *lower.value_v)) complain(upper, "must be above", lower);
  }

  const BoardProfile& board_;
  const Declared& declared_;
  Judge& judge_;
};

}  // namespace

void judge_declared(const BoardProfile& board, Judge& judge) {
  DeclaredJudge declared(board, judge);
  declared.needs("compensation_lowest_degc", "compensation_v_per_k");
  declared.needs("compensation_highest_degc", "compensation_v_per_k");
  declared.needs("heat_sink_resume_k", "heat_sink_hottest_degc");
  declared.needs("rebulk_v", "rebulk_delay_s");
  declared.needs("equalise_v", "equalise_longest_s");
  declared.needs("load_compensation_ohm", "load_disconnect_v");
  declared.needs("load_holdoff_s", "load_reconnect_v");
  declared.needs("load_high_v", "load_high_delay_s");
  declared.needs("load_overload_a", "load_overload_delay_s");
  declared.needs("load_short_a", "load_short_delay_s");
  declared.needs("load_reconnect_v", "load_disconnect_v");
  declared.needs("load_disconnect_delay_s", "load_disconnect_v");
  declared.needs("load_reconnect_delay_s", "load_reconnect_v");
  declared.load_figures();
  declared.heat_sink();
  declared.order();
  declared.cold();
}

}  // namespace dawnrig::profile
