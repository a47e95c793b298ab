"""``python -m tests.outside.open_sets FOLDER``: open collections that only a person with internet can fetch.

Reads what is there, scores it, compares with its labels where it has some, and writes ``FOLDER/open_sets.csv``.
No figure of this project comes from it; ``sleepbrux/docs/open-sets.md`` says where each is described. Layout:

``sleep-pathology/``
    ``NAME.edf`` and, next to it, the scoring as a text table, ``NAME.txt``, as that collection publishes them.
``submental/``, ``facial/``
    A recording (EDF, BDF, CSV, WAV, HDF5) and ``NAME.labels.csv`` with the columns onset_s, duration_s, label.
"""

from __future__ import annotations

import csv
import re
import sys
import tempfile
import warnings
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

import sleepbrux as sb

FORMATS = (".edf", ".bdf", ".wav", ".h5", ".csv")
LABELS = ".labels.csv"
TABLE = "open_sets.csv"
CRITERION = "aasm"  # relative to the background: none of these sets has a maximal clench of its own
ROLES = ("jaw", "chin", "emg")


@dataclass(frozen=True)
class Row:
    """A recording, or one label of it.

    Attributes
    ----------
    valid_hours, episodes_per_hour, episodes_per_hour_of_sleep
        Of the recording; None where there is none.
    label, stretches, with_a_burst, with_an_episode
        A label, how often it was given, and in how many of these a counted burst or episode lies.
    matched, only_scored, only_labelled
        Bursts against labelled stretches, matched one to one.
    problem
        Why something is missing.
    """

    collection: str
    file: str
    channels: str = ""
    valid_hours: float | None = None
    episodes_per_hour: float | None = None
    episodes_per_hour_of_sleep: float | None = None
    label: str = ""
    stretches: int | None = None
    with_a_burst: int | None = None
    with_an_episode: int | None = None
    matched: int | None = None
    only_scored: int | None = None
    only_labelled: int | None = None
    problem: str = ""


def stages_of(text: str) -> list[tuple[str, int, str]]:
    """(clock time, seconds, stage) of a scoring in the text layout of the sleep-pathology collection.

    From memory: lines of prose, then a head with "Sleep Stage", "Time [hh:mm:ss]", "Event" and "Duration[s]", between
    tabs; epochs are the rows whose event begins with ``SLEEP-``.

    >>> head = "Sleep Stage\\tPosition\\tTime [hh:mm:ss]\\tEvent\\tDuration[s]\\tLocation"
    >>> stages_of(f"Name: x\\n{head}\\nS2\\tSupine\\t22:10:03\\tSLEEP-S2\\t30\\tROC-LOC\\n")
    [('22:10:03', 30, 'S2')]
    """
    lines = [line.split("\t") for line in text.splitlines()]
    at = next((k for k, row in enumerate(lines) if row[0].strip() == "Sleep Stage"), None)
    if at is None:
        raise sb.UsageError("the scoring has no line that begins with 'Sleep Stage'; fetch it again")
    column = {re.sub(r"\W.*", "", name.strip()): k for k, name in enumerate(lines[at])}
    rows = [row for row in lines[at + 1 :] if len(row) > column["Event"]]
    return [
        (row[column["Time"]].replace(".", ":"), int(float(row[column["Duration"]])), row[0].strip())
        for row in rows
        if row[column["Event"]].startswith("SLEEP-") and row[0].strip()
    ]


def _muscles(recording: sb.Recording) -> list[str]:
    """Labels to score: jaw muscles, else the chin, else any EMG that names no muscle."""
    for role in ROLES:
        if found := [c.label for c in recording.channels if c.role == role]:
            return found
    raise sb.UsageError(f"{recording.name}: no channel is called an EMG of jaw or chin; rename the channels")


def _rate(night: sb.Night, name: str) -> float | None:
    measure = night.measures.get(name)
    return None if measure is None or measure.value is None else round(measure.value, 3)


