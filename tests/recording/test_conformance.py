"""Files with one deliberate format error each, and what a strict reader says about them.

The strict reader refuses every error. A night is recorded once, so here most errors are read with
a note; `DIFFERENCES` says file by file what is noted and why users want it.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import open_recording

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "data" / "edf" / "conformance"
if not FOLDER.is_dir():
    pytest.skip("the conformance files are not on this machine", allow_module_level=True)

with (FOLDER / "verdicts.tsv").open(encoding="utf-8", newline="") as _handle:
    VERDICTS = {
        row["file"]: row["verdict"] for row in csv.DictReader(_handle, delimiter="\t", quoting=csv.QUOTE_NONE)
    }

# The files with an error have units such as "uVxxxxxx", which the standard allows.
EVERYWHERE = {"unit-unknown"}


class Difference(NamedTuple):
    """What a file that the strict reader refuses is noted for here, and why it is read."""

    codes: set[str]
    why: str


_DATE = "the date orders nights; a slip in it does not touch one sample"
_ASCII = "text with an accent changes no number"
_COUNT = "a recorder that loses power leaves the count unset; the file's size gives it"
_SPELLING = "the number has one reading"
_RANGE = "the scale is right all the same; only the rails are doubtful"
_TIMES = "one wrong record time does not spoil the night; the records follow each other"
_TEXT = "one lost mark is no reason to lose the night"
_NO_MEANING = "the range of an annotation channel has no meaning"

DIFFERENCES = {
    "003.edf": Difference({"version"}, _SPELLING),
    "004.edf": Difference({"patient-form"}, "who slept is no matter of the reader"),
    "005.edf": Difference({"date-form"}, _DATE),
    "006.edf": Difference({"dates-differ"}, _DATE),
    "007.edf": Difference({"dates-differ"}, _DATE),
    "009.edf": Difference({"annotation-label"}, "the lists are plain to see"),
    "010.edf": Difference({"header-not-ascii"}, _ASCII),
    "011.edf": Difference({"number-padding"}, _SPELLING),
    "012.edf": Difference({"comma-decimal"}, _SPELLING),
    "013.edf": Difference({"number-form"}, _SPELLING),
    "014.edf": Difference({"header-not-ascii"}, _ASCII),
    "015.edf": Difference({"header-not-ascii"}, _ASCII),
    "016.edf": Difference({"header-not-ascii"}, _ASCII),
    "017.edf": Difference({"header-not-ascii"}, _ASCII),
    "018.edf": Difference({"number-form"}, _SPELLING),
    "019.edf": Difference({"date-form"}, _DATE),
    "020.edf": Difference({"record-times-backward"}, _TIMES),
    "021.edf": Difference({"record-times-uneven"}, "recorders write times with a millisecond lost"),
    "022.edf": Difference({"record-times-missing", "marks-unreadable"}, _TIMES),
    "023.edf": Difference({"record-times-backward"}, _TIMES),
    "024.edf": Difference({"marks-unreadable"}, _TEXT),
    "025.edf": Difference({"marks-unreadable"}, _TEXT),
    "027.edf": Difference({"digital-range"}, _RANGE),
    "028.edf": Difference({"digital-range"}, _RANGE),
    "031.bdf": Difference({"annotation-range"}, _NO_MEANING),
    "032.bdf": Difference({"annotation-range"}, _NO_MEANING),
    "033.bdf": Difference({"annotation-range"}, _NO_MEANING),
    "034.bdf": Difference({"digital-inverted"}, "the formula holds; the polarity may be meant"),
    "035.bdf": Difference({"channel-fault"}, "the other channels have a scale"),
    "037.bdf": Difference({"records-inferred"}, _COUNT),
    "038.bdf": Difference({"records-inferred"}, _COUNT),
    "039.bdf": Difference({"records-differ"}, _COUNT),
    "040.bdf": Difference({"number-padding"}, _SPELLING),
    "042.bdf": Difference({"digital-range"}, _RANGE),
    "043.bdf": Difference({"digital-range"}, _RANGE),
    "045.edf": Difference({"dates-differ"}, _DATE),
}

# Valid to the strict reader, warned about here: a channel without a label cannot be found to be a
# jaw muscle, so the user must say what it is.
WARNED_THOUGH_VALID = {
    "047.edf": {"label-empty"},
    "048.edf": {"label-empty"},
    "049.edf": {"label-empty"},
}


def files(verdict: str) -> list[str]:
    return [name for name, said in VERDICTS.items() if said.startswith(verdict)]


def codes(recording: Recording, severity: str = "") -> set[str]:
    return {note.code for note in recording.notes if severity in {"", note.severity}}


def stored(recording: Recording) -> list[np.ndarray]:
    return [samples(recording, c, 0, c.n_stored) for c in recording.channels]


@pytest.mark.shows("outside-edf")
def test_every_file_has_a_verdict_and_the_three_verdicts_are_all():
    assert set(VERDICTS) == {path.name for path in FOLDER.glob("*.?df")}
    kinds = [files("valid"), files("format error"), files("discontinuous (legal EDF+D)")]
    assert [len(names) for names in kinds] == [12, 36, 1]


@pytest.mark.parametrize("name", files("valid"))
def test_a_valid_file_is_read_without_a_warning(name):
    recording = open_recording(FOLDER / name)
    assert codes(recording, "warning") == WARNED_THOUGH_VALID.get(name, set())
    assert recording.gaps == ()
    for channel, data in zip(recording.channels, stored(recording), strict=True):
        assert len(data) == channel.n_stored == round(recording.duration_s * channel.rate)


@pytest.mark.parametrize("name", files("format error"))
def test_a_format_error_is_refused_or_noted_as_the_table_of_differences_says(name):
    try:
        recording = open_recording(FOLDER / name)
    except RecordingError:
        assert name not in DIFFERENCES
        return
    noted = codes(recording) - EVERYWHERE
    assert noted
    assert noted == DIFFERENCES[name].codes
    assert all(len(data) for data in stored(recording))


def test_the_table_of_differences_names_files_with_a_format_error_only():
    assert set(DIFFERENCES) <= set(files("format error"))


@pytest.mark.parametrize("name", [n for n in files("format error") if n.endswith(".edf")])
def test_an_error_outside_the_samples_leaves_the_samples_as_they_are(name):
    valid = open_recording(FOLDER / "002.edf")
    for expected, read in zip(stored(valid), stored(open_recording(FOLDER / name)), strict=True):
        np.testing.assert_array_equal(read, expected)


def test_the_legal_discontinuous_file_is_read_as_one_piece():
    (name,) = files("discontinuous")
    recording = open_recording(FOLDER / name)
    assert recording.format == "EDF+D"
    assert codes(recording, "warning") == set()
    assert recording.gaps == ()
    assert [len(c.pieces) for c in recording.channels] == [1] * len(recording.channels)
