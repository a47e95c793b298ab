"""Which files of a folder are recordings, by what is in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.core.texts import file_name
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.labels import recognise
from sleepbrux.recording.opening import Hints, family, unread

Verdict = Literal["recording", "other", "unsaid"]
Beside = Literal["stages", "marks", "sound", ""]
# What no muscle channel can be: a file of these alone lies beside a recording and is none to score.
_BESIDE = frozenset({"pulse", "respiration", "audio", "accelerometer", "position", "oximetry"})
FASTEST_EMG_HZ = 8000
_ARCHIVE = ".night.h5"
TABLES = frozenset({".csv", ".tsv", ".txt", ".asc", ".dat"})


@dataclass(frozen=True)
class Candidate:
    """Whether a file is a recording.

    Attributes
    ----------
    verdict
        ``"other"``: a file that might be taken for one, with the reason; ``"unsaid"``: anything else.
    """

    verdict: Verdict
    reason: str = ""


def candidate(path: Path, hints: Hints | None = None, channels: Sequence[str] = ()) -> Candidate:
    """Look at the beginning of a file, and take what a user says of it.

    A file that is a recording by its first bytes, or by the name of a format that only recordings have,
    is one also when it is damaged: then whoever scores it gets the reason.
    """
    hints = hints or Hints()
    suffix = path.suffix.lower()
    try:
        kind = family(path)
    except (SleepbruxError, OSError):
        known = suffix in {".edf", ".bdf"}
        return Candidate("recording" if known else "unsaid")
    if kind in ("mne", "EDF") or suffix in {".edf", ".bdf"}:
        return Candidate("recording")
    if kind == "HDF5" and not path.name.lower().endswith(_ARCHIVE):
        return Candidate("recording")
    if kind == "WAV":
        return _sound(path, said=bool(hints.roles or hints.scale or channels))
    if kind == "text" and suffix in TABLES:
        return _table(path, hints, channels)
    reason = unread(path) if not kind else ""
    return Candidate("other", reason) if reason else Candidate("unsaid")


def beside_kind(path: Path) -> Beside:
    """What a file that is no recording holds of a night: sleep stages, marks or sound; empty for none of them."""
    from sleepbrux.recording.formats.text_table import read_rows
    from sleepbrux.recording.mark_table import mark_columns
    from sleepbrux.recording.stages import names_stages

    try:
        kind = family(path)
        if kind == "WAV":
            return "sound" if _sound(path, said=False).verdict == "other" else ""
        if kind != "text" or path.suffix.lower() not in TABLES:
            return "stages" if kind == "EDF" and names_stages(path) else ""
        if names_stages(path):
            return "stages"
        _, rows = read_rows(path, Findings(path))
    except (SleepbruxError, OSError):
        return ""
    return "marks" if len(rows) > 1 and mark_columns(rows[0]) is not None else ""


def _sound(path: Path, *, said: bool) -> Candidate:
    from sleepbrux.recording.formats.wav import rate_of

    rate = rate_of(path)
    if rate is not None and rate >= FASTEST_EMG_HZ and not said:
        return Candidate("other", f"{rate} samples a second are those of sound")
    return Candidate("recording")


def _table(path: Path, hints: Hints, channels: Sequence[str]) -> Candidate:
    from sleepbrux.recording.formats.table import head_of
    from sleepbrux.recording.formats.table_form import read_columns

    try:
        columns = read_columns(head_of(path), time_unit=hints.time_unit, found=Findings(path))
    except SleepbruxError as error:
        return Candidate("other", str(error).removeprefix(f"{file_name(path)}: ").rstrip("."))
    if columns is None or not columns.signals:
        return Candidate("other", "no table of samples")
    if not columns.time and not columns.rate and hints.rate_hz is None:
        return Candidate("other", "a table without a time column, and no rate is given")
    named = {*channels, *(label for label, _ in hints.roles)}
    names = [columns.names[k] for k in columns.signals]
    if all(recognise(name)[0] in _BESIDE and name not in named for name in names):
        return Candidate("other", "no column is a muscle's")
    return Candidate("recording")
