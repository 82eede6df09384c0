"""The bench as a person meets it: the ladder, the twin, and a rehearsal in wall time with a stand-in for the board.

A machine that runs tests may be late at any time, so an undisturbed run in wall time may come out INVALID; but never FAIL.

usage: bench_test.py BUILD_FOLDER [unittest arguments]
"""
import contextlib
import os
import pathlib
import re
import signal
import subprocess
import sys
import time
import unittest

from tree import PROJECT, TreeTest

BUILD = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else PROJECT / "build/release"
DAWNRIG = BUILD / "harness/cli/dawnrig"
FIRMWARE = BUILD / "fixtures/reference_device/ridge_a.elf"
BOARD = PROJECT / "fixtures/profiles/ridge_repeater_a.textproto"
SITE = PROJECT / "fixtures/profiles/ridge_repeater_site.textproto"
DEVICE = ("--firmware", FIRMWARE, "--board", BOARD, "--site", SITE)

SHORT = """name: "some seconds of sun"
duration_s: %s
seed: 7
initial { state_of_charge_frac: 0.6 poa_wpm2: 800 }
at { time_s: 1 sun { poa_wpm2: 500 over_s: 0.5 } }
"""


class BenchTest(TreeTest):

    def dawnrig(self, *arguments):
        return subprocess.run([DAWNRIG, *arguments], capture_output=True, check=False, cwd=self.root, text=True, errors="replace")

    def scenario(self, seconds, more=""):
        self.write("short.textproto", SHORT % seconds + more)
        return "short.textproto"


class Ladder(BenchTest):

    def test_a_bench_run_wants_its_level_and_port_named(self):
        done = self.dawnrig("run", self.scenario(2), *DEVICE, "--rig", "bench", "--port", "/dev/null")
        self.assertEqual(done.returncode, 3)
        self.assertIn("--level sense-only, limited-supply or real-battery", done.stderr)
        done = self.dawnrig("run", self.scenario(2), *DEVICE, "--rig", "bench", "--level", "sense-only")
        self.assertEqual(done.returncode, 3)
        self.assertIn("--port", done.stderr)

    def test_a_level_above_what_the_files_allow_is_refused_and_each_file_named(self):
        scenario = self.scenario(2, "highest_level: LIMITED_SUPPLY\n")
        done = self.dawnrig("run", scenario, *DEVICE, "--rig", "bench", "--port", "/dev/null", "--level", "real-battery")
        self.assertEqual(done.returncode, 3)
        self.assertIn(f"{BOARD}: highest_level: allows sense-only at the most, and --level is real-battery", done.stderr)
        self.assertIn("short.textproto: highest_level: allows limited-supply at the most", done.stderr)

    def test_cautions_grow_with_the_level(self):
        lines = {}
        for level in ("sense-only", "limited-supply", "real-battery"):
            done = self.dawnrig("run", self.scenario(2), *DEVICE, "--rig", "bench", "--port", "/dev/null", "--level", level)
            self.assertEqual(done.returncode, 3)  # no serial port
            lines[level] = done.stderr
        self.assertIn("Before a bench run", lines["sense-only"])
        self.assertNotIn("fuse", lines["limited-supply"])
        self.assertIn("fuse within a hand's breadth", lines["real-battery"])

    def test_the_suite_is_for_sense_voltages_only(self):
        done = self.dawnrig("judge", *DEVICE, "--requirements", PROJECT / "fixtures/requirements/charge_controller.textproto",
                            "--out", "out", "--rig", "bench", "--port", "/dev/null", "--level", "limited-supply")
        self.assertEqual(done.returncode, 3)
        self.assertIn("the suite: highest_level", done.stderr)


