#!/usr/bin/env python3
"""Keeps the floors of the house: what each room may include, read from the #include lines of plant/, harness/ and tests/.

usage: ci/check_floors.py [ROOT]        prints file:line of every offence; exit code 1 if there was one
"""
import pathlib
import re
import sys

# What every room of the harness may include: the version, which is no room's business.
FREE = {"harness/version.h"}

# What each room may include of ours, beside itself. A room that is not listed is an offence, so that a new one is thought about.
BELOW_PROFILE = {"plant", "harness/base", "harness/device"}
BELOW_RIG = BELOW_PROFILE | {"harness/profile", "harness/scenario", "harness/trace"}
BELOW_TESTING = BELOW_RIG | {"harness/link", "harness/rig", "harness/verdict"}
MAY_INCLUDE = {
    "harness": set(),
    "plant/core": set(),
    "plant/battery": {"plant/core"},
    "plant/load": {"plant/core"},
    "plant/panel": {"plant/core"},
    "plant/sense": {"plant/core"},
    "plant/sky": {"plant/core"},
    "plant/stage": {"plant/core"},
    "plant/wiring": {"plant/core"},
    "plant": {"plant"},
    "harness/base": {"plant/core"},
    "harness/device": {"plant/core", "harness/base"},
    "harness/link": {"plant/core", "harness/base"},
    "harness/profile": BELOW_PROFILE,
    "harness/scenario": BELOW_PROFILE,
    "harness/characteristic": BELOW_PROFILE | {"harness/profile", "harness/scenario"},
    "harness/metering": BELOW_PROFILE | {"harness/profile"},
    "harness/trace": {"plant/core", "harness/base"},
    "harness/rig": BELOW_RIG | {"harness/link"},
    "harness/verdict": BELOW_RIG,
    "harness/testing": BELOW_TESTING,
    "harness/report": BELOW_TESTING,
    "harness/cli": BELOW_TESTING | {"harness/testing", "harness/report", "harness/characteristic", "harness/metering"},
    "tests": {"plant", "harness", "tests", "fixtures"},
}

# Third parties: how their headers are named, where they may be used, and whether in headers of ours too.
EVERYWHERE = ("",)
HARNESS = ("harness/", "tests/")
THIRD_PARTIES = (
    # name, pattern, folders, in headers of ours under
    ("Eigen", r"Eigen/", ("plant/", "tests/plant/"), EVERYWHERE),
    ("protobuf", r"google/protobuf/|(proto/)?\w+\.pb\.h$", HARNESS, ("tests/",)),
    ("Boost", r"boost/", HARNESS, ("tests/",)),
    ("spdlog", r"(spdlog|fmt)/", HARNESS, ("tests/",)),
    ("simavr", r"simavr/|(sim|avr)_\w+\.h$|avr/", ("harness/device/", "tests/device/", "tests/benchmark/"), ()),
    ("AsmJit", r"asmjit/", ("harness/device/",), ()),
    ("libelf", r"(libelf|gelf|elf)\.h$", ("harness/device/", "tests/device/"), ()),
    ("OpenSSL", r"openssl/", HARNESS, ("tests/",)),
    ("zlib", r"(zlib|zconf)\.h$", HARNESS, ("tests/",)),
    ("CLI11", r"CLI/", ("harness/cli/", "harness/testing/"), ()),
    ("GoogleTest", r"(gtest|gmock)/", ("harness/testing/", "tests/"), EVERYWHERE),
    ("benchmark", r"benchmark/", ("tests/benchmark/",), EVERYWHERE),
)
# A header so named is private to the folder of the device, so it may show the simulator's types.
INTERNAL_HEADER = re.compile(r"harness/device/\w+_internal\.h$")

# The physics knows neither the outside world nor threads.
NOT_IN_PLANT = {"condition_variable", "ctime", "filesystem", "fstream", "future", "iostream", "mutex", "stop_token", "thread"}
# The operating system: in .cc files of the harness and in tests.
SYSTEM = re.compile(r"(sys/|linux/)?(errno|eventfd|fcntl|ioctl|malloc|mman|poll|pthread|resource|sched|serial|signal|stat|statvfs|termios|time|types|unistd|wait)\.h$")
STANDARD = re.compile(r"[a-z_]+$")  # <vector>: no folder, no ending

INCLUDE = re.compile(r'^\s*#\s*include\s*(?:"([^"]+)"|<([^>]+)>)')
ROOTS = ("plant", "harness", "tests")
ENDINGS = {".h", ".cc"}


def room_of(path):
    """The longest name in MAY_INCLUDE that the file's folder begins with; None if there is none."""
    folder = path.rsplit("/", 1)[0] if "/" in path else ""
    if folder.startswith("tests"):
        return "tests"
    return folder if folder in MAY_INCLUDE else next(
        (room for room in sorted(MAY_INCLUDE, key=len, reverse=True)
         if room not in ("plant", "harness") and folder.startswith(room + "/")), None)


def is_under(path, room):
    return path.startswith(room + "/")


def complaint_about(path, name, quoted):
    """What is wrong with one include, or None."""
    in_header = path.endswith(".h")
    for party, pattern, folders, headers in THIRD_PARTIES:
        if not re.match(pattern, name):
            continue
        if not path.startswith(tuple(folders)):
            return f"{party} is for {', '.join(folders)} only"
        if in_header and not path.startswith(tuple(headers) or ("\0",)) and not INTERNAL_HEADER.match(path):
            return f"{party} belongs in .cc files, never in a header"
        return None
    if not quoted:
        if in_header and name == "iostream":
            return "<iostream> belongs in .cc files, never in a header"
        if path.startswith("plant/") and name in NOT_IN_PLANT:
            return f"<{name}> is not for the physics"
        if STANDARD.match(name):
            return None
        if SYSTEM.match(name) and path.startswith(HARNESS):
            return f"<{name}> belongs in .cc files, never in a header" if in_header and path.startswith("harness/") else None
        return f"<{name}> is no third party that the house knows"
    if path.startswith("tests/") and "/" not in name:
        return None  # a helper beside the test
    if ".." in name.split("/") or not name.startswith(("plant/", "harness/", "tests/", "fixtures/")):
        return f'"{name}" is not named from the root of the repository'
    room = room_of(path)
    if room is None:
        return f"the room of {path} is not in MAY_INCLUDE of ci/check_floors.py"
    if path.startswith("tests/"):
        return None
    if name.startswith(("tests/", "fixtures/")):
        return "only tests may include tests and fixtures"
    if room_of(name) == room or (name in FREE and path.startswith("harness/")) or any(is_under(name, below) for below in MAY_INCLUDE[room]):
        return None
    return f"{room} may not include {room_of(name) or name}"


def offences(root):
    for top in ROOTS:
        for file in sorted((root / top).rglob("*")):
            if file.suffix not in ENDINGS:
                continue
            path = file.relative_to(root).as_posix()
            for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
                found = INCLUDE.match(line)
                if found is None:
                    continue
                complaint = complaint_about(path, found[1] or found[2], found[1] is not None)
                if complaint is not None:
                    yield f"{path}:{number}: {complaint}"


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
