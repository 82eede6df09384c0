"""The main job, as a user does it: devices judged by the acceptance suite, and seeded bugs found by the right requirement.

usage: judge_test.py BUILD_FOLDER [unittest arguments]
"""
import pathlib
import re
import subprocess
import sys
import unittest
import xml.etree.ElementTree

from tree import PROJECT, TreeTest

BUILD = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else PROJECT / "build/release"
DAWNRIG = BUILD / "harness/cli/dawnrig"
IMAGES = BUILD / "fixtures"
PROFILES = PROJECT / "fixtures/profiles"
REQUIREMENTS = PROJECT / "fixtures/requirements/charge_controller.textproto"
RIDGE_SITE = PROFILES / "ridge_repeater_site.textproto"
ALWAYS_BUILT = (PROJECT / "fixtures/reference_device/mutants/always_built.txt").read_text(encoding="utf-8").splitlines()


class JudgeTest(TreeTest):

    def judge(self, *devices, tests="*"):
        """Judges (image, board, site) triples; returns exit code, printed table, and (revision or name, id) -> verdict rows."""
        arguments = []
        for image, board, site in devices:
            arguments += ["--firmware", image, "--board", board, "--site", site]
        return subprocess.run([DAWNRIG, "judge", *arguments, "--requirements", REQUIREMENTS, "--out", self.root / "out", "--filter", tests],
                              capture_output=True, text=True, check=False)

    def verdicts(self, done):
        return re.findall(r"^(PASS|FAIL|INVALID|VACUOUS) +([A-Z0-9-]+) ", done.stdout, re.MULTILINE)

    def mutant_image(self, name, revision="a"):
        """An image that ci/mutants once left in this folder is not there on the next machine."""
        self.assertIn(name, ALWAYS_BUILT, "name it in always_built.txt")
        return IMAGES / f"reference_device/mutants/{name}_{revision}.elf"

    def mutant(self, name, tests, revision="a"):
        return self.judge((self.mutant_image(name, revision), PROFILES / f"ridge_repeater_{revision}.textproto",
                           RIDGE_SITE), tests=tests)

    def assert_found(self, done, *ids):
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        failed = {requirement for verdict, requirement in self.verdicts(done) if verdict == "FAIL"}
        for requirement in ids:
            self.assertIn(requirement, failed, done.stdout)
        self.assertNotIn(("INVALID", ids[0]), self.verdicts(done))


# What the ridge repeater's boards with a lead-acid battery do not declare: other devices are judged by it.
NOT_OF_THE_RIDGE = {"REGULATION-HYSTERESIS", "REGULATION-HYSTERESIS-TEMPERATURE", "COLD-NO-CHARGE", "COLD-RESUMES", "SENSOR-LOST-NO-CHARGE",
                    "ASLEEP-GATE", "ASLEEP-FLAG", "AWAKE-CHARGES"}


class ReferenceDevice(JudgeTest):

    def test_both_revisions_pass_the_whole_suite(self):
        devices = [(IMAGES / f"reference_device/ridge_{r}.elf", PROFILES / f"ridge_repeater_{r}.textproto", RIDGE_SITE) for r in "ab"]
        done = self.judge(*devices)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        verdicts = self.verdicts(done)
        self.assertEqual({v for v, _ in verdicts}, {"PASS"}, done.stdout)
        wanted = set(re.findall(r'^  id: "([A-Z0-9-]+)"', REQUIREMENTS.read_text(encoding="utf-8"), re.MULTILINE))
        for requirement in wanted - NOT_OF_THE_RIDGE:
            self.assertEqual([r for _, r in verdicts].count(requirement), 2, f"{requirement} was not judged on both revisions")
        report = (self.root / "out/report.html").read_text(encoding="utf-8")
        for requirement in wanted:
            self.assertIn(requirement, report)
        self.assertNotRegex(report, r'(src|href)="https?:', "the report must stand alone")
        junit = list((self.root / "out").glob("*/junit/*.xml"))
        suite = subprocess.run([BUILD / "tests/acceptance/acceptance", "--gtest_list_tests"], capture_output=True, text=True, check=True)
        tests = len(re.findall(r"^  \w+", suite.stdout, re.MULTILINE))
        self.assertEqual(len(junit), 2 * tests, "one file per test and revision")
        for file in junit:
            self.assertEqual(xml.etree.ElementTree.parse(file).getroot().get("failures"), "0", file)