class TwinRuns(BenchTest):

    def test_repeat_bit_for_bit_and_tell_how_it_went(self):
        first, second = (self.dawnrig("run", self.scenario(6), *DEVICE, "--rig", "twin") for _ in range(2))
        self.assertEqual(first.returncode, 0, first.stdout + first.stderr)
        self.assertEqual(first.stdout, second.stdout)
        self.assertIn("lateness of 6", first.stdout)
        self.assertRegex(first.stdout, r"link: \d+ frames, 0 broken")
        self.assertIn("1 reset(s)", first.stdout)

    def test_a_scenario_that_a_bench_cannot_do_is_refused(self):
        done = self.dawnrig("run", self.scenario(4, "at { time_s: 2 supply { supply_v: 3 } }\n"), *DEVICE, "--rig", "twin")
        self.assertEqual(done.returncode, 3)
        self.assertIn("cannot move the device's supply voltage", done.stderr)

    def test_judges_a_requirement_as_the_virtual_rig_does(self):
        verdicts = {}
        for rig, *more in (("virtual",), ("twin",), ("twin", "--latency-s", "0.0025")):
            done = self.dawnrig("judge", *DEVICE, "--requirements", PROJECT / "fixtures/requirements/charge_controller.textproto",
                                "--out", f"out-{rig}", "--filter", "Regulation.TakesAll*:Faults.BatteryComesOff*", "--rig", rig, *more)
            self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
            verdicts[" ".join([rig, *more])] = sorted(set(re.findall(r"(PASS|FAIL|INVALID|VACUOUS)\s.*?([A-Z]+(?:-[A-Z]+)+)", done.stdout)))
        self.assertTrue(verdicts["twin"], "no verdict was found in the table")
        self.assertEqual(verdicts["twin"], verdicts["virtual"])
        self.assertEqual(verdicts["twin --latency-s 0.0025"], verdicts["virtual"], "at twice the delay")