def _scored(path: Path, stages: Path | None) -> tuple[Row, sb.Night]:
    recording = sb.open_recording(path)
    channels = _muscles(recording)
    night = sb.score(recording, channels=channels, criterion=CRITERION, stages=stages)
    row = Row(
        path.parent.name,
        path.name,
        "+".join(channels),
        _rate(night, "valid_hours"),
        _rate(night, "episodes_per_hour"),
        _rate(night, "episodes_per_hour_of_sleep"),
    )
    return row, night


def sleep_pathology(path: Path) -> Iterator[Row]:
    """One night: by its scoring, if that is there. The collection has no labels of jaw muscles to agree with."""
    text = path.with_suffix(".txt")
    if not text.is_file():
        yield Row(
            **{
                **asdict(_scored(path, None)[0]),
                "problem": f"there is no {text.name}: no rate per hour of sleep",
            }
        )
        return
    with tempfile.TemporaryDirectory() as folder:
        stages = Path(folder) / "stages.csv"
        with stages.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(
                [("onset", "duration", "stage"), *stages_of(text.read_text("latin-1"))]
            )
        yield _scored(path, stages)[0]


def _labelled(path: Path) -> list[tuple[float, float, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    if not rows or {"onset_s", "duration_s", "label"} - rows[0].keys():
        raise sb.UsageError(f"{path.name}: the columns are onset_s, duration_s and label; write these")
    return [(float(r["onset_s"]), float(r["onset_s"]) + float(r["duration_s"]), r["label"]) for r in rows]


def labelled_activity(path: Path) -> Iterator[Row]:
    """A recording of labelled acts: how many of each become a burst or an episode, and the agreement of all."""
    labels = path.with_name(f"{path.stem}{LABELS}")
    rows = _labelled(labels)
    row, night = _scored(path, None)
    words = sorted({label for _, _, label in rows})
    found = sb.agree(
        night,
        labels,
        level="burst",
        labels=dict.fromkeys(words, "unclassified"),
        scored=[(0, night.swept.duration_s)],
    ).found[0]
    yield replace(row, matched=found.matched, only_scored=found.only_a, only_labelled=found.only_b)
    spans = {name: night.to_frame(name)[["start_s", "end_s"]].to_numpy() for name in ("bursts", "episodes")}

    def touched(name: str, acts: list[tuple[float, float]]) -> int:
        return sum(any(a < stop and start < b for start, stop in spans[name]) for a, b in acts)

    for word in words:
        acts = [(a, b) for a, b, label in rows if label == word]
        yield Row(
            row.collection,
            row.file,
            label=word,
            stretches=len(acts),
            with_a_burst=touched("bursts", acts),
            with_an_episode=touched("episodes", acts),
        )


COLLECTIONS = {
    "sleep-pathology": sleep_pathology,
    "submental": labelled_activity,
    "facial": labelled_activity,
}


def rows_of(folder: Path) -> Iterator[Row]:
    """What is there, one collection after the other; what cannot be read is a row with its problem."""
    for name, read in COLLECTIONS.items():
        home = folder / name
        files = sorted(p for p in home.iterdir() if p.suffix in FORMATS) if home.is_dir() else []
        files = [p for p in files if not p.name.endswith(LABELS)]
        if not files:
            yield Row(name, "", problem="not there")
        for path in files:
            try:
                yield from read(path)
            except (sb.SleepbruxError, OSError, ValueError, KeyError) as error:
                yield Row(name, path.name, problem=str(error) or type(error).__name__)


def main(folder: Path) -> list[Row]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # notes of the night say the same
        rows = list(rows_of(folder))
    with (folder / TABLE).open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, [f.name for f in fields(Row)], lineterminator="\n")
        table.writeheader()
        table.writerows(asdict(row) for row in rows)
    return rows


if __name__ == "__main__":
    if len(sys.argv) != 2 or not Path(sys.argv[1]).is_dir():
        sys.exit(
            "python -m tests.outside.open_sets FOLDER: a folder with sleep-pathology, submental or facial in it"
        )
    for each in main(Path(sys.argv[1])):
        print(", ".join(f"{k} {v}" for k, v in asdict(each).items() if v not in ("", None)))
