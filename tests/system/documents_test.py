"""What the documents point at exists."""
import re
import unittest

from tree import PROJECT

# `path/of/something`, `path/with/*`, as it stands in a document; options and placeholders after a space are not part of it.
POINTER = re.compile(r"`((?:\.ci|ci|fixtures|harness|plant|proto|tests)/[^`\s<>]*)[^`]*`")


class Documents(unittest.TestCase):

    def test_every_path_they_name_is_there(self):
        for document in ("DEVELOPERS.md", "README.md"):
            for number, line in enumerate((PROJECT / document).read_text(encoding="utf-8").splitlines(), 1):
                for path in POINTER.findall(line):
                    with self.subTest(place=f"{document}:{number}", path=path):
                        self.assertTrue(list(PROJECT.glob(path.rstrip("/"))))

    def test_every_script_of_ci_is_explained(self):
        text = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
        for script in sorted((PROJECT / "ci").iterdir()):
            if script.is_file() and "." not in script.name:
                with self.subTest(script=script.name):
                    self.assertIn(f"ci/{script.name}", text)


if __name__ == "__main__":
    unittest.main()
