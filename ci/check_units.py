#!/usr/bin/env python3
"""Sees to it that every number carries its unit in its name: doubles declared in headers of plant/ and harness/, and the
numeric fields of proto/.

A name is right when it ends in a unit, in one unit per another, or is a unit (`supply_v`, `ocv_tempco_v_per_k`, `degc`).
Dimensionless numbers end in _frac, or stand in WITHOUT_UNIT below with the reason.

usage: ci/check_units.py [ROOT]        prints file:line of every offence; exit code 1 if there was one
"""
import pathlib
import re
import sys

UNITS = ("v", "a", "w", "ohm", "f", "henry", "s", "ns", "hz", "degc", "k", "wpm2", "ah", "wh", "a2", "a2s", "j", "ev", "lsb", "frac", "kgm2", "bytes", "baud")
UNITS += ("deg", "m", "au", "pa")  # of the sky
UNITS += ("ticks", "cycles", "uv")  # of the interface board: half microseconds of its clock, cycles of its processor, its constants
# What may stand after "per" only.
DENOMINATORS = UNITS + ("month", "100ah", "12v", "coulomb", "farad", "soc")

# Names without a unit of their own, and why.
WITHOUT_UNIT = {
    # The unit stands in a field beside the number.
    **dict.fromkeys(("value", "lowest", "highest", "tolerance", "minus", "measured", "margin", "margin_in_tolerances",
                     "first_offence_value", "level_offset"), "in the unit that the limit beside it names"),
    **dict.fromkeys(("above", "at_least", "below", "at_most", "tolerance_abs"), "a bound in the unit of the field it bounds"),
    **dict.fromkeys(("min", "mean", "mean_of", "max", "low", "high"), "samples in the unit that the signal's name carries"),
    # Pure numbers.
    **dict.fromkeys(("scale", "factor"), "a multiple of a rated figure"),
    **dict.fromkeys(("battery_resistance_scale", "battery_cable_scale", "panel_cable_scale"), "a multiple of a figure of the site"),
    **dict.fromkeys(("resistance_scale", "capacity_scale", "acceptance_scale", "gassing_scale"),
                    "a multiple of what a battery measured when new"),
    "fraction": "written out",
    **dict.fromkeys(("linke_turbidity", "relative_air_mass"), "a multiple of a clean atmosphere, of the air at zenith"),
    **dict.fromkeys(("optical_depth", "spread"), "an exponent, and the deviation of a logarithm"),
    "incidence_cosine": "a cosine",
    "in_si": "a strong type's number, in the SI unit that the type names",
    "cells": "a count that may carry a tolerance",
    "emission_coefficient": "the n of the diode equation",
    "saturation_exponent": "of absolute temperature, in the diode equation",
    "values": "of an option whose name carries the unit",
    "cable_factor": "a multiple of a resistance at 20 degC",
    "unit_noise": "a draw of unit variance",
    **dict.fromkeys(("next", "drawn"), "a draw of unit variance"),
    "error": "the one argument of set_reference_error_frac",
    "area": "a signal's unit times seconds",
    "edit_distance": "a count of changed letters",
    **dict.fromkeys(("state", "load_state", "settled_load_state", "after_lockout_event"), "a load's own state: load.h says of which kind"),
    **dict.fromkeys(("worst_bend", "worst_error", "attempt", "move_slow", "move_pins", "move_filaments"), "an error against its tolerance: 1 is just good enough"),
    # Counts and names in schemas.
    **dict.fromkeys(("count", "closures", "load_tries", "equalise_days", "max_count", "min_count", "exercised", "planned"), "a count"),
    **dict.fromkeys(("modules_in_series", "strings", "bypass_diodes", "substring"), "a count, or a place in a row"),
    "averaged_codes": "a count",
    **dict.fromkeys(("seed", "address"), "a name that happens to be a number"),
    # The link with the interface board.
    **dict.fromkeys(("sequence", "host_sequence", "applied_sequence", "link_version", "board_link_version", "host_link_version",
                     "firmware_version", "serial_number", "wrong_field", "selecting_gate", "readback_input"),
                    "a name that happens to be a number"),
    **dict.fromkeys(("lines", "safe_lines", "pins", "flags", "failures", "reset_cause", "gates_used", "gates_active_low",
                     "two_level_channels", "connected_channels"), "a sum of bits that the field's comment names"),
    **dict.fromkeys(("edges", "glitches", "lost_edges", "frames_taken", "frames_broken", "messages_refused", "ticks_repeated",
                     "ticks_missing", "ticks_late", "ticks_too_early", "bytes_lost", "reports_skipped", "serial_bytes_lost"), "a count"),
    "calibrated_day": "a date",
    "readback_sum": "counts of the board's converter, summed",
}

