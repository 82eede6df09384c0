"""The built `dawnrig` command, as a person meets it: help, exit codes, messages, and runs that repeat.

usage: command_test.py BUILD_FOLDER [unittest arguments]
"""
import csv
import os
import pathlib
import re
import subprocess
import sys
import unittest
import xml.etree.ElementTree

from tree import PROJECT, TreeTest

BUILD = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else PROJECT / "build/release"
DAWNRIG = BUILD / "harness/cli/dawnrig"
FIRMWARE = BUILD / "fixtures/reference_device/ridge_a.elf"
BOARD = PROJECT / "fixtures/profiles/ridge_repeater_a.textproto"
SITE = PROJECT / "fixtures/profiles/ridge_repeater_site.textproto"
REQUIREMENTS = PROJECT / "fixtures/requirements/charge_controller.textproto"
DEVICE = ("--firmware", FIRMWARE, "--board", BOARD, "--site", SITE)

MORNING = """# The sun comes up over the ridge, and a cloud passes.
name: "a short morning"
duration_s: 4
seed: 7
initial { state_of_charge_frac: 0.6 ambient_degc: 10 }
at { time_s: 0.5 sun { poa_wpm2: 700 over_s: 1 } }
at { time_s: 2.5 sun { poa_wpm2: 150 } }
"""


class CommandTest(TreeTest):

    def dawnrig(self, *arguments):
        return subprocess.run([DAWNRIG, *arguments], capture_output=True, check=False, cwd=self.root, text=True, errors="replace")

    def refused(self, *arguments):
        """Runs what must be refused as bad input; returns the message."""
        done = self.dawnrig(*arguments)
        self.assertEqual(done.returncode, 3, done.stdout + done.stderr)
        self.assertTrue(done.stderr.strip(), "refused without a word")
        self.assertNotIn("terminate called", done.stderr)
        return done.stderr


class Help(CommandTest):

    def test_help_names_an_example_and_the_exit_codes(self):
        done = self.dawnrig("--help")
        self.assertEqual(done.returncode, 0)
        self.assertIn("Example: dawnrig judge", done.stdout)
        self.assertIn("Exit codes: 0", done.stdout)
        for command in ("check", "run", "judge", "export", "characterise", "metering"):
            done = self.dawnrig(command, "--help")
            self.assertEqual(done.returncode, 0)
            self.assertIn(f"Example: dawnrig {command}", done.stdout)

    def test_a_command_it_does_not_know_is_bad_input(self):
        self.refused()
        self.refused("juge")
        self.refused("run", "--colour")


