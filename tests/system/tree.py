"""A small repository made for one test, and the project's checks run over it."""
import pathlib
import shutil
import subprocess
import tempfile
import unittest

PROJECT = pathlib.Path(__file__).resolve().parents[2]


class TreeTest(unittest.TestCase):
    """Each test has a folder of its own in self.root, empty at first."""

    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="dawnrig-system-")
        self.addCleanup(folder.cleanup)
        self.root = pathlib.Path(folder.name).resolve()

    def write(self, path, text):
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
        return file

    def copy(self, *paths):
        for path in paths:
            (self.root / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(PROJECT / path, self.root / path)

    def run_check(self, script, *arguments):
        """Exit code and lines of a check of the project."""
        done = subprocess.run([PROJECT / "ci" / script, *arguments], capture_output=True, text=True, check=False)
        self.assertEqual(done.stderr, "")
        return done.returncode, done.stdout.splitlines()
