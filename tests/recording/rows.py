"""Bad inputs and the tests of each: ``python -m tests.recording.rows`` writes the page.

A test of ``tests/recording`` whose name holds ``row_NN`` (or ``row_NN_and_MM``) shows these rows.
"""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
PAGE = HERE / "rows.md"
ROWS = {
    1: "dimension µV in Latin-1: a note, µV",
    2: "dimension µV in UTF-8: a note, µV",
    3: "dimension µV in Shift-JIS or CP437: a warning, µV",
    4: "UV, uv, microV, NUL-padded: a warning, µV",
    5: "dimension nV, mV, V: converted",
    6: "dimension blank or unknown: arbitrary units until a unit is given, relative criteria only",
    7: "dimension wrong by a thousand: doubted by range and by resting level, overridden by --unit",
    8: "-1 records: inferred from the size",
    9: "more or fewer records than stated: the size counts, both are told",
    10: "last record cut, odd byte: left out, its seconds told",
    11: "bytes after the last record: a note, records' worth a warning",
    12: "record duration 0: refused until one is given",
    13: "a rate that is no whole number: kept as a fraction",
    14: "records of 0.1, 10 or 30 s: read",
    15: "a rate for each channel: kept",
    16: "one faster channel: the others stay as they are",
    17: "EDF+D with a gap: a gap on the clock",
    18: "EDF+D without a gap: a note",
    19: "EDF+C whose record times jump or drift: gaps",
    20: "date with / - or colon: read, a warning",
    21: "date 00.00.00, empty, words: unknown, the time of day stays",
    22: "anonymised date 01.01.85: never shown",
    23: "header date and Startdate differ: the latter, both shown",
    24: "month names of other languages: the header's date",
    25: "24.00.00, 12:30: normalised, else unknown",
    26: "start within a second: kept, onsets moved",
    27: "labels used twice: numbered",
    28: "labels empty, with tabs, cut at 16 letters: kept readable, mapped by the user",
    29: "labels in UTF-8 or Latin-1: read",
    30: "physical minimum = maximum: that channel cannot be scored",
    31: "digital minimum = maximum: that channel cannot be scored",
    32: "digital minimum above maximum: read, a warning",
    33: "physical minimum above maximum: read, a note",
    34: "decimal comma in a range: read, a warning",
    35: "comma in the duration, thousands marks: read where there is one reading, else refused",
    36: "prefilter as free text: never fails",
    37: "other letters in free fields: a note",
    38: "wrong number of header bytes or signals: what the size bears out, else refused",
    39: "annotations that are no UTF-8: Latin-1",
    40: "overlapping annotations: kept",
    41: "annotations outside the recording: kept, a note",
    42: "record time missing: taken to follow, a warning",
    43: "annotation lists that cannot be read: counted",
    44: "several annotation channels: merged",
    45: "EDF+ without annotations: a note",
    46: "a signal without samples: left out",
    47: "empty, cut, packed, other files: refused in plain words",
    48: "BDF named .edf and the reverse: content decides, a warning",
    49: "flat or saturated channel: measured, shown, left out of the hours",
    50: "files beyond 4 GB: offsets are right",
    51: "annotations without signals: refused unless marks are wanted",
    52: "CSV: decimal comma, BOM, units row, s or ms or clock, gaps, back-steps, shared stamps",
    53: "BrainVision: renamed, no marker file, Latin-1, mV",
    54: "WAV: 24 bit, float, RF64, wrong sizes, no calibration",
    55: "HDF5: unknown layout, no rate, no unit: listed, named by option",
}


def numbers_in(name: str) -> list[int]:
    """Rows in a test's name.

    >>> numbers_in("test_row_15_and_16_every_channel_keeps_its_own_rate")
    [15, 16]
    """
    found = re.search(r"row_((?:\d\d)(?:_and_\d\d)*)", name)
    return [int(n) for n in found[1].split("_and_")] if found else []


def tests_by_row() -> dict[int, list[str]]:
    """Names of the tests of each row, with their file."""
    found: dict[int, list[str]] = {row: [] for row in ROWS}
    for path in sorted(HERE.glob("test_*.py")):
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                for row in numbers_in(node.name):
                    found[row].append(f"{path.stem}::{node.name}")
    return found


def page() -> str:
    """The table as Markdown."""
    lines = [
        "# Bad inputs, and the tests of each",
        "",
        "Made by `python -m tests.recording.rows`; the suite fails where it is older than the tests.",
        "",
        "| row | input: what is wanted | tests |",
        "| --- | --- | --- |",
    ]
    lines += [
        f"| {row} | {ROWS[row]} | {'<br>'.join(f'`{name}`' for name in names)} |"
        for row, names in tests_by_row().items()
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
    sys.stdout.write(f"{PAGE}\n")