class Metering(CommandTest):

    def metering(self, job, *arguments):
        return self.dawnrig("metering", job, "--board", BOARD, "--channel", "battery", *arguments)

    def test_every_job_has_help_with_an_example(self):
        for job in ("transfer", "budget", "arithmetic", "prove", "calibrate", "all"):
            done = self.dawnrig("metering", job, "--help")
            self.assertEqual(done.returncode, 0)
            self.assertIn(f"Example: dawnrig metering {job}", done.stdout)

    def test_one_page_holds_it_all_and_the_tables_name_their_units(self):
        pairs = self.write("pairs.csv", "meter_v,reported_v,board_degc\n23.02,23.05,24\n28.80,28.86,24\n")
        done = self.metering("all", "--firmware", FIRMWARE, "--every", "64", "--pairs", pairs, "--draws", "2000",
                             "--csv", "tables", "--page", "battery.html")
        self.assertEqual(done.returncode, 0, done.stderr)
        page = (self.root / "battery.html").read_text(encoding="utf-8")
        for heading in ("From the terminal to the code", "Error budget", "Integer arithmetic",
                        "The firmware&#39;s own arithmetic", "Calibration"):
            self.assertIn(heading, page)
        self.assertNotIn("http", page.replace("http://www.w3.org/2000/svg", ""))
        header = (self.root / "tables" / "transfer.csv").read_text(encoding="utf-8").splitlines()[0]
        self.assertEqual(header, "set_point,sensed_v,pin_v,code_lsb,lowest_code_lsb,highest_code_lsb,step_mv,bend_mv,network_ua")
        for table in ("codes", "budget", "corners", "arithmetic", "sweep", "pairs", "residual"):
            self.assertTrue((self.root / "tables" / f"{table}.csv").is_file(), table)

    def test_the_exit_code_is_the_answer(self):
        board_b = str(BOARD).replace("_a.", "_b.")
        done = self.dawnrig("metering", "budget", "--board", board_b, "--channel", "battery", "--draws", "2000")
        self.assertEqual(done.returncode, 1)
        self.assertIn("Revision B does not hold", done.stdout)
        self.assertEqual(self.metering("calibrate", "--pair", "28.8,27.1").returncode, 1)
        wrong = self.metering("prove", "--firmware", str(FIRMWARE).replace("ridge_a", "ridge_b"), "--every", "128")
        self.assertEqual(wrong.returncode, 1, wrong.stderr)
        self.assertIn("First bad code", wrong.stdout)

    def test_a_header_that_is_up_to_date_is_left_alone(self):
        self.assertEqual(self.metering("arithmetic", "--header", "line.h").returncode, 0)
        before = (self.root / "line.h").stat()
        self.assertEqual(self.metering("arithmetic", "--header", "line.h").returncode, 0)
        self.assertEqual((self.root / "line.h").stat().st_mtime_ns, before.st_mtime_ns)
        self.assertIn("battery_mv_of_sum", (self.root / "line.h").read_text(encoding="utf-8"))

    def test_without_a_compiler_the_cycles_are_left_out_and_said_to_be(self):
        done = subprocess.run([DAWNRIG, "metering", "arithmetic", "--board", BOARD, "--channel", "battery"],
                              capture_output=True, check=False, cwd=self.root, text=True, env={"PATH": "/nowhere"})
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("Cycles were not measured", done.stdout)

    def test_bad_input_is_refused_in_its_own_words(self):
        self.assertIn("did you mean battery?", self.refused("metering", "transfer", "--board", BOARD, "--channel", "batery"))
        self.assertIn("--from-degc", self.refused("metering", "budget", "--board", BOARD, "--channel", "battery", "--from-degc", "-999"))
        self.assertIn("--pair", self.refused("metering", "calibrate", "--board", BOARD, "--channel", "battery"))
        pairs = self.write("pairs.csv", "meter_v,reported_v\n28.8,?\n")
        self.assertIn("pairs.csv:2: reported_v", self.refused("metering", "calibrate", "--board", BOARD, "--channel", "battery", "--pairs", pairs))
        self.assertIn("/proc/no", self.refused("metering", "transfer", "--board", BOARD, "--channel", "battery", "--page", "/proc/no/x.html"))


class Check(CommandTest):

    def test_the_files_of_this_house_are_fine(self):
        files = sorted((PROJECT / "fixtures/profiles").glob("*_site.textproto"))
        files += sorted((PROJECT / "fixtures/requirements").glob("*.textproto"))
        files += sorted((PROJECT / "fixtures/scenarios").glob("*.textproto"))
        boards = [f for f in sorted((PROJECT / "fixtures/profiles").glob("*.textproto")) if f not in files]
        self.assertTrue(files and boards)
        for file in files + boards:
            with self.subTest(file=file.name):
                done = self.dawnrig("check", file)
                self.assertEqual(done.returncode, 0, done.stderr)
                self.assertIn(file.name, done.stdout)

    def test_every_complaint_about_a_board_comes_at_once_with_its_place(self):
        text = BOARD.read_text(encoding="utf-8")
        broken = re.sub(r"clock_hz\s*(:\s*)?\{\s*value:\s*[\d.e+]+", "clock_hz { value: 0", text, count=1)
        broken = re.sub(r"output_capacitance_f\s*(:\s*)?\{\s*value:\s*[\d.e+-]+", "output_capacitance_f { value: -1", broken, count=1)
        self.assertNotEqual(broken, text)
        file = self.write("board.textproto", broken)
        message = self.refused("check", file)
        for field in ("clock_hz", "output_capacitance_f"):
            line = 1 + broken[:broken.index(field)].count("\n")
            self.assertRegex(message, rf"(?m)^.*board\.textproto:{line}:\d+: .*{field}.*$")

    def test_a_misspelt_field_is_named_with_its_line(self):
        file = self.write("board.textproto", BOARD.read_text(encoding="utf-8") + "\nrevison: \"C\"\n")
        line = file.read_text(encoding="utf-8").count("\n")
        self.assertRegex(self.refused("check", file), rf"board\.textproto:{line}:\d+: .*revison")


