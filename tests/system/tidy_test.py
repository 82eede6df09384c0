"""ci/check_tidy.py complains of what clang-tidy finds, and looks again at what changed and at nothing else."""
import json
import subprocess
import unittest

from tree import TreeTest

GOOD = '#include "plant/level.h"\nint level_of(int step) { return twice(step); }\n'
BAD = '#include "plant/level.h"\nint LevelOf(int step) { return twice(step); }\n'
HEADER = "#pragma once\ninline int twice(int step) { return 2 * step; }\n"


class Tidy(TreeTest):

    def setUp(self):
        super().setUp()
        self.copy("ci/check_tidy.py", ".clang-tidy")
        self.write("plant/level.h", HEADER)
        self.write("plant/other.cc", "int other_level(int step) { return step; }\n")
        self.write("build/x/compile_commands.json", json.dumps([
            {"directory": str(self.root), "file": str(self.root / file), "command": f"c++ -std=c++20 -I{self.root} -c {self.root / file}"}
            for file in ("plant/level.cc", "plant/other.cc", "tests/level_test.cc")]))
        self.write("tests/level_test.cc", "int NotOurs;\n")

    def tidy(self):
        done = subprocess.run([self.root / "ci/check_tidy.py", self.root / "build/x"], capture_output=True, text=True, check=False)
        return done.returncode, done.stdout

    def test_a_complaint_fails_until_it_is_mended(self):
        self.write("plant/level.cc", BAD)
        for _ in range(2):  # a complaint is not remembered as a pass
            code, text = self.tidy()
            self.assertEqual(code, 1)
            self.assertIn("plant/level.cc:2:5: error: invalid case style for function 'LevelOf'", text)
        self.assertIn("2 files, 1 looked at", text)
        self.write("plant/level.cc", GOOD)
        self.assertEqual(self.tidy()[0], 0)

    def test_what_did_not_change_is_not_looked_at_again(self):
        self.write("plant/level.cc", GOOD)
        self.assertIn("2 files, 2 looked at", self.tidy()[1])
        self.assertIn("2 files, 0 looked at", self.tidy()[1])

    def test_a_change_of_a_header_reaches_those_who_include_it(self):
        self.write("plant/level.cc", GOOD)
        self.tidy()
        self.write("plant/level.h", HEADER.replace("twice", "Twice") + "inline int twice(int step) { return Twice(step); }\n")
        code, text = self.tidy()
        self.assertEqual(code, 1)
        self.assertIn("plant/level.h:2:12: error: invalid case style for function 'Twice'", text)
        self.assertIn("2 files, 1 looked at", text)

    def test_a_change_of_the_rules_reaches_everything(self):
        self.write("plant/level.cc", GOOD)
        self.tidy()
        with open(self.root / ".clang-tidy", "a", encoding="utf-8") as rules:
            rules.write("# stricter\n")
        self.assertIn("2 files, 2 looked at", self.tidy()[1])


if __name__ == "__main__":
    unittest.main()
