"""The scripts that a person runs: their help, and how ci/accept passes on arguments, paths and exit codes."""
import os
import subprocess
import unittest

from tree import PROJECT, TreeTest

SCRIPTS = ("accept", "benchmark", "build", "coverage", "lint", "mutants", "plant_mutants", "repeat", "sanitize", "setup", "skip_check", "test", "verdicts")


class Help(unittest.TestCase):

    def test_every_script_says_what_it_does(self):
        for script in SCRIPTS:
            with self.subTest(script=script):
                done = subprocess.run([PROJECT / "ci" / script, "--help"], capture_output=True, text=True, check=False)
                self.assertEqual(done.returncode, 0)
                self.assertRegex(done.stdout, rf"(?m)^ci/{script}\b")
                self.assertEqual(done.stderr, "")

    def test_an_unknown_argument_is_refused(self):
        for command in (("setup", "--everything"), ("lint", "--everything"), ("sanitize", "everything"), ("build", "everything"), ("mutants", "everything"), ("verdicts", "everything")):
            with self.subTest(command=command):
                done = subprocess.run([PROJECT / "ci" / command[0], command[1]], capture_output=True, text=True, check=False)
                self.assertEqual(done.returncode, 3)
                self.assertIn(f"'{command[1]}'", done.stderr)

    def test_a_world_that_would_not_move_is_refused_before_anything_is_built(self):
        for arguments, what in ((("--share", "0"), "--share is 0, must be"), (("--only", "no_such"), "no_such: no such figure; there are"),
                                (("--table", "--only", "r_top_ohm"), "--table is of everything")):
            with self.subTest(arguments=arguments):
                done = subprocess.run([PROJECT / "ci/plant_mutants", *arguments], capture_output=True, text=True, check=False)
                self.assertEqual(done.returncode, 3)
                self.assertIn(what, done.stderr)
                self.assertEqual(done.stdout, "")


class Setup(TreeTest):

    def test_a_missing_package_and_no_way_to_become_root_says_what_to_ask_for(self):
        self.copy("ci/setup", "ci/common.sh", "ci/packages")
        with open(self.root / "ci/packages", "a", encoding="utf-8") as packages:
            packages.write("no-such-package   for this test\n")
        tools = self.root / "bin"  # dpkg-query and no sudo; id says that we are somebody else
        tools.mkdir()
        for tool in ("awk", "basename", "bash", "dirname", "dpkg-query", "env"):
            os.symlink(subprocess.run(["which", tool], capture_output=True, text=True, check=True).stdout.strip(), tools / tool)
        self.write("bin/id", "#!/bin/sh\necho 1000\n").chmod(0o755)
        done = subprocess.run([self.root / "ci/setup"], capture_output=True, text=True, check=False, env={"PATH": str(tools)})
        self.assertEqual(done.returncode, 1, done.stdout)
        self.assertIn("not root and no sudo", done.stderr)
        self.assertIn("no-such-package", done.stderr)


class Accept(TreeTest):
    """ci/accept with an installer, a builder and a dawnrig that only note how they were called."""

    def setUp(self):
        super().setUp()
        self.copy("ci/accept", "ci/common.sh")
        self.script("ci/setup", "exit 0")
        self.script("ci/build", 'printf "%s\\n" "$@" >"$(dirname "$0")/built"')
        self.judge_exits_with(0)

    def script(self, path, body):
        self.write(path, f"#!/usr/bin/env bash\n{body}\n").chmod(0o755)

    def judge_exits_with(self, code):
        self.script("build/release/harness/cli/dawnrig", f'pwd; printf "<%s>\\n" "$@"; exit {code}')

    def accept(self, *arguments):
        elsewhere = self.root / "elsewhere"
        elsewhere.mkdir(exist_ok=True)
        return subprocess.run([self.root / "ci/accept", *arguments], capture_output=True, text=True, check=False, cwd=elsewhere)

    def test_without_a_device_it_judges_both_revisions_of_the_ridge_repeater(self):
        words = self.accept().stdout.splitlines()
        self.assertEqual(words.count("<--firmware>"), 2)
        boards = [words[i + 1] for i, word in enumerate(words) if word == "<--board>"]
        self.assertEqual(len(set(boards)), 2, boards)
        self.assertEqual(words[words.index("<--out>") + 1], f"<{self.root}/out/accept>")
        self.assertIn("<--requirements>", words)

    def test_a_device_of_the_users_replaces_them_and_paths_are_as_seen_from_where_the_user_is(self):
        words = self.accept("--firmware", "my.elf", "--board", "b.textproto", "--site=s.textproto").stdout.splitlines()
        self.assertEqual(words[0], str(self.root / "elsewhere"))
        self.assertEqual(words.count("<--firmware>"), 1)
        self.assertEqual(words[words.index("<--firmware>") + 1], "<my.elf>")
        self.assertIn("<--site=s.textproto>", words)

    def test_requirements_and_out_of_the_users_are_the_only_ones(self):
        words = self.accept("--requirements", "r.textproto", "--out=there").stdout.splitlines()
        self.assertEqual(words.count("<--requirements>"), 1)
        self.assertEqual(words.count("<--out>"), 0)
        self.assertIn("<--out=there>", words)

    def test_other_options_and_words_with_spaces_arrive_as_they_are(self):
        words = self.accept("--filter", "Set Point*", "--jobs", "2").stdout.splitlines()
        self.assertIn("<Set Point*>", words)
        self.assertEqual(words.count("<--firmware>"), 2)

    def test_the_verdict_of_the_judge_is_the_exit_code(self):
        for code in (0, 1, 2, 3):
            self.judge_exits_with(code)
            self.assertEqual(self.accept().returncode, code)

    def test_a_failed_installation_or_build_is_no_verdict(self):
        self.script("ci/build", "exit 1")
        self.assertEqual(self.accept().returncode, 4)
        self.script("ci/setup", "exit 1")
        self.assertEqual(self.accept().returncode, 4)


if __name__ == "__main__":
    unittest.main()