class BadInput(CommandTest):

    def test_files_that_are_none(self):
        scenario = self.write("morning.textproto", MORNING)
        (self.root / "folder").mkdir()
        self.write("empty", "")
        (self.root / "bytes").write_bytes(bytes(range(256)) * 16)
        os.symlink("loop", self.root / "loop")
        for wrong in ("missing", "folder", "empty", "bytes", "loop"):
            for option in ("--firmware", "--board", "--site"):
                with self.subTest(option=option, wrong=wrong):
                    arguments = list(DEVICE)
                    arguments[arguments.index(option) + 1] = wrong
                    self.assertIn(wrong, self.refused("run", scenario, *arguments))
            with self.subTest(option="scenario", wrong=wrong):
                self.assertIn(wrong, self.refused("run", wrong, *DEVICE))
            with self.subTest(option="trace", wrong=wrong):
                self.assertIn(wrong, self.refused("export", wrong, "--csv", "x.csv"))
        self.assertFalse((self.root / "x.csv").exists())

    def test_an_image_cut_off_anywhere_is_refused(self):
        scenario = self.write("morning.textproto", MORNING)
        image = FIRMWARE.read_bytes()
        for length in (1, 4, 51, 52, 100, len(image) // 2, len(image) - 1):
            with self.subTest(length=length):
                (self.root / "cut.elf").write_bytes(image[:length])
                self.assertIn("cut.elf", self.refused("run", scenario, "--firmware", "cut.elf", *DEVICE[2:]))

    def test_a_program_for_this_computer_is_no_firmware(self):
        scenario = self.write("morning.textproto", MORNING)
        self.assertIn("dawnrig", self.refused("run", scenario, "--firmware", DAWNRIG, *DEVICE[2:]))

    def test_a_stimulus_for_a_load_that_is_not_there_is_refused_before_anything_runs(self):
        scenario = self.write("morning.textproto", MORNING + 'at { time_s: 3.9 load { name: "toaster" on: true } }\n')
        message = self.refused("run", scenario, *DEVICE, "--trace", "t.trace")
        self.assertIn("toaster", message)

    def test_judge_refuses_before_it_runs(self):
        for arguments, word in ((("--filter", "NoSuchTest*"), "NoSuchTest"), (("--jobs", "0"), "jobs"), (("--out", "/proc/no"), "/proc/no")):
            with self.subTest(arguments=arguments):
                given = ["--requirements", REQUIREMENTS, *arguments]
                if "--out" not in arguments:
                    given += ["--out", "out"]
                self.assertIn(word, self.refused("judge", *DEVICE, *given))
        self.assertIn("--board", self.refused("judge", *DEVICE, "--firmware", FIRMWARE, "--requirements", REQUIREMENTS, "--out", "out"))


class Runs(CommandTest):

    def setUp(self):
        super().setUp()
        self.scenario = self.write("morning.textproto", MORNING)

    def run_morning(self, *arguments):
        done = self.dawnrig("run", self.scenario, *DEVICE, *arguments)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        return re.search(r"^trace ([0-9a-f]{64})", done.stdout, re.MULTILINE)[1]

    def test_the_same_inputs_give_the_same_trace_bit_for_bit_and_another_seed_another(self):
        first = self.run_morning("--trace", "one.trace")
        self.assertEqual(self.run_morning("--trace", "two.trace"), first)
        self.assertEqual(self.run_morning(), first)  # hashed only
        self.assertEqual((self.root / "one.trace").read_bytes(), (self.root / "two.trace").read_bytes())
        self.assertNotEqual(self.run_morning("--seed", "8"), first)

    def test_the_battery_is_told_what_it_went_through(self):
        done = self.dawnrig("run", self.scenario, *DEVICE, "--count-above-v", "20", "--count-below-soc-frac", "1")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        told = re.search(r"^battery: ([\d.]+) Ah in, ([\d.]+) Ah out, .*; ([\d.]+) s above 20 V .*, ([\d.]+) s below a charge of 1 ",
                         done.stdout, re.MULTILINE)
        self.assertIsNotNone(told, done.stdout)
        seconds = re.search(r"^([\d.]+) s simulated", done.stdout, re.MULTILINE)[1]
        self.assertEqual((float(told[3]), float(told[4])), (float(seconds), float(seconds)))
        self.assertIn("--count-above-degc", self.refused("run", self.scenario, *DEVICE, "--count-above-degc", "1e9"))

    def test_a_trace_reaches_other_tools(self):
        self.run_morning("--trace", "m.trace")
        done = self.dawnrig("export", "m.trace", "--csv", "m.csv", "--vcd", "m.vcd")
        self.assertEqual(done.returncode, 0, done.stderr)
        with open(self.root / "m.csv", encoding="utf-8", newline="") as file:
            rows = list(csv.reader(line for line in file if not line.startswith("#")))
        column = next(i for i, name in enumerate(rows[0]) if name.startswith("poa_wpm2") and "max" in name)
        self.assertEqual(max(float(row[column]) for row in rows[1:]), 700.0)
        vcd = (self.root / "m.vcd").read_text(encoding="utf-8")
        self.assertIn("$enddefinitions $end", vcd)
        self.assertIn(" gate ", vcd)

    def test_a_trace_cut_off_is_readable_up_to_there_and_says_so(self):
        self.run_morning("--trace", "m.trace")
        whole = (self.root / "m.trace").read_bytes()
        (self.root / "cut.trace").write_bytes(whole[:len(whole) * 3 // 4])
        done = self.dawnrig("export", "cut.trace", "--csv", "cut.csv")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("cut off", done.stderr)
        self.assertTrue((self.root / "cut.csv").exists())


class Characterise(CommandTest):

    def test_a_panel_as_a_table_and_as_a_picture(self):
        done = self.dawnrig("characterise", "panel", "--site", SITE, "--poa-wpm2", "200,1000", "--csv", "p.csv", "--picture", "p.svg")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("Voc", done.stdout)
        with open(self.root / "p.csv", encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        self.assertEqual({row["poa_wpm2"] for row in rows}, {"200", "1000"})
        picture = xml.etree.ElementTree.parse(self.root / "p.svg").getroot()
        self.assertEqual(picture.tag, "{http://www.w3.org/2000/svg}svg")

    def test_a_day_of_sky(self):
        done = self.dawnrig("characterise", "sky", "--scenario", PROJECT / "fixtures/scenarios/a_day_on_the_ridge.textproto",
                            "--site", SITE, "--every-s", "600", "--csv", "d.csv", "--picture", "d.svg")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("Wh/m²", done.stdout)
        with open(self.root / "d.csv", encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        self.assertEqual(len(rows), 151)
        self.assertTrue(all(float(row["poa_wpm2"]) == 0 for row in rows if float(row["sun_elevation_deg"]) < -1))
        self.assertEqual(xml.etree.ElementTree.parse(self.root / "d.svg").getroot().tag, "{http://www.w3.org/2000/svg}svg")

    def test_a_sense_channel(self):
        done = self.dawnrig("characterise", "sense", "--board", BOARD, "--channel", "battery", "--csv", "s.csv")
        self.assertEqual(done.returncode, 0, done.stderr)
        with open(self.root / "s.csv", encoding="utf-8", newline="") as file:
            codes = [float(row["code_lsb"]) for row in csv.DictReader(file)]
        self.assertEqual(codes, sorted(codes))

    def test_what_is_not_there_is_named(self):
        self.assertIn("did you mean battery?", self.refused("characterise", "sense", "--board", BOARD, "--channel", "batery"))
        self.assertIn("--poa-wpm2", self.refused("characterise", "panel", "--site", SITE, "--poa-wpm2", "9000"))
        self.assertIn("no/p.csv", self.refused("characterise", "panel", "--site", SITE, "--csv", "no/p.csv"))
        self.refused("characterise")
        self.refused("characterise", "moon")


if __name__ == "__main__":
    unittest.main()
