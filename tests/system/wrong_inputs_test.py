"""Wrong inputs, one at a time: each gives one clear message on standard error and exit code 3, and writes nothing.

usage: wrong_inputs_test.py BUILD_FOLDER [unittest arguments]
"""
import os
import pathlib
import re
import resource
import subprocess
import sys
import unittest

from tree import PROJECT, TreeTest

BUILD = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else PROJECT / "build/release"
DAWNRIG = BUILD / "harness/cli/dawnrig"
PROFILES = PROJECT / "fixtures/profiles"
BOARD = (PROFILES / "ridge_repeater_a.textproto").read_text(encoding="utf-8").replace(
    "../reference_device", str(PROJECT / "fixtures/reference_device"))
SITE = (PROFILES / "ridge_repeater_site.textproto").read_text(encoding="utf-8")
LIMITS = (PROJECT / "fixtures/requirements/charge_controller.textproto").read_text(encoding="utf-8")
IMAGE = BUILD / "fixtures/reference_device/ridge_a.elf"
SCENARIO = 'name: "noon" duration_s: 2 initial { poa_wpm2: 800 }\n'


def changed(text, pattern, replacement):
    """The text with its first match replaced; that there is one is part of the test."""
    result, count = re.subn(pattern, replacement, text, count=1)
    assert count == 1, f"nothing matches {pattern}"
    return result


class NoonTest(TreeTest):
    """One rig's worth of right files in a folder of its own, to be spoilt one by one."""

    def setUp(self):
        super().setUp()
        self.files = {
            "board": self.write("board.textproto", BOARD), "site": self.write("site.textproto", SITE),
            "requirements": self.write("limits.textproto", LIMITS), "scenario": self.write("noon.textproto", SCENARIO),
            "firmware": self.root / "fw.elf", "trace": self.root / "noon.trace"}
        self.files["firmware"].write_bytes(IMAGE.read_bytes())

    def run_noon(self, limit_bytes=None, **other):
        files = {**self.files, **other}
        limit = None
        if limit_bytes is not None:
            def limit():
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
        return subprocess.run(
            [DAWNRIG, "run", files["scenario"], "--firmware", files["firmware"], "--board", files["board"], "--site", files["site"],
             "--requirements", files["requirements"], "--trace", files["trace"]],
            capture_output=True, text=True, check=False, cwd=self.root, preexec_fn=limit, timeout=120)


