"""ci/check_units.py finds numbers whose names carry no unit, and lets the project's ways of writing units pass."""
import unittest

from tree import PROJECT, TreeTest

WITHOUT = (
    ("plant/circuit.h", "  double resistance{1.0};", "resistance"),
    ("plant/circuit.h", "  double bus_v{}, current{};", "current"),
    ("plant/circuit.h", "  double current_;", "current_"),
    ("plant/circuit.h", "void set(double bus_v, double power);", "power"),
    ("plant/circuit.h", "[[nodiscard]] double terminal(const State& state);", "terminal"),
    ("plant/circuit.h", "  double heat_per_c{0};", "heat_per_c"),
    ("plant/circuit.h", "  double level_c{0};", "level_c"),
    ("plant/circuit.h", "inline constexpr double kGasOnset = 2.35;", "kGasOnset"),
    ("harness/profile/profile.h", "  std::optional<double> float_v, absorption_time;", "absorption_time"),
    ("harness/profile/profile.h", "  std::optional<double> float_v,\n      delay;", "delay"),
    ("harness/profile/profile.h", "  std::array<double, 4> sense{};", "sense"),
    ("harness/profile/profile.h", "  std::vector<double> samples;", "samples"),
    ("proto/site.proto", "  Parameter resistance = 1;", "resistance"),
    ("proto/site.proto", "  optional double current = 2;", "current"),
    ("proto/site.proto", "  repeated float sample = 3;", "sample"),
    ("proto/site.proto", "  int64 interval = 4;", "interval"),
)
WITH = (
    ("plant/circuit.h", "  double r_series_ohm{1.0}, ocv_tempco_v_per_k{0};"),
    ("plant/circuit.h", "  double gassing_a_per_100ah{0}, slope_wpm2_per_s{0}, acceptance_per_soc{0}, k_per_w{0};"),
    ("plant/circuit.h", "  double bus_v_;"),
    ("plant/circuit.h", "inline constexpr double kGasOnsetV = 2.35;"),
    ("plant/circuit.h", "  double& operator[](int index);"),
    ("plant/circuit.h", "  // a double of this"),
    ("harness/profile/profile.h", "  double absorption_v_at(double battery_degc) const;"),
    ("harness/profile/profile.h", "  std::array<double, kMaxSense> sense_v{};"),
    ("harness/testing/units.h", '  constexpr Volts operator""_V(long double v);'),
    ("harness/verdict/monitor.h", "  double level_{0};"),
    ("proto/site.proto", "  double degc = 1;"),
    ("proto/site.proto", "  int64 time_ns = 2;"),
    ("proto/site.proto", "  optional double value = 3;"),
)


class Units(TreeTest):

    def test_each_number_without_a_unit_is_found(self):
        for path, line, name in WITHOUT:
            with self.subTest(line=line):
                file = self.write(path, f"// First line.\n{line}\n")
                code, lines = self.run_check("check_units.py", self.root)
                file.unlink()
                self.assertEqual(code, 1)
                self.assertEqual(len(lines), 1, lines)
                place = 2 + line[:line.index(name)].count("\n")
                self.assertTrue(lines[0].startswith(f"{path}:{place}: "), lines[0])
                self.assertIn(f"'{name}'", lines[0])

    def test_units_and_reasoned_names_pass(self):
        for path, line in WITH:
            with self.subTest(line=line):
                file = self.write(path, line + "\n")
                self.assertEqual(self.run_check("check_units.py", self.root), (0, []))
                file.unlink()

    def test_every_number_of_this_house_carries_its_unit(self):
        self.assertEqual(self.run_check("check_units.py", PROJECT), (0, []))


if __name__ == "__main__":
    unittest.main()