class Rehearsal(BenchTest):
    """A stand-in for the board at a pseudo-terminal, and the very serial code that a real one would be spoken to with."""

    def setUp(self):
        super().setUp()
        self.port = str(self.root / "port")
        self.begin_stand_in()

    def tearDown(self):
        self.stand_in.terminate()
        self.stand_in.communicate(timeout=20)
        super().tearDown()

    def begin_stand_in(self, *more):
        self.stand_in = subprocess.Popen([DAWNRIG, "bench", "stand-in", "--firmware", FIRMWARE, "--board", BOARD, "--link", self.port,
                                          "--for-s", "120", *more], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                         stderr=subprocess.STDOUT, text=True)
        self.assertIn("stands at", self.stand_in.stdout.readline())

    def run_arguments(self, seconds, *more):
        return [DAWNRIG, "run", self.scenario(seconds), *map(str, DEVICE), "--rig", "bench", "--port", self.port, "--level", "sense-only", *more]

    def begin_run(self, seconds, *more):
        return subprocess.Popen(self.run_arguments(seconds, *more), cwd=self.root, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def test_the_board_is_found_fit(self):
        done = self.dawnrig("bench", "self-test", "--port", self.port)
        self.assertIn("loop-back of battery at three levels", done.stdout)
        self.assertIn("has no flag for low latency", done.stderr)
        wrong = [line for line in done.stdout.splitlines() if line.startswith("NOT") and "round trip" not in line]
        self.assertEqual(wrong, [])

    def test_a_run_in_wall_time_ends_with_its_histogram(self):
        done = subprocess.run(self.run_arguments(5), cwd=self.root, capture_output=True, text=True, check=False)
        self.assertIn(done.returncode, (0, 2), done.stdout + done.stderr)
        if done.returncode == 2:
            self.assertRegex(done.stdout, "INVALID .*(late|after their time|silent|round trip)")
        else:
            self.assertRegex(done.stdout, r"lateness of \d+ ticks: p50 .* worst")
        self.assertIn("Before a bench run", done.stderr)

    def test_a_host_that_was_stopped_has_no_verdict(self):
        run = self.begin_run(20, "--trace", "stopped.trace")
        time.sleep(5)
        run.send_signal(signal.SIGSTOP)
        time.sleep(0.06)
        run.send_signal(signal.SIGCONT)
        out, _ = run.communicate(timeout=60)
        self.assertEqual(run.returncode, 2, out)
        self.assertRegex(out, "INVALID .*(late|after their time|safe state|silent|round trip)")
        self.assertIn("0.0", out)
        if "cannot be believed" not in out:
            flight = (self.root / "stopped.flight.csv").read_text().splitlines()
            self.assertGreater(len(flight), 100)
            self.assertTrue(flight[0].startswith("due_s,late_s"))

    def occupy_every_core(self, seconds, above):
        """Something else runs on all cores at once for so long, if it may above everything. Returns whether it might."""
        start = time.monotonic() + 0.7
        work = ("import os, sys, time\nallowed = True\n"
                f"os.sched_setaffinity(0, {{int(sys.argv[1])}})\n"
                "try:\n" +
                ("    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(95))\n" if above else "    os.nice(0)\n") +
                "except PermissionError:\n    allowed = False\n"
                f"time.sleep(max(0, {start} - time.monotonic()))\n"
                f"while time.monotonic() < {start} + {seconds}: pass\n"
                "print(allowed)\n")
        busy = [subprocess.Popen([sys.executable, "-c", work, str(core)], stdout=subprocess.PIPE, text=True)
                for core in os.sched_getaffinity(0)]
        return all(one.communicate(timeout=60)[0].strip() == "True" for one in busy)

    def assert_valid_or_late(self, run, out):
        """A machine that kept up may say so, and then it did; it is never the device that fails for the host."""
        self.assertIn(run.returncode, (0, 2), out)
        if run.returncode == 2:
            self.assertRegex(out, "INVALID .*(late|after their time|safe state|silent|round trip)")
        else:
            worst_us = float(re.search(r"lateness of \d+ ticks: .*worst ([\d.]+) us", out).group(1))
            self.assertLessEqual(worst_us, 5000.0)

    def test_a_host_whose_cores_were_taken_from_it_has_no_verdict(self):
        run = self.begin_run(12)
        time.sleep(4)
        taken = self.occupy_every_core(0.06, above=True)
        out, _ = run.communicate(timeout=60)
        self.assert_valid_or_late(run, out)
        if taken:
            self.assertEqual(run.returncode, 2, "every core was taken for 60 ms, and nobody was late:\n" + out)

    def test_a_host_beside_busy_cores_keeps_up_or_has_no_verdict(self):
        run = self.begin_run(6)
        time.sleep(2)
        self.occupy_every_core(3.0, above=False)
        out, _ = run.communicate(timeout=60)
        self.assert_valid_or_late(run, out)

    def test_a_person_calibrates_a_board_at_the_prompts(self):
        self.stand_in.terminate()
        self.stand_in.communicate(timeout=20)
        self.begin_stand_in("--uncalibrated", "--orders")
        for wrong in (True, False):
            out, code = self.calibrate_at_the_prompts(wrong)
            for _ in range(4):  # left alone for 100 ms, the board is safe; the person begins again
                if "went into its safe state" in out:
                    self.assertEqual(code, 3, out)
                    out, code = self.calibrate_at_the_prompts(wrong)
            self.assertEqual(code, 3 if wrong else 0, out)
            self.assertEqual("panel, gate off: was set to about" in out, wrong, out)
        self.assertEqual(len(re.findall(r"what does the meter show", out)), 3 * 8)
        self.assertIn("\"a bit over 0.25\" is no number", out)
        # Outputs as the stand-in's were built, up to 2 mV and 0.1 % off, are found; what is left is the meter's last digit.
        found = re.findall(r"zero +(-?[\d.]+) mV, span +([\d.]+) mV, bow +(-?[\d.]+) mV, residual ([\d.]+) mV", out)
        self.assertEqual(len(found), 8)
        for output, (zero_mv, span_mv, _, _) in enumerate(found):
            self.assertAlmostEqual(float(zero_mv), 2.0 - 0.5 * output, delta=0.2, msg=out)
            self.assertAlmostEqual(float(span_mv), 5000.0 * (0.999 + 0.0003 * output), delta=0.3, msg=out)
        self.assertLess(max(float(residual) for _, _, _, residual in found), 0.2)
        self.assertRegex(out, r"uncertainty 0\.8\d\d mV")
        done = self.dawnrig("bench", "self-test", "--port", self.port)
        self.assertRegex(done.stdout, r"fine +serial number +42")
        self.assertRegex(done.stdout, r"fine +calibration .*uncertainty 0\.8")
        self.assertRegex(done.stdout, r"fine +loop-back of battery")

    def at_the_board(self, order):
        self.stand_in.stdin.write(order + "\n")
        self.stand_in.stdin.flush()
        while not re.fullmatch(r"done|open|-?\d(\.\d+)?", answer := self.stand_in.stdout.readline().strip()):
            self.assertEqual(self.stand_in.poll(), None, answer)  # it may have had something to say of its own before
        return answer

    def calibrate_at_the_prompts(self, mistaken):
        """Somebody with a meter, who answers once with no number; if mistaken, he reads the panel's meter upside down."""
        run = subprocess.Popen([DAWNRIG, "bench", "calibrate", "--port", self.port, "--points", "3", "--meter-uncertainty-mv", "0.8",
                                "--serial", "42"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        self.addCleanup(run.communicate)
        self.addCleanup(run.kill)
        out, answered, hesitated = "", 0, False

        def say(text):
            with contextlib.suppress(BrokenPipeError):  # it may just have given up
                run.stdin.write((text + "\n").encode())
                run.stdin.flush()

        while chunk := os.read(run.stdout.fileno(), 4096).decode():
            out += chunk
            new = out[answered:]
            if "press return" in new:
                self.at_the_board("gate supply" if "join gate input 1" in new else "gate open")
                say("")
            elif "is no number" in new or "what does the meter show" in new:
                channel = re.findall(r"(battery|panel|current|thermistor), gate", out)[-1]
                if not hesitated:
                    hesitated = True
                    say("a bit over 0.25")
                else:
                    shown = self.at_the_board("meter " + channel)
                    volts = 0.0 if shown == "open" else float(shown)
                    say(f"{5.0 - volts if mistaken and channel == 'panel' else volts:.4f}")
            else:
                continue
            answered = len(out)
        return out, run.wait(timeout=20)

    def test_a_board_whose_host_was_killed_is_safe(self):
        run = self.begin_run(60)
        time.sleep(4)
        ended_by_itself = run.poll() == 2  # late, on a machine as busy as those that run tests
        run.kill()
        run.communicate()
        time.sleep(0.3)
        done = self.dawnrig("bench", "self-test", "--port", self.port)
        self.assertIn("before: safe: the host wished it" if ended_by_itself else
                      "before: safe: no valid frame from the host for 100 ms, outputs connected", done.stdout)

    def test_a_board_that_is_unplugged_leaves_a_whole_trace_and_no_verdict(self):
        run = self.begin_run(60, "--trace", "cut.trace")
        time.sleep(6)
        self.stand_in.kill()
        self.stand_in.communicate()
        out, err = run.communicate(timeout=60)
        self.assertEqual(run.returncode, 2, out + err)
        self.assertRegex(out, "INVALID .*(gone|silent|late|after their time|round trip)")
        exported = self.dawnrig("export", "cut.trace", "--csv", "cut.csv")
        self.assertEqual(exported.returncode, 0, exported.stderr)
        self.assertNotIn("cut off", exported.stderr)
        # Plugged in again, it is found fit as if nothing had been.
        self.begin_stand_in()
        again = self.dawnrig("bench", "self-test", "--port", self.port)
        self.assertIn("calibration", again.stdout)

    def test_a_board_that_was_never_calibrated_is_not_believed_and_says_what_to_do(self):
        self.stand_in.terminate()
        self.stand_in.communicate(timeout=20)
        self.begin_stand_in("--uncalibrated")
        done = self.dawnrig("bench", "self-test", "--port", self.port)
        self.assertEqual(done.returncode, 2, done.stdout)
        self.assertIn("dawnrig bench calibrate", done.stdout)
        run = subprocess.run(self.run_arguments(2), cwd=self.root, capture_output=True, text=True, check=False)
        self.assertEqual(run.returncode, 2)
        self.assertIn("INVALID  the bench cannot be believed", run.stdout)

    def test_flashing_runs_the_users_own_program_while_the_board_supplies_the_device(self):
        self.write("fw.hex", ":00000001FF\n")
        done = self.dawnrig("bench", "flash", "--port", self.port, "--image", "fw.hex", "--command", "sleep 0.3; cp {image} written")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual((self.root / "written").read_text(), ":00000001FF\n")
        done = self.dawnrig("bench", "flash", "--port", self.port, "--image", "fw.hex", "--command", "exit 4 {image}")
        self.assertEqual(done.returncode, 3)
        self.assertIn("exit code", done.stderr)
        done = self.dawnrig("bench", "flash", "--port", self.port, "--image", "fw.hex", "--command", "true")
        self.assertEqual(done.returncode, 3)
        self.assertIn("{image}", done.stderr)


if __name__ == "__main__":
    unittest.main()
