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

    def mutant(self, name, tests, revision="a"):
        return self.judge((IMAGES / f"reference_device/mutants/{name}_{revision}.elf", PROFILES / f"ridge_repeater_{revision}.textproto",
                           RIDGE_SITE), tests=tests)

    def assert_found(self, done, *ids):
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        failed = {requirement for verdict, requirement in self.verdicts(done) if verdict == "FAIL"}
        for requirement in ids:
            self.assertIn(requirement, failed, done.stdout)
        self.assertNotIn(("INVALID", ids[0]), self.verdicts(done))


class ReferenceDevice(JudgeTest):

    def test_both_revisions_pass_the_whole_suite(self):
        devices = [(IMAGES / f"reference_device/ridge_{r}.elf", PROFILES / f"ridge_repeater_{r}.textproto", RIDGE_SITE) for r in "ab"]
        done = self.judge(*devices)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        verdicts = self.verdicts(done)
        self.assertEqual({v for v, _ in verdicts}, {"PASS"}, done.stdout)
        wanted = set(re.findall(r'^  id: "([A-Z0-9-]+)"', REQUIREMENTS.read_text(encoding="utf-8"), re.MULTILINE))
        for requirement in wanted:
            self.assertEqual([r for _, r in verdicts].count(requirement), 2, f"{requirement} was not judged on both revisions")
        report = (self.root / "out/report.html").read_text(encoding="utf-8")
        for requirement in wanted:
            self.assertIn(requirement, report)
        self.assertNotRegex(report, r'(src|href)="https?:', "the report must stand alone")
        junit = list((self.root / "out").glob("*/junit/*.xml"))
        self.assertEqual(len(junit), 40, "one file per test and revision")
        for file in junit:
            self.assertEqual(xml.etree.ElementTree.parse(file).getroot().get("failures"), "0", file)


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


class OtherDevices(JudgeTest):
    """Firmware written by others' habits runs through the same tests by its profile alone."""

    QUICK = "Regulation.Takes*:Faults.BatterySenseWire*:Faults.NightFalls:Regulation.NeitherHunts*"

    def test_a_sketch_on_the_packaged_core(self):
        done = self.judge((IMAGES / "core_device/core_device.elf", PROFILES / "core_device.textproto", PROFILES / "core_device_site.textproto"),
                          tests=self.QUICK)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)

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
