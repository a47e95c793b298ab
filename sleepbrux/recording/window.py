"""Which part of a recording counts as the night, and what says so."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time

from sleepbrux.core.arguments import PAIR, TEXT, check, each, of
from sleepbrux.core.errors import Note, RecordingError, SleepbruxError, UsageError
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.marks import classify, suggest
from sleepbrux.recording.model import Mark

CUE_MARGIN_S = 60.0
MOST_ASKED = 10
TIME_FORMS = re.compile(r"\d+(\.\d+)?|(?:[01]?\d|2[0-4]):[0-5]\d(?::[0-5]\d(?:\.\d+)?)?")
LIGHTS_UNKNOWN = "recording, lights unknown"


@dataclass(frozen=True)
class Window:
    """The analysed part of the night.

    Attributes
    ----------
    spans_s
        (start, stop) in seconds of the night clock.
    basis
        Origin of the window: it names the denominator of every rate.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> night.window.basis
    'lights off to on (marks in the recording)'
    """

    spans_s: tuple[tuple[float, float], ...]
    basis: str
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            spans_s=(self.spans_s, each(PAIR, "pairs of start and stop in s")),
            basis=(self.basis, TEXT),
            notes=(self.notes, each(of(Note), "a list of Note")),
        )

    def on(self, grid: Grid) -> Spans:
        """The window in slots of a grid, borders to the nearest slot."""
        return Spans.of(grid, [(grid.nearest(a), grid.nearest(b)) for a, b in self.spans_s])


def seconds_of(text: str, start_clock: time | None, duration_s: float, field: str) -> float:
    """Second of the night clock for ``"23:10"``, ``"23:10:05"`` or ``"1200"`` (seconds).

    A clock time before the recording's start is taken as past midnight.
    """
    if re.fullmatch(r"\d+(\.\d+)?", text):
        return float(text)
    found = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", text)
    if not found or int(found[1]) > 24 or int(found[2]) > 59 or float(found[3] or 0) >= 60:
        raise UsageError(
            f"`{field}` {text!r} is no time; write a clock time such as 23:10 or 23:10:05, or "
            "seconds from the first sample"
        )
    if start_clock is None:
        raise UsageError(
            f"`{field}` {text!r} is a clock time, but the recording does not say at what time it "
            "starts; give seconds from the first sample"
        )
    begin = start_clock.hour * 3600 + start_clock.minute * 60 + start_clock.second
    asked = int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3] or 0)
    second = asked - begin - start_clock.microsecond / 1e6
    if second < -1:
        second += 86400
    if second > duration_s + 60:
        raise UsageError(
            f"`{field}` {text!r} lies outside the recording, which starts at "
            f"{start_clock:%H:%M:%S} and lasts {duration_s / 3600:.2f} h"
        )
    return max(second, 0.0)


def _cues(marks: Sequence[Mark]) -> list[tuple[float, float]]:
    """Stretches around clenches and synchronisation marks that are not part of the night, by start."""
    return sorted(
        (m.start_s - CUE_MARGIN_S, m.start_s + m.duration_s + CUE_MARGIN_S)
        for m in marks
        if classify(m.text) in ("clench", "sync")
    )


def _without(start: float, stop: float, cues: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """What stretches in order of their start leave of a window."""
    spans = []
    for low, high in cues:
        if start < min(low, stop):
            spans.append((start, min(low, stop)))
        start = max(start, high)
    return [*spans, (start, stop)] if start < stop else spans


def _misspelt(marks: Sequence[Mark], known: Sequence[str] = ()) -> list[Note]:
    """Questions about marks that may mean lights of a kind that no mark says plainly."""
    asked = [(m, suggest(m.text)) for m in marks]
    asked = [(m, kind) for m, kind in asked if kind and kind.removeprefix("lights_") not in known]
    more = len(asked) - MOST_ASKED
    notes = [
        Note(
            "lights-mark-misspelt",
            "warning",
            f"a mark at {m.start_s:.0f} s may mean {kind.replace('_', ' ')}; it was not used:"
            " correct it, or give `window`",
        )
        for m, kind in asked[:MOST_ASKED]
    ]
    if more > 0:
        notes.append(
            Note(
                "lights-mark-misspelt",
                "warning",
                f"{more} more marks may mean lights off or on; none was used: correct them, or give `window`",
            )
        )
    return notes


def _lights(marks: Sequence[Mark]) -> tuple[float | None, float | None, list[Note]]:
    """First lights off and the last lights on after it, and what is odd about them."""
    off = sorted(m.start_s for m in marks if classify(m.text) == "lights_off")
    on = sorted(m.start_s for m in marks if classify(m.text) == "lights_on")
    notes = []
    if off and on and on[-1] <= off[0]:
        notes.append(
            Note(
                "lights-order",
                "warning",
                f"the lights on mark at {on[-1]:.0f} s does not come after lights off at {off[0]:.0f} s; "
                "it was not used: correct it, or give `window`",
            )
        )
        on = []
    if len(off) > 1 or len(on) > 1:
        notes.append(
            Note(
                "lights-several",
                "warning",
                f"there are {len(off)} lights off and {len(on)} lights on marks; the window runs from "
                "the first off to the last on, time with the lights on between them included",
            )
        )
    return off[0] if off else None, on[-1] if on else None, notes


def find_window(
    marks: Sequence[Mark],
    duration_s: float,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    origin: str = "start and end given by the user",
) -> Window:
    """The analysed window.

    Given times come first, then lights marks; without either it is the whole recording, and the
    basis says that the lights are not known. Clenches and synchronisation marks are left out in
    every case, 60 s either way. A window is never guessed from the signal.
    """
    notes: list[Note] = []
    off, on, odd = _lights(marks)
    if from_s is not None or to_s is not None:
        start, stop, basis = from_s or 0.0, duration_s if to_s is None else to_s, origin
    elif off is not None or on is not None:
        start, stop = off or 0.0, duration_s if on is None else on
        known = [w for w, t in (("off", off), ("on", on)) if t is not None]
        basis = f"lights {' to '.join(known)} (marks in the recording)"
        notes += odd
        if len(known) == 1 and not odd:
            notes.append(
                Note(
                    "lights-one-mark",
                    "warning",
                    f"only the lights {known[0]} mark was found; the other end of the window is "
                    f"the {'end' if off is not None else 'start'} of the recording",
                )
            )
        if len(known) == 1:
            notes += _misspelt(marks, known)
    else:
        start, stop, basis = 0.0, duration_s, LIGHTS_UNKNOWN
        notes += _misspelt(marks)
        notes.append(
            Note(
                "lights-unknown",
                "warning",
                "no lights off and on are known: the whole recording counts, time awake included",
            )
        )
    given = from_s is not None or to_s is not None
    if given and stop > duration_s + 60:
        raise UsageError(
            f"the window ends at {stop:.0f} s, but the recording lasts {duration_s:.0f} s; give a time "
            "inside it"
        )
    stop = min(stop, duration_s)
    if not 0 <= start < stop:
        kind: type[SleepbruxError] = UsageError if given else RecordingError
        source = "given" if given else "made by the lights marks"
        raise kind(
            f"the window {source}, from {start:.0f} s to {stop:.0f} s, holds no time of a recording that "
            f"lasts {duration_s:.0f} s; give `window`"
        )
    cues = _cues(marks)
    inside = sum(start < high and low < stop for low, high in cues)
    if inside and (off is not None or on is not None or given):
        notes.append(
            Note(
                "cues-inside-window",
                "note",
                f"marks of clenches or synchronisation in or beside the window: {inside}; "
                "60 s either way of each are left out",
            )
        )
    spans = _without(start, stop, cues)
    if not spans:
        notes.append(
            Note(
                "window-empty",
                "warning",
                "clenches and synchronisation marks with 60 s around them leave no time of the window",
            )
        )
    return Window(tuple(spans), basis, tuple(notes))
