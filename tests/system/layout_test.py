"""ci/check_layout.py finds what does not belong, what is too long, and what would make two runs of the same inputs differ."""
import subprocess
import unittest

from tree import TreeTest

HEADER = "// A model.\n#pragma once\n"
ROOM_HEADER = "// A monitor.\n// Room: harness/verdict. May use harness/trace.\n#pragma once\n"
OFFENCES = (
    ("notes.txt", "hello\n", "does not belong at the top"),
    ("scratch/x.cc", "int x;\n", "does not belong at the top"),
    ("plant/circuit.h", HEADER + "\n" * 249, "longer than 250 lines"),
    ("plant/circuit.cc", "\n" * 401, "longer than 400 lines"),
    ("plant/circuit.h", "#pragma once\n", "opens with a comment"),
    ("plant/circuit.h", "// A model.\n", "no #pragma once"),
    ("harness/verdict/mean.h", HEADER, "says which room it is"),
    ("harness/rig/rig.cc", "std::unordered_map<int, int> m;\n", "unordered container"),
    ("harness/rig/rig.cc", "std::random_device r;\n", "generator seeded by the caller"),
    ("harness/rig/rig.cc", "int r = rand();\n", "generator seeded by the caller"),
    ("harness/rig/rig.cc", "auto t = std::chrono::steady_clock::now();\n", "wall clock"),
    ("plant/noise.cc", "std::normal_distribution<double> d;\n", "not the same in every library"),
    ("plant/CMakeLists.txt", "add_compile_options(-ffast-math)\n", "not repeatable"),
)
FINE = (
    ("README.md", "words\n"),
    ("plant/circuit.h", HEADER + "\n" * 248),
    ("plant/circuit.cc", "// no unordered_map here\n" + "\n" * 399),
    ("harness/verdict/mean.h", ROOM_HEADER),
    ("harness/testing/suite.cc", "auto t = std::chrono::steady_clock::now();\n"),
    ("fixtures/reference_device/main.c", "\n" * 500),
)


class Layout(TreeTest):

    def test_each_offence_is_found(self):
        for path, text, complaint in OFFENCES:
            with self.subTest(path=path, complaint=complaint):
                file = self.write(path, text)
                code, lines = self.run_check("check_layout.py", self.root)
                file.unlink()
                self.assertEqual(code, 1)
                self.assertEqual(len(lines), 1, lines)
                self.assertTrue(lines[0].startswith(path.split("/")[0]), lines[0])
                self.assertIn(complaint, lines[0])

    def test_a_well_kept_tree_passes(self):
        for path, text in FINE:
            self.write(path, text)
        self.assertEqual(self.run_check("check_layout.py", self.root), (0, []))

    def test_files_that_are_not_tracked_are_left_alone(self):
        subprocess.run(["git", "init", "-q", self.root], check=True)
        self.write("out/page.html", "")
        self.write("plant/circuit.h", HEADER)
        subprocess.run(["git", "-C", self.root, "add", "plant"], check=True)
        self.assertEqual(self.run_check("check_layout.py", self.root), (0, []))
        subprocess.run(["git", "-C", self.root, "add", "out"], check=True)
        self.assertEqual(self.run_check("check_layout.py", self.root)[0], 1)


if __name__ == "__main__":
    unittest.main()
