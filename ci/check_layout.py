#!/usr/bin/env python3
"""Keeps the shape of the house: what may lie at the top, small files, headers that say which room they are, and nothing that would
make two runs of the same inputs differ.

usage: ci/check_layout.py [ROOT]        prints file:line of every offence; exit code 1 if there was one
"""
import pathlib
import re
import subprocess
import sys

TOP = {".ci", ".clang-format", ".clang-tidy", ".gitignore", "CMakeLists.txt", "DEVELOPERS.md", "LICENSE",
       "README.md", "ci", "fixtures", "harness", "plant", "proto", "tests"}

MOST_LINES = {".h": 250, ".cc": 400}
SOURCES = ("plant/", "harness/", "tests/")

# Same image, profiles, scenario and seed: same trace, bit for bit. What would break that, and who may use it all the same.
WALL_CLOCK = "the wall clock has no place in a run; time comes from zero, or from the caller"
UNREPEATABLE = (
    (re.compile(r"\bunordered_(?:multi)?(?:map|set)\b"), "the order of an unordered container differs between builds", ()),
    (re.compile(r"\brandom_device\b|\bs?rand\s*\("), "random numbers come from a generator seeded by the caller", ()),
    (re.compile(r"\b(?:system|steady|high_resolution|file)_clock\b|\bgettimeofday\b|\bclock_gettime\b"), WALL_CLOCK,
     ("harness/testing/", "harness/report/", "harness/cli/", "harness/rig/realtime_clock.cc", "tests/")),
    (re.compile(r"\bstd::(?:normal|uniform_real|uniform_int|exponential|poisson|bernoulli|lognormal|gamma)_?\w*_distribution\b"),
     "the standard's distributions are not the same in every library; draw by a formula of ours", ("tests/",)),
    (re.compile(r"-ffast-math|-Ofast|\bFP_CONTRACT\s+ON"), "arithmetic that the compiler may rearrange is not repeatable", ()),
)
COMMENT = re.compile(r"//.*")
ROOM = re.compile(r"// (?:.*\W)?Room: harness/")


def tracked(root):
    """Files under version control; all files where there is none (a copy, a test)."""
    listing = subprocess.run(["git", "-C", str(root), "ls-files", "-z"], capture_output=True, check=False)
    if (root / ".git").exists() and listing.returncode == 0:
        names = [name for name in listing.stdout.decode().split("\0") if name]
        return [name for name in names if (root / name).is_file()]
    return [file.relative_to(root).as_posix() for file in sorted(root.rglob("*")) if file.is_file()]


def offences(root):
    for name in sorted({name.split("/", 1)[0] for name in tracked(root)} - TOP):
        yield f"{name}:1: does not belong at the top of the repository"
    for name in tracked(root):
        ending = pathlib.PurePosixPath(name).suffix
        is_build_file = name.endswith(("CMakeLists.txt", ".cmake")) or name == "ci/build"
        if not is_build_file and not (name.startswith(SOURCES) and ending in MOST_LINES):
            continue
        lines = (root / name).read_text(encoding="utf-8").splitlines()
        if ending in MOST_LINES and len(lines) > MOST_LINES[ending]:
            yield f"{name}:{len(lines)}: longer than {MOST_LINES[ending]} lines; split it by reason to change"
        if ending == ".h":
            if not lines or not lines[0].startswith("// "):
                yield f"{name}:1: a header opens with a comment that says what it is for"
            if "#pragma once" not in lines:
                yield f"{name}:1: no #pragma once"
            if name.startswith("harness/") and not any(ROOM.match(line) for line in lines[:20]):
                yield f"{name}:1: a header says which room it is: 'Room: harness/...'"
        for number, line in enumerate(lines, 1):
            code = COMMENT.sub("", line)
            for pattern, why, allowed in UNREPEATABLE:
                if pattern.search(code) and not name.startswith(tuple(allowed) or ("\0",)):
                    yield f"{name}:{number}: {why}"


def main(arguments):
    if len(arguments) > 1 or any(a in ("-h", "--help") for a in arguments):
        print(__doc__.strip())
        return 0 if len(arguments) == 1 else 64
    root = pathlib.Path(arguments[0]) if arguments else pathlib.Path(__file__).resolve().parent.parent
    found = list(offences(root))
    print("\n".join(found), end="\n" if found else "")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
