"""The catalogue of what the suite covers: complete, and true of the requirements, the tests and the mutants.

usage: catalogue_test.py BUILD_FOLDER [unittest arguments]
"""
import pathlib
import re
import subprocess
import sys
import tempfile
import unittest

from tree import PROJECT

BUILD = pathlib.Path(sys.argv.pop(1)).resolve() if len(sys.argv) > 1 else PROJECT / "build/release"
REQUIREMENTS = (PROJECT / "fixtures/requirements/charge_controller.textproto").read_text(encoding="utf-8")
CATALOGUE = (PROJECT / "fixtures/requirements/catalogue.textproto").read_text(encoding="utf-8")
MUTANTS = PROJECT / "fixtures/reference_device/mutants"


def subjects():
    """id -> (requirements, reasons)"""
    found = {}
    for block in re.findall(r"^subject \{\n(.*?)^\}", CATALOGUE, re.MULTILINE | re.DOTALL):
        identifier = re.search(r'^  id: "(\w+)"', block, re.MULTILINE).group(1)
        assert identifier not in found, f"{identifier} stands twice"
        found[identifier] = (re.findall(r'^  requirement: "([A-Z0-9-]+)"', block, re.MULTILINE),
                             re.findall(r"^  (\w+_because): ", block, re.MULTILINE))
    return found


class Catalogue(unittest.TestCase):

    def test_holds_every_subject(self):
        wanted = {f"{letter}{n}" for letter, last in (("R", 13), ("T", 12), ("L", 8), ("F", 26), ("G", 7)) for n in range(1, last + 1)}
        self.assertEqual(set(subjects()), wanted)

    def test_each_subject_is_judged_or_says_why_not(self):
        for identifier, (requirements, reasons) in subjects().items():
            self.assertTrue(requirements or reasons, identifier)

    def test_names_requirements_that_exist_and_forgets_none(self):
        known = set(re.findall(r'^  id: "([A-Z0-9-]+)"', REQUIREMENTS, re.MULTILINE))
        named = {r for requirements, _ in subjects().values() for r in requirements}
        self.assertEqual(named - known, set(), "no such requirement")
        self.assertEqual(known - named, set(), "in no subject of the catalogue")

    def test_every_requirement_is_judged_by_some_test(self):
        tests = "".join(f.read_text(encoding="utf-8") for f in (PROJECT / "tests/acceptance").glob("*.cc"))
        for requirement in re.findall(r'^  id: "([A-Z0-9-]+)"', REQUIREMENTS, re.MULTILINE):
            self.assertIn(f'"{requirement}"', tests, f"{requirement} is judged nowhere")

    def test_every_mutant_still_fits_the_firmware(self):
        """ctest builds few of them, so that a change of the firmware would be seen by ci/mutants alone."""
        patches = sorted(MUTANTS.glob("*.patch"))
        with tempfile.TemporaryDirectory() as folder:
            for patch in patches:
                done = subprocess.run(["patch", "--dry-run", "--fuzz=0", "-p1", "-d", MUTANTS.parent, "-r", f"{folder}/rejected", "-i", patch],
                                      capture_output=True, text=True, check=False)
                self.assertEqual(done.returncode, 0, f"{patch.name}: {done.stdout}")

    def test_mutants_name_requirements_and_tests_that_exist(self):
        known = set(re.findall(r'^  id: "([A-Z0-9-]+)"', REQUIREMENTS, re.MULTILINE))
        tests = set()
        for file in (PROJECT / "tests/acceptance").glob("*.cc"):
            tests |= {f"{group}.{name}" for group, name in re.findall(r"^TEST_F\((\w+),\s*(\w+)\)", file.read_text(encoding="utf-8"), re.MULTILINE)}
        self.assertGreater(len(list(MUTANTS.glob("*.patch"))), 49)
        for patch in MUTANTS.glob("*.patch"):
            head = patch.read_text(encoding="utf-8").split("\n--- ")[0]
            for requirement in re.search(r"^found by: (.+)$", head, re.MULTILINE).group(1).split():
                self.assertIn(requirement, known, patch.name)
            for pattern in re.search(r"^tests: (.+)$", head, re.MULTILINE).group(1).split(":"):
                fits = re.compile(re.escape(pattern).replace(r"\*", ".*"))
                self.assertTrue(any(fits.fullmatch(test) for test in tests), f"{patch.name}: no test is called {pattern}")


if __name__ == "__main__":
    unittest.main()