class Smoke(JudgeTest):
    """Half a minute before the whole suite: the set point, the load output, and the faults that end a battery."""

    def test_both_revisions_do_what_matters_most(self):
        devices = [(IMAGES / f"reference_device/ridge_{r}.elf", PROFILES / f"ridge_repeater_{r}.textproto", RIDGE_SITE) for r in "ab"]
        done = self.judge(*devices, tests="Regulation.Takes*:Regulation.HoldsTheAbs*:LoadOutput.Feeds*:LoadOutput.OpensAfter*:Faults.BatteryComes*:"
                                          "Faults.BatterySenseWireComesOff:Faults.NightFalls:Electronics.TheGateIsOff*")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertEqual(len(self.verdicts(done)), 2 * 11)


class Drift(JudgeTest):
    """Two builds whose float voltages lie 20 mV apart."""

    TESTS = "Stages.GoesFrom*:Regulation.Takes*"

    def folder_of(self, image, name):
        done = subprocess.run([DAWNRIG, "judge", "--firmware", image, "--board", PROFILES / "ridge_repeater_a.textproto", "--site", RIDGE_SITE,
                               "--requirements", REQUIREMENTS, "--out", self.root / name, "--filter", self.TESTS],
                              capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        return self.root / name

    def drift(self, accepted, today, *more):
        return subprocess.run([DAWNRIG, "drift", "--accepted", accepted, "--today", today, *more], capture_output=True, text=True, check=False)

    def test_tells_a_float_of_20_mv_more_and_names_it_first(self):
        accepted = self.folder_of(IMAGES / "reference_device/ridge_a.elf", "accepted")
        today = self.folder_of(self.mutant_image("float_20_mv_high"), "today")
        page = self.root / "drift.html"
        done = self.drift(accepted, today, "--page", page)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertRegex(done.stdout.splitlines()[0], r"^SETPOINT-FLOAT .* \+0\.0[12]\d* V ")
        text = page.read_text(encoding="utf-8")
        self.assertIn("SETPOINT-FLOAT", text)
        self.assertIn("<svg", text)
        self.assertEqual(self.drift(accepted, today, "--share", "0.01").returncode, 1, "a margin of 0.29 V that loses 0.02 V loses 7 %")
        same = self.drift(accepted, accepted)
        self.assertEqual(same.returncode, 0)
        self.assertRegex(same.stdout, r"^0 of \d+ figures moved")
        nowhere = self.drift(accepted, self.root / "nowhere")
        self.assertEqual(nowhere.returncode, 3)
        self.assertIn("nowhere", nowhere.stderr)


class SeededBugs(JudgeTest):

    def test_a_duty_that_wraps_at_255(self):
        self.assert_found(self.mutant("m30_duty_wraps", "Regulation.Takes*"), "BULK-CHARGE")

    def test_a_wrong_divisor(self):
        for revision in "ab":
            self.assert_found(self.mutant("m20_calibration_inverted", "Regulation.HoldsTheAbsorption*", revision), "SETPOINT-ABSORPTION")

    def test_a_temperature_coefficient_of_the_wrong_sign(self):
        self.assert_found(self.mutant("temperature_sign", "Stages.Follow*"), "COMPENSATION-SLOPE")

    def test_no_shutdown_on_an_open_sense_wire(self):
        self.assert_found(self.mutant("no_shutdown_on_open_sense", "Faults.BatterySenseWireComesOff"), "SENSE-OPEN-GATE-OFF")

    def test_a_float_voltage_two_per_cent_high(self):
        self.assert_found(self.mutant("float_two_percent_high", "Stages.GoesFrom*"), "SETPOINT-FLOAT")

    def test_a_battery_that_flows_back_at_night_through_a_leaking_diode(self):
        """What no firmware on the sound board can do."""
        board = (PROFILES / "ridge_repeater_a.textproto").read_text(encoding="utf-8")
        leaking = board.replace("saturation_current_a: {value: 2e-6", "saturation_current_a: {value: 0.01")
        self.assertNotEqual(leaking, board)
        done = self.judge((self.mutant_image("m14_gate_on_at_night"),
                           self.write("leaking.textproto", leaking.replace('"../', f'"{PROFILES.parent}/')), RIDGE_SITE),
                          tests="Faults.NightFalls")
        self.assert_found(done, "NIGHT-REVERSE-CHARGE", "NIGHT-GATE-OFF")


class OtherDevices(JudgeTest):
    """Firmware written by others' habits runs through the same tests by its profile alone."""

    QUICK = "Regulation.Takes*:Faults.BatterySenseWire*:Faults.NightFalls:Regulation.NeitherHunts*"

    def test_a_sketch_on_the_packaged_core(self):
        done = self.judge((IMAGES / "core_device/core_device.elf", PROFILES / "core_device.textproto", PROFILES / "core_device_site.textproto"),
                          tests=self.QUICK)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)

    def test_a_two_step_regulator_by_the_same_bounds(self):
        done = self.judge((IMAGES / "two_step_device/two_step_device.elf", PROFILES / "two_step_device.textproto",
                           PROFILES / "bare_device_site.textproto"), tests="Regulation.*")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertIn(("PASS", "REGULATION-HYSTERESIS"), self.verdicts(done))
        self.assertNotIn("RIPPLE-DUTY", done.stdout, "it has no duty")

    def test_the_same_image_on_a_12_v_battery_and_on_lithium(self):
        image = IMAGES / "reference_device/ridge_a.elf"
        done = self.judge((image, PROFILES / "ridge_repeater_a_12v.textproto", PROFILES / "ridge_repeater_12v_site.textproto"),
                          (image, PROFILES / "ridge_repeater_lithium.textproto", PROFILES / "ridge_repeater_lithium_site.textproto"),
                          tests="Regulation.Takes*:Regulation.HoldsTheAbs*:LoadOutput.Feeds*:LoadOutput.OpensAfter*:BatteryTemperature.*:SleepingBattery.*:"
                                "AbsorptionAndAfter.Clouds*:Wiring.ASwitchThat*")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        for requirement in ("COLD-NO-CHARGE", "COLD-RESUMES", "SENSOR-LOST-NO-CHARGE", "ASLEEP-GATE", "ASLEEP-FLAG", "AWAKE-CHARGES",
                            "ABSORPTION-CLOUD-TIME", "SWITCH-WELDED-FLAG"):
            self.assertIn(("PASS", requirement), self.verdicts(done))

    def test_a_bare_image_with_20_khz_pwm(self):
        done = self.judge((IMAGES / "bare_device/bare_device.elf", PROFILES / "bare_device.textproto", PROFILES / "bare_device_site.textproto"),
                          tests="Regulation.Takes*:Faults.BatterySenseWireComesOff")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)


class CrashedFirmware(JudgeTest):

    def test_an_image_of_illegal_instructions_is_a_verdict(self):
        # 0xFF01 is no AVR instruction; the reset vector holds nothing else.
        data = [0x01, 0xFF] * 8
        record = [len(data), 0, 0, 0, *data]
        line = ":" + "".join(f"{b:02X}" for b in record) + f"{-sum(record) & 0xFF:02X}"
        image = self.write("broken.hex", line + "\n:00000001FF\n")
        done = self.judge((image, PROFILES / "ridge_repeater_a.textproto", RIDGE_SITE), tests="Regulation.Takes*")
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        self.assertIn("crashed", (self.root / "out/report.html").read_text(encoding="utf-8"))


if __name__ == "__main__":
    unittest.main()