class WrongInput(NoonTest):

    def refused(self, *words, lines=1, **other):
        """Runs, expects code 3 and one message holding all the words; no trace is left."""
        done = self.run_noon(**other)
        self.assertEqual(done.returncode, 3, done.stdout + done.stderr)
        self.assertEqual(len(done.stderr.strip().splitlines()), lines, done.stderr)
        for word in words:
            self.assertIn(word, done.stderr)
        self.assertNotIn("terminate", done.stderr)
        self.assertFalse((self.root / "noon.trace").exists(), "a refused run must leave no trace behind")

    def test_00_the_right_files_run(self):
        done = self.run_noon()
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)

    # --- the image -------------------------------------------------------------------------------------------------------

    def test_01_a_truncated_image(self):
        self.files["firmware"].write_bytes(IMAGE.read_bytes()[:5000])
        self.refused("fw.elf")

    def test_02_an_image_for_another_microcontroller(self):
        self.write("board.textproto", BOARD.replace('"atmega328p"', '"atmega2560"'))
        done = self.run_noon()
        self.assertEqual(done.returncode, 3)
        self.assertIn("atmega2560", done.stderr)

    def test_03_a_program_of_this_computer(self):
        self.refused("true", firmware="/usr/bin/true")

    def test_04_a_hex_line_with_a_wrong_checksum(self):
        lines = (BUILD / "fixtures/reference_device/ridge_a.hex").read_text(encoding="ascii").splitlines()
        lines[3] = lines[3][:-1] + ("0" if lines[3][-1] != "0" else "1")
        self.refused("fw.hex", "4", firmware=self.write("fw.hex", "\n".join(lines) + "\n"))

    def test_05_an_empty_image(self):
        self.files["firmware"].write_bytes(b"")
        self.refused("fw.elf", "empty")

    # --- files that are none ---------------------------------------------------------------------------------------------

    def test_06_a_missing_file(self):
        self.refused("no_such_board.textproto", board="no_such_board.textproto")

    def test_07_a_directory(self):
        (self.root / "folder").mkdir()
        self.refused("folder", site="folder")

    def test_08_an_empty_file(self):
        self.write("site.textproto", "")
        done = self.run_noon()
        self.assertEqual(done.returncode, 3)
        self.assertIn("site.textproto", done.stderr)

    def test_09_bytes_that_are_no_text(self):
        (self.root / "board.textproto").write_bytes(bytes(range(256)))
        done = self.run_noon()
        self.assertEqual(done.returncode, 3)
        self.assertIn("board.textproto", done.stderr)

    # --- the board ---------------------------------------------------------------------------------------------------------

    def test_10_a_negative_resistance(self):
        self.write("board.textproto", changed(BOARD, r"switch_on_resistance_ohm: \{value: [\d.e-]+", "switch_on_resistance_ohm: {value: -0.01"))
        self.refused("board.textproto:", "switch_on_resistance_ohm", "-0.01")

    def test_11_a_misspelt_field(self):
        self.write("board.textproto", changed(BOARD, r"\n    r_top_ohm", "\n    r_topp_ohm"))
        self.refused("board.textproto:", "r_topp_ohm", "r_top_ohm")

    def test_12_another_unit_in_the_name(self):
        self.write("board.textproto", changed(BOARD, r"\n    r_top_ohm", "\n    r_top_kohm"))
        self.refused("board.textproto:", "r_top_kohm", "r_top_ohm")

    def test_13_a_gate_pin_that_the_part_lacks(self):
        self.write("board.textproto", changed(BOARD, r'gate \{pin: "PB1"', 'gate {pin: "PE4"'))
        self.refused("board.textproto:", "gate.pin", "PE4")

    def test_14_a_sense_network_that_saturates_below_the_over_voltage_limit(self):
        self.write("board.textproto", changed(BOARD, r"r_bottom_ohm: \{value: 15e3", "r_bottom_ohm: {value: 25e3"))
        self.refused("board.textproto:", "over_voltage_v")

    def test_15_a_part_that_nobody_makes(self):
        self.write("board.textproto", BOARD.replace('"atmega328p"', '"atmega329q"'))
        done = self.run_noon()
        self.assertEqual(done.returncode, 3)
        self.assertIn("atmega329q", done.stderr)

    # --- the site ----------------------------------------------------------------------------------------------------------

    def test_16_a_battery_of_no_capacity(self):
        self.write("site.textproto", changed(SITE, r"capacity_ah: \{value: [\d.]+", "capacity_ah: {value: 0"))
        self.refused("site.textproto:", "capacity_ah")

    def test_17_a_battery_of_another_nominal_voltage(self):
        self.write("site.textproto", changed(SITE, r"cells: \{value: 12", "cells: {value: 6"))
        done = self.run_noon()
        self.assertEqual(done.returncode, 3)
        self.assertIn("cells", done.stderr)

    def test_18_no_number(self):
        self.write("site.textproto", changed(SITE, r"capacity_ah: \{value: [\d.]+", "capacity_ah: {value: nan"))
        self.refused("site.textproto:", "capacity_ah", "nan")

    # --- requirements and scenarios ----------------------------------------------------------------------------------------

    def test_19_a_requirement_without_a_unit(self):
        self.write("limits.textproto", changed(LIMITS, r' unit: "V"', ""))
        self.refused("limits.textproto:", "unit")

    def test_20_a_unit_that_nobody_uses(self):
        self.write("limits.textproto", changed(LIMITS, r' unit: "V"', ' unit: "volz"'))
        self.refused("limits.textproto:", "volz")

    def test_21_a_stimulus_after_the_end(self):
        self.write("noon.textproto", SCENARIO + "at { time_s: 9 sun { poa_wpm2: 0 } }\n")
        self.refused("noon.textproto:2", "time_s")

    def test_22_a_stimulus_for_a_load_that_is_not_there(self):
        self.write("noon.textproto", SCENARIO + 'at { time_s: 1 load { name: "toaster" on: true } }\n')
        self.refused("toaster")

    def test_23_a_check_of_a_signal_that_is_none(self):
        self.write("noon.textproto", SCENARIO + 'check { requirement: "CLOUD-PEAK" signal: "terminal_volts" figure: HIGHEST to_s: 2 }\n')
        self.refused("terminal_volts")

    # --- outputs -----------------------------------------------------------------------------------------------------------

    def test_24_an_output_folder_that_cannot_be_written(self):
        self.refused("/proc/noon.trace", trace="/proc/noon.trace")

    def test_25_an_output_that_is_a_folder(self):
        (self.root / "folder").mkdir()
        self.refused("folder", trace="folder")

    def test_26_a_disk_that_fills_up_keeps_what_was_written(self):
        self.write("noon.textproto", SCENARIO.replace("duration_s: 2", "duration_s: 60"))
        done = self.run_noon(limit_bytes=20_000)
        self.assertEqual(done.returncode, 3, done.stdout + done.stderr)
        self.assertEqual(len(done.stderr.strip().splitlines()), 1, done.stderr)
        self.assertIn("noon.trace", done.stderr)
        exported = subprocess.run([DAWNRIG, "export", self.files["trace"], "--csv", self.root / "n.csv"], capture_output=True, text=True, check=False)
        self.assertEqual(exported.returncode, 0, exported.stderr)
        self.assertGreater(len((self.root / "n.csv").read_text(encoding="utf-8").splitlines()), 5)

    def test_27_several_mistakes_are_said_at_once(self):
        text = changed(BOARD, r"switch_on_resistance_ohm: \{value: [\d.e-]+", "switch_on_resistance_ohm: {value: -0.01")
        self.write("board.textproto", changed(text, r'gate \{pin: "PB1"', 'gate {pin: "PE4"'))
        self.refused("PE4", "-0.01", lines=2)