# Rooms whose numbers have no unit of their own, and why.
ANY_UNIT = {
    "harness/verdict/": "monitors and fits work on signals of any unit: levels, swings and slopes have the signal's",
    "harness/metering/": "what a channel senses, in the unit of its quantity: volts, amperes or degrees",
    "harness/report/": "lengths on a picture, on a grid of the picture's own",
    "plant/sky/random.h": "draws of pure numbers",
    "plant/core/": "functions and integration formulas of pure numbers",
}
# Partial derivatives (panel_a_d_bus: d panel_a / d bus), logarithms, and the reciprocals and diagonal of the solver's matrix.
MATHS = re.compile(r"(?:\w+_)?d_\w+$|log_\w+$|\w+_(?:inverse|self)$")

UNIT = "(?:" + "|".join(UNITS) + ")"
PER = "(?:(?:^|_)per_(?:" + "|".join(DENOMINATORS) + "))"
GOOD = re.compile(rf"(?:.*_)?{UNIT}{PER}?(?:_at)?$|.*{PER}$|in_seconds$")

# `double a, b{0};`, `std::optional<double> a_v, b_v;`, `std::vector<double> time_s`, `std::array<double, N> sense_v{}`
DOUBLE = re.compile(
    r"(?:\b(?:std::)?(?:optional|vector|span|array)<\s*(?:const\s+)?double\s*(?:,[^>]*)?>|(?<!long )\bdouble)\s*[&*]?\s+"
    r"([A-Za-z_]\w*(?:\s*(?:\{[^}]*\}|=\s*[^,;(){}]+)?\s*,\s*(?!(?:const|std|double|bool|int|auto|trace|plant)\b)[A-Za-z_]\w*(?=\s*[,;{=]))*)")
FIELD = re.compile(r"^\s*(?:optional\s+|repeated\s+)?(?:double|float|Parameter|u?int(?:32|64)|s?fixed(?:32|64))\s+(\w+)\s*=\s*\d+")
COMMENT = re.compile(r"//.*|\"(?:[^\"\\]|\\.)*\"")


def names_in(declarators):
    """The declared names of `a{1}, b = 2, c`."""
    return [part.strip() for part in re.sub(r"\{[^}]*\}|=[^,]*", "", declarators).split(",")]


def is_good(path, name):
    name = name.rstrip("_")
    if path.startswith(tuple(ANY_UNIT)) or MATHS.match(name):
        return True
    if name.startswith("k") and name[1:2].isupper():  # constants: kGasOnsetV
        name = re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()
    return name in WITHOUT_UNIT or name == "operator" or GOOD.match(name) is not None


def offences(root):
    def walk(top, pattern):
        return sorted((root / top).rglob(pattern))

    for file in walk("plant", "*.h") + walk("harness", "*.h"):
        path = file.relative_to(root).as_posix()
        text = COMMENT.sub(lambda found: " " * len(found[0]), file.read_text(encoding="utf-8"))
        for declared in DOUBLE.finditer(text):
            for name in names_in(declared[1]):
                if not is_good(path, name):
                    line = text.count("\n", 0, text.index(name, declared.start(1))) + 1
                    yield f"{path}:{line}: double '{name}' carries no unit"
    for file in walk("proto", "*.proto"):
        path = file.relative_to(root).as_posix()
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
            field = FIELD.match(line)
            if field is not None and not is_good(path, field[1]):
                yield f"{path}:{number}: field '{field[1]}' carries no unit"


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
