#!/usr/bin/env python3
"""Runs clang-tidy over every source of plant/ and harness/ in a compile database. A file that passed is not looked at again until
something it depends on changes: itself, a header of ours, a schema, its compile command, .clang-tidy or the tool.

usage: ci/check_tidy.py BUILD_FOLDER [FILE...]        all files unless some are named; exit code 1 if a check complained
"""
import concurrent.futures
import hashlib
import json
import os
import pathlib
import re
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent
ROOMS = ("plant/", "harness/")
INCLUDE = re.compile(rb'^\s*#\s*include\s*"([^"]+)"', re.MULTILINE)


def closure(file, seen):
    """The file and every file of ours that it includes, directly or not."""
    if file in seen or not file.is_file():
        return seen
    seen.add(file)
    for name in INCLUDE.findall(file.read_bytes()):
        closure(ROOT / name.decode(), seen)
    return seen


def key_of(entry, common):
    """A hash over all that decides what clang-tidy says about a file."""
    digest = hashlib.sha256(common)
    digest.update(entry["command"].encode())
    for file in sorted(closure(pathlib.Path(entry["file"]), set())):
        digest.update(file.relative_to(ROOT).as_posix().encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()


def tidy(build, entry):
    done = subprocess.run(["clang-tidy", "--quiet", "-p", str(build), entry["file"]], capture_output=True, text=True, check=False)
    # The tool counts the warnings of others' headers on stderr; only what it prints on stdout is about ours.
    return done.returncode, done.stdout + (done.stderr if done.returncode and not done.stdout else "")


def main(arguments):
    if not arguments or any(a in ("-h", "--help") for a in arguments):
        print(__doc__.strip())
        return 0 if arguments else 64
    build = pathlib.Path(arguments[0]).resolve()
    only = {str(pathlib.Path(name).resolve()) for name in arguments[1:]}
    with open(build / "compile_commands.json", encoding="utf-8") as database:
        entries = [e for e in json.load(database)
                   if os.path.relpath(e["file"], ROOT).startswith(ROOMS) and (not only or e["file"] in only)]
    version = subprocess.run(["clang-tidy", "--version"], capture_output=True, check=True).stdout
    common = version + (ROOT / ".clang-tidy").read_bytes() + b"".join(f.read_bytes() for f in sorted((ROOT / "proto").glob("*.proto")))
    stamps = ROOT / "build" / "lint"
    stamps.mkdir(parents=True, exist_ok=True)
    keys = {e["file"]: key_of(e, common) for e in entries}
    stale = [e for e in entries if not (stamps / keys[e["file"]]).exists()]
    started = time.monotonic()
    failed = 0
    with concurrent.futures.ThreadPoolExecutor(max_workers=len(os.sched_getaffinity(0))) as pool:
        for entry, (code, text) in zip(stale, pool.map(lambda e: tidy(build, e), stale)):
            if code == 0:
                (stamps / keys[entry["file"]]).touch()
            else:
                failed += 1
                print(text.rstrip())
    print(f"clang-tidy: {len(entries)} files, {len(stale)} looked at in {time.monotonic() - started:.0f} s, {failed} with complaints")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