class KilledRun(NoonTest):
    """kill -9 in the middle of a run: the trace opens and shows everything up to the last second."""

    def test_trace_of_a_killed_run(self):
        self.write("noon.textproto", SCENARIO.replace("duration_s: 2", "duration_s: 100000"))
        run = subprocess.Popen(
            [DAWNRIG, "run", self.files["scenario"], "--firmware", self.files["firmware"], "--board", self.files["board"],
             "--site", self.files["site"], "--trace", self.files["trace"]], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            self.wait_for_trace(20_000)
        finally:
            run.kill()
            run.wait()
        self.assertEqual(run.returncode, -9)
        exported = subprocess.run([DAWNRIG, "export", self.files["trace"], "--csv", self.root / "n.csv"], capture_output=True, text=True, check=False)
        self.assertEqual(exported.returncode, 0, exported.stderr)
        end_s = float(re.search(r"up to ([\d.]+) s", exported.stderr)[1])
        rows = (self.root / "n.csv").read_text(encoding="utf-8").splitlines()
        times = [float(row.split(",")[0]) for row in rows if row[:1].isdigit()]
        self.assertGreater(end_s, 3.0)
        self.assertGreater(times[-1], end_s - 1.0)
        self.assertEqual(len(times), len(set(times)))

    def wait_for_trace(self, size):
        deadline = os.times().elapsed + 60
        while not self.files["trace"].exists() or self.files["trace"].stat().st_size < size:
            if os.times().elapsed > deadline:
                self.fail("the run wrote nothing in a minute")


if __name__ == "__main__":
    unittest.main()
