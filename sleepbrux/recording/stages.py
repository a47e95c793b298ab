"""Sleep stages from marks or a table: which seconds were scored, and as what.

Names of Rechtschaffen and Kales (S1-S4) are read as those of the AASM (N1-N3): S3 and S4 become
N3, movement time stays a class of its own that is neither sleep nor wake.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.arguments import TEXT, by_label, check, each, of
from sleepbrux.core.errors import Note, RecordingError, UsageError
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.core.texts import count_of, file_name
from sleepbrux.recording.findings import Findings, listed, numbered
from sleepbrux.recording.formats.text_table import Form, after_start, read_clock, read_rows
from sleepbrux.recording.marks import plain_words
from sleepbrux.recording.model import Mark

Stage = Literal["wake", "n1", "n2", "n3", "rem", "nrem", "sleep", "movement"]
STAGES: tuple[Stage, ...] = get_args(Stage)
SLEEP: tuple[Stage, ...] = ("n1", "n2", "n3", "rem", "nrem", "sleep")
UNSCORED = "unscored"
EPOCH_S = 30.0
LONGEST_S = 31 * 86_400.0
_MOST_EPOCHS = 100_000
_FINE_SLOT_S = Fraction(1, 100)
_LEAD = re.compile(r"(?:sleep stage|stage|schlafstadium|stadium|sleep)\b ?(.*)")
_NAMES: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (stage, re.compile(rf"(?:{names})(?: sleep)?"))
    for stage, names in (
        ("wake", r"w|wake|awake|wach|s ?0"),
        ("n1", r"(?:n|s|nrem|non rem) ?1"),
        ("n2", r"(?:n|s|nrem|non rem) ?2"),
        ("n3", r"(?:n|s|nrem|non rem) ?[34]|sws|slow wave"),
        ("rem", r"r|rem"),
        ("nrem", r"nrem|non rem"),
        ("sleep", r"asleep"),
        ("movement", r"mt|movement(?: time)?"),
        (UNSCORED, r"unscored|not scored|unknown|undefined"),
    )
)
_NUMBERED = {"0": "wake", "1": "n1", "2": "n2", "3": "n3", "4": "n3", "5": "rem"}
_RECHTSCHAFFEN_KALES = re.compile(
    r"(?:sleep |sleep stage |stage )?s ?[1-4]|(?:sleep )?stage [1-4]|mt|movement time"
)
_CODES = {**_NUMBERED, "6": "movement", **dict.fromkeys(("7", "8", "9", "-1"), UNSCORED)}
_COLUMNS = {
    "onset": re.compile(r"onset|start\w*|begin\w*|time|clock|zeit|beginn|von|from"),
    "duration": re.compile(r"duration|length|dauer|seconds"),
    "stop": re.compile(r"stop|end|offset|to|bis"),
    "epoch": re.compile(r"epochs?|epoch (?:no|nr|number|index)|nr|no|index|n|epoche"),
    "stage": re.compile(
        r"(?:sleep )?stages?|value|label|description|annotation|event|text|score"
        r"|(?:schlaf)?stadium"
    ),
}


@dataclass(frozen=True, eq=False)
class Hypnogram:
    """Sleep stages of a night.

    Attributes
    ----------
    spans
        Stage (a word of `STAGES`) to the spans in which it was scored, for every stage; all on one
        grid of 1-s slots, or 10-ms slots where borders fall between seconds.
    scored
        Where sleep or wake is known: every stage but movement time.
    origin
        Origin of the stages; it names a denominator.

    Examples
    --------
    >>> from sleepbrux.recording.stages import hypnogram_of
    >>> hypnogram = hypnogram_of([(0, 30, "wake"), (30, 60, "n2")], 60.0, "a table of our own")
    >>> hypnogram.sleep.duration_s
    30.0
    """

    spans: dict[Stage, Spans]
    scored: Spans
    origin: str
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            spans=(self.spans, by_label(of(Spans), "a table of Spans by stage")),
            scored=(self.scored, of(Spans)),
            origin=(self.origin, TEXT),
            notes=(self.notes, each(of(Note), "a list of Note")),
        )

    @property
    def grid(self) -> Grid:
        """The grid that all spans count on."""
        return self.scored.grid

    @property
    def sleep(self) -> Spans:
        """Where some stage of sleep was scored."""
        return self._any(SLEEP)

    @property
    def wake(self) -> Spans:
        """Where wake was scored."""
        return self.spans["wake"]

    def _any(self, stages: Iterable[Stage]) -> Spans:
        result = self.grid.none()
        for stage in stages:
            result = result | self.spans[stage]
        return result

    def at(self, seconds: Sequence[float] | NDArray[np.float64]) -> list[str]:
        """Stage at each second of the night clock; ``"unscored"`` where there is none.

        >>> hypnogram_of([(0, 30, "wake"), (30, 60, "n2")], 90.0, "a scorer").at([5, 31.5, 80])
        ['wake', 'n2', 'unscored']
        """
        slots = np.floor(np.asarray(seconds) / float(self.grid.slot_s) + 1e-9).astype(np.int64)
        words = np.full(slots.shape, UNSCORED, dtype=object)
        for stage, spans in self.spans.items():
            words[spans.holds(slots)] = stage
        return [str(word) for word in words]


def stage_of(text: str) -> str:
    """Stage that a text names: a word of `STAGES`, ``"unscored"``, or ``""`` where it names none.

    Examples
    --------
    >>> stage_of("Sleep stage N2"), stage_of("S4"), stage_of("REM"), stage_of("Sleep stage ?")
    ('n2', 'n3', 'rem', 'unscored')
    >>> stage_of("Lights off"), stage_of("2")
    ('', '')
    """
    if text.strip() in ("", "?"):
        return UNSCORED
    plain = plain_words(text)
    led = _LEAD.fullmatch(plain)
    if led and plain != "sleep" and (not led[1] or led[1] in _NUMBERED):
        return _NUMBERED.get(led[1], UNSCORED)
    name = led[1] if led else plain
    return next((stage for stage, pattern in _NAMES if pattern.fullmatch(name)), "")


def hypnogram_of(
    epochs: Sequence[tuple[float, float, str]],
    duration_s: float,
    origin: str,
    notes: Sequence[Note] = (),
) -> Hypnogram:
    """Hypnogram from (start, stop, stage) in seconds of the night clock.

    Time that two different stages claim is not scored, and a note says how much.
    """
    duration_s = min(duration_s, LONGEST_S)
    epochs = [(max(a, 0.0), min(b, duration_s), s) for a, b, s in epochs if a < duration_s and b > 0]
    whole = all(abs(v - round(v)) < 1e-6 for a, b, _ in epochs for v in (a, b))
    slot = Fraction(1) if whole else _FINE_SLOT_S
    grid = Grid(slot, int(-(-Fraction(duration_s) // slot)))
    spans = {
        stage: Spans.of(grid, [(grid.nearest(a), grid.nearest(b)) for a, b, s in epochs if s == stage])
        for stage in STAGES
    }
    claims = sum(s.mask().astype(np.int8) for s in spans.values())
    twice = Spans.from_mask(grid, np.asarray(claims) > 1)
    told = list(notes)
    if len(twice):
        spans = {stage: s - twice for stage, s in spans.items()}
        told.append(
            Note(
                "stages-overlap",
                "warning",
                f"{twice.duration_s:.0f} s are scored as two different stages; they count as not scored",
            )
        )
    scored = grid.none()
    for stage in STAGES:
        if stage != "movement":
            scored = scored | spans[stage]
    return Hypnogram(spans, scored, origin, tuple(told))


def coded_stages(
    stages: Sequence[object] | NDArray[np.generic],
    *,
    codes: Mapping[int, str] | None = None,
    duration_s: float,
    epoch_s: float = EPOCH_S,
) -> Hypnogram:
    """Hypnogram from one stage an epoch, from the first sample on.

    Parameters
    ----------
    stages
        Names, or whole numbers with ``codes``; shape (n_epochs,).
    codes
        Name of the stage that each number means; a number that is not in it is refused.

    Raises
    ------
    UsageError
        Numbers without codes, a number without a name, a name of no stage.

    Examples
    --------
    >>> coded_stages([5, 3, 4], codes={5: "wake", 3: "N1", 4: "REM"}, duration_s=90.0).at([0, 30, 60])
    ['wake', 'n1', 'rem']
    """
    given = np.asarray(stages)
    if given.ndim != 1 or not len(given):
        raise UsageError(f"stages has shape {given.shape}, where one stage an epoch, (n_epochs,), is wanted")
    if given.dtype.kind in "iufb":
        if codes is None:
            raise UsageError(
                "stages are numbers, and what a number means differs between programs; give stage_codes, such "
                'as {0: "wake", 1: "n1"}, or stages_from'
            )
        named = {int(code): word for code, word in codes.items()}
        unknown = sorted({value for value in given.tolist() if value not in named})
        if unknown:
            raise UsageError(f"stages holds {unknown[0]:g}, which stage_codes does not name; add it")
        texts = [named[int(value)] for value in given.tolist()]
    else:
        texts = [str(value) for value in given.tolist()]
    words = [stage_of(text) or ("sleep" if plain_words(text) == "sleep" else "") for text in texts]
    if "" in words:
        raise UsageError(
            f"{texts[words.index('')]!r} names no sleep stage; allowed are {', '.join(STAGES)} and {UNSCORED}"
        )
    epochs = [(k * epoch_s, (k + 1) * epoch_s, word) for k, word in enumerate(words)]
    notes = [
        Note("stages-epochs", "note", f"stages are one an epoch of {epoch_s:g} s, from the first sample on")
    ]
    if codes is not None:
        notes.append(_as_stated(codes))
    if len(words) * epoch_s > duration_s + epoch_s:
        notes.append(
            Note(
                "stages-beyond",
                "warning",
                f"stages go on for {len(words) * epoch_s - duration_s:.0f} s after the end of the recording; "
                "that part is left out",
            )
        )
    return hypnogram_of(epochs, duration_s, "stages given by the user", notes)


def _usual_step(starts: Sequence[float]) -> float | None:
    """Distance between neighbours that most of them have, None where there is none."""
    steps = Counter(round(b - a, 3) for a, b in pairwise(starts) if b > a)
    if not steps:
        return None
    step, n = steps.most_common(1)[0]
    return step if 2 * n > sum(steps.values()) else None


def _closed(
    marks: Sequence[tuple[float, float, str]],
) -> tuple[list[tuple[float, float, str]], list[Note]]:
    """Epochs from marks, of which some may have no duration: those last until the next one.

    Where most follow each other by one step, no epoch is longer than that step, so that a missing
    epoch stays missing.
    """
    starts = [start for start, _, _ in marks]
    step = _usual_step(starts)
    epochs, endless = [], 0
    for k, (start, duration, stage) in enumerate(marks):
        if duration > 0:
            epochs.append((start, start + duration, stage))
            continue
        later = next((s for s in starts[k + 1 :] if s > start), None)
        stop = later if step is None else min(start + step, later or start + step)
        if stop is None:
            endless += 1
            continue
        epochs.append((start, stop, stage))
    notes = []
    if endless:
        notes.append(
            Note(
                "stages-endless",
                "note",
                "the last stage mark has no duration and no successor; its stage is left out",
            )
        )
    return epochs, notes


def read_stages(
    marks: Sequence[Mark],
    *,
    duration_s: float | None = None,
    origin: str = "stages marked in the recording",
) -> Hypnogram | None:
    """Stages among the marks of a recording; None where there is none.

    Parameters
    ----------
    duration_s
        Length of the night clock; default: the end of the last stage.
    origin
        Where they come from.
    """
    named = [(m.start_s, m.duration_s, stage_of(m.text), m.text) for m in marks]
    staged = sorted((s, d, stage) for s, d, stage, text in named if stage and text.strip(" ?"))
    if not any(stage in STAGES for _, _, stage in staged):
        return None
    epochs, notes = _closed(staged)
    if any(_RECHTSCHAFFEN_KALES.fullmatch(plain_words(m.text)) for m in marks):
        notes.append(_kales())
    last = max((stop for _, stop, _ in epochs), default=0.0)
    return hypnogram_of(epochs, last if duration_s is None else duration_s, origin, notes)


def _as_stated(codes: Mapping[int, str]) -> Note:
    said = ", ".join(f"{code} {stage_of(word) or UNSCORED}" for code, word in sorted(codes.items()))
    return Note("stages-coded", "note", f"stages are numbers, read as stated: {said}")


def _kales() -> Note:
    return Note(
        "stages-rk",
        "note",
        "stages are named as by Rechtschaffen and Kales; S3 and S4 are read as N3, movement time is "
        "neither sleep nor wake",
    )


def _columns(head: list[str]) -> dict[str, int]:
    columns: dict[str, int] = {}
    for k, cell in enumerate(head):
        plain = plain_words(re.sub(r"[\[(].*?[\])]", "", cell))
        kind = next((kind for kind, pattern in _COLUMNS.items() if pattern.fullmatch(plain)), "")
        if kind and kind not in columns:
            columns[kind] = k
    return columns


def _words(
    rows: list[list[str]], column: int, found: Findings, codes: Mapping[int, str] | None = None
) -> tuple[list[str], list[Note]]:
    """Stage of each row; numbers are codes where every row is one."""
    cells = [row[column] if column < len(row) else "" for row in rows]
    notes: list[Note] = []
    filled = [cell for cell in cells if cell]
    if codes is not None:
        named = {str(code): stage_of(word) or UNSCORED for code, word in codes.items()}
        unknown = [cell for cell in filled if cell not in named]
        if unknown:
            raise found.refusal(f"the stage {unknown[0]!r} is none of the codes that are stated; add it.")
        notes.append(_as_stated(codes))
        return [named.get(cell, UNSCORED) for cell in cells], notes
    if filled and all(cell in _CODES for cell in filled):
        if "4" in filled and "5" not in filled:
            raise found.refusal(
                "the stages are numbers with a 4 and no 5, and 4 means stage 4 in one coding and REM in"
                " another; write names (W, N1, N2, N3, R)."
            )
        notes.append(
            Note("stages-coded", "warning", "stages are numbers, read as 0 wake, 1–3 N1–N3, 4 N3 (S4), 5 REM")
        )
        return [_CODES.get(cell, UNSCORED) for cell in cells], notes
    words = [stage_of(cell) or ("sleep" if plain_words(cell) == "sleep" else "") for cell in cells]
    unknown = [cell for cell, word in zip(cells, words, strict=True) if not word]
    if len(unknown) == len(cells):
        raise found.refusal(
            f"no row names a sleep stage (found {listed(unknown)}); write W, N1, N2, N3 and R, or W, S1"
            " to S4 and REM."
        )
    if unknown:
        places = [k for k, word in enumerate(words, start=1) if not word]
        notes.append(
            Note(
                "stages-unknown",
                "warning",
                f"{count_of(len(places), 'row')} of the table of stages name no known stage (number"
                f" {numbered(places)}, counted below its head); that time is not scored",
            )
        )
    if any(_RECHTSCHAFFEN_KALES.fullmatch(plain_words(cell)) for cell in cells):
        notes.append(_kales())
    return [word or UNSCORED for word in words], notes


def _seconds(
    cell: str, form: Form, start: datetime | None, start_clock: time | None, found: Findings
) -> float:
    number = form.number(cell)
    if number is not None:
        return number
    stamp = read_clock(cell)
    if stamp is None:
        raise found.refusal(
            f"the onset {cell!r} is no time; write seconds from the first sample or a clock time such"
            " as 23:10:30."
        )
    second = after_start(stamp, start, start_clock)
    if second is None:
        raise found.refusal(
            f"the onset {cell!r} is a clock time, but the recording does not say at what time it starts;"
            " write seconds from the first sample."
        )
    return second


def _headed(rows: list[list[str]], found: Findings) -> tuple[dict[str, int], list[list[str]]]:
    """Columns by kind, and the rows below the header, if there is one."""
    if not rows:
        raise found.refusal("the table of stages is empty; export it again.")
    columns = _columns(rows[0])
    if "stage" in columns:
        rows = rows[1:]
    elif all(len(row) == 1 for row in rows):
        columns = {"stage": 0}
        if not stage_of(rows[0][0]) and rows[0][0] not in _CODES:
            rows = rows[1:]
    else:
        raise found.refusal(
            f"the columns are {listed(rows[0])}, where onset, duration and stage, or epoch and stage,"
            " or one stage a line are allowed; rename them."
        )
    if not rows:
        raise found.refusal("the table of stages holds no row; export it again.")
    return columns, rows


def _epoch_places(rows: list[list[str]], column: int | None, form: Form, found: Findings) -> list[int]:
    """Place of each row in a list of epochs, from 0; numbers count from 0 or 1."""
    if column is None:
        return list(range(len(rows)))
    numbers = [form.number(row[column]) if column < len(row) else None for row in rows]
    whole = [int(n) for n in numbers if n is not None and n == int(n) and 0 <= n < _MOST_EPOCHS]
    if len(whole) < len(rows):
        raise found.refusal(f"an epoch has no whole number from 0 to {_MOST_EPOCHS}; number every epoch.")
    return [n - min(*whole, 1) for n in whole] if len(whole) > 1 else [0]


def _table_epochs(
    path: Path,
    start: datetime | None,
    start_clock: time | None,
    epoch_s: float,
    found: Findings,
    codes: Mapping[int, str] | None,
) -> tuple[list[tuple[float, float, str]], list[Note]]:
    form, rows = read_rows(path, found)
    columns, rows = _headed(rows, found)
    words, notes = _words(rows, columns["stage"], found, codes)
    if "onset" not in columns:
        places = _epoch_places(rows, columns.get("epoch"), form, found)
        said = f"stages are a list of epochs of {epoch_s:g} s from the first sample on"
        notes.append(Note("stages-epochs", "note", said))
        return [(k * epoch_s, (k + 1) * epoch_s, w) for k, w in zip(places, words, strict=True)], notes
    timed = []
    for row, word in zip(rows, words, strict=True):
        cells = {kind: row[k] if k < len(row) else "" for kind, k in columns.items()}
        onset = _seconds(cells["onset"], form, start, start_clock, found)
        lasts = 0.0
        if "duration" in columns:
            lasts = form.number(cells["duration"]) or 0.0
        elif "stop" in columns:
            lasts = _seconds(cells["stop"], form, start, start_clock, found) - onset
        timed.append((onset, lasts, word))
    epochs, more = _closed(sorted(timed))
    return epochs, [*notes, *more]


def names_stages(path: Path) -> bool:
    """Whether a file is one of sleep stages that are named in words; numbers alone may be anything."""
    found = Findings(path)
    at_noon = time(12)
    try:
        if _is_edf(path):
            epochs, _ = _edf_epochs(path, None, at_noon, found)
        else:
            _, rows = read_rows(path, found)
            if not any(stage_of(cell) in STAGES for row in rows for cell in row if cell.strip()):
                return False
            epochs, _ = _table_epochs(path, None, at_noon, EPOCH_S, found, None)
    except RecordingError:
        return False
    return any(word in STAGES for _, _, word in epochs)


def load_stages(
    path: str | Path,
    *,
    start: datetime | None = None,
    start_clock: time | None = None,
    duration_s: float | None = None,
    epoch_s: float = EPOCH_S,
    corrected: Callable[[float], float] | None = None,
    codes: Mapping[int, str] | None = None,
) -> Hypnogram:
    """Stages from a file of their own: an EDF+ of annotations or a text table.

    Parameters
    ----------
    path
        EDF+ or BDF+; or a table with columns onset (seconds from the recording's first sample, or a
        clock time), duration and stage; or epoch and stage; or one stage a line.
    start, start_clock, duration_s
        Of the recording that the stages belong to.
    epoch_s
        Length of an epoch where the table only lists them.
    corrected
        Turns a second of the other device's clock into one of the recording's.
    codes
        Name of the stage that each number of a table means.

    Raises
    ------
    RecordingError
        Where the file names no stage, or times that cannot be related to the recording.
    """
    path = Path(path)
    found = Findings(path)
    if path.is_file() and _is_edf(path):
        epochs, notes = _edf_epochs(path, start, start_clock, found)
    else:
        epochs, notes = _table_epochs(path, start, start_clock, epoch_s, found, codes)
    if corrected is not None:
        epochs = [(corrected(a), corrected(b), w) for a, b, w in epochs]
    if not any(word in STAGES for _, _, word in epochs):
        raise found.refusal("the file names no sleep stage; is this the file of stages?")
    end = max(stop for _, stop, _ in epochs)
    if duration_s is not None and min(begin for begin, _, _ in epochs) >= duration_s:
        raise found.refusal(
            f"every stage lies after the end of the recording, which lasts {duration_s:.0f} s; are these"
            " the stages of another night?"
        )
    if end <= 0:
        raise found.refusal(
            f"every stage lies before the start of the recording, the last ends {-end:.0f} s before it; are"
            " these the stages of another night, or is a sync event wrong?"
        )
    if duration_s is not None and end > duration_s + 1:
        notes = [
            *notes,
            Note(
                "stages-beyond",
                "warning",
                f"stages go on for {end - duration_s:.0f} s after the end of the recording; "
                "that part is left out",
            ),
        ]
    return hypnogram_of(
        epochs, end if duration_s is None else duration_s, f"stages from {file_name(path)}", notes
    )


def _is_edf(path: Path) -> bool:
    from sleepbrux.recording.formats.edf_header import kind_of

    with path.open("rb") as handle:
        return kind_of(handle.read(8)) is not None


def _edf_epochs(
    path: Path, start: datetime | None, start_clock: time | None, found: Findings
) -> tuple[list[tuple[float, float, str]], list[Note]]:
    """Stages of an EDF+ file, moved by the difference of the two start times."""
    from sleepbrux.recording.formats.edf import open_edf

    other = open_edf(path, marks_only=True)
    shift, notes = 0.0, []
    if other.start_clock is not None and (start is not None or start_clock is not None):
        day = other.start.date() if other.start is not None and start is not None else None
        shift = after_start((day, other.start_clock), start, start_clock) or 0.0
        if abs(shift) > 86_400:
            raise found.refusal(
                f"the stages begin {shift / 3600:.1f} h after the recording; are these the stages of"
                " another night?"
            )
    else:
        notes.append(
            Note(
                "stages-start-unknown",
                "warning",
                "the start of the stages or of the recording is not known; both are taken to start together",
            )
        )
    staged = [(m.start_s + shift, m.duration_s, stage_of(m.text)) for m in other.marks]
    epochs, more = _closed(sorted(item for item in staged if item[2]))
    if not epochs:
        raise RecordingError(f"{path.name}: the file names no sleep stage; is this the file of stages?")
    return epochs, [*notes, *more]
