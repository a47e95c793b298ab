"""One scoring of one night, whoever made it: events, and the time in which they were looked for."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note, UsageError
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.stages import LONGEST_S
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.bursts import SHORT
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night

Level = Literal["episode", "burst"]
SLOT_S = Fraction(1, 1000)
OTHER = "unclassified"
KNOWN, UNKNOWN, IGNORED = "scored", "unscored", "left out"
WORDS = {"phasic", "tonic", "mixed"}
EPISODE_WORDS = {"episode", "episodes", "rmma", "bruxism"}
BURST_WORDS = {"burst", "bursts"}
KNOWN_WORDS = {"scored", "scorable"}
UNKNOWN_WORDS = {"unscored", "unscorable", "artefact", "artifact"}


@dataclass(frozen=True, eq=False)
class Scoring:
    """Events of one level in one night.

    Attributes
    ----------
    night
        Name by which nights are paired.
    who
        What made it, in words.
    origin
        ``automatic``, ``reviewed`` (an automatic scoring that a reader changed) or ``human``.
    input_sha256
        Digest of the recording; empty where the file does not say.
    person
        Pseudonym; empty where the file does not say.
    events
        float64, shape (n, 2): start and stop, seconds from the first sample, by start.
    kinds
        Kind of each.
    known
        Where events could have been seen, on a grid of milliseconds.
    labels
        Label as written to (what it was taken for, how many).
    """

    night: str
    who: str
    origin: Literal["automatic", "reviewed", "human"]
    input_sha256: str
    person: str
    level: Level
    events: NDArray[np.float64]
    kinds: tuple[str, ...]
    known: Spans
    labels: tuple[tuple[str, str, int], ...] = ()
    notes: tuple[Note, ...] = ()


def spans_of(pairs: list[tuple[float, float]]) -> Spans:
    """Seconds as spans of whole milliseconds, inward."""
    last = max((b for _, b in pairs), default=0.0)
    grid = Grid(SLOT_S, int(last * 1000) + 1)
    return Spans.of(grid, [(-int(-a * 1000 // 1), int(b * 1000)) for a, b in pairs])


def of_night(night: Night, name: str, level: Level) -> Scoring:
    """A scored or reviewed night: every event whose onset lies in the valid window counts."""
    if level == "episode":
        table, index, words = night.episodes, night.selection.episodes, EPISODE_KINDS
        starts, stops, kind = table.starts[index], table.stops[index], table.kind[index]
    else:
        index, words = night.selection.bursts, BURST_KINDS
        index = index[night.merged.kind[index] != SHORT]
        merged = night.merged
        starts, stops, kind = merged.starts[index], merged.stops[index], merged.kind[index]
    slot = float(night.merged.grid.slot_s)
    review = night.review
    return Scoring(
        night=name,
        who=review.sentence if review else f"automatic, criterion {night.criterion.id}",
        origin="reviewed" if review else "automatic",
        input_sha256=night.swept.digest,
        person=dict(night.about).get("person", ""),
        level=level,
        events=np.stack((starts, stops), axis=1).astype(np.float64) * slot,
        kinds=tuple(words[k] for k in kind.tolist()),
        known=spans_of(night.selection.valid.seconds()),
        notes=tuple(n for n in night.notes if n.code.startswith("review-")),
    )


def meaning(label: str, level: Level) -> str:
    """What a label is taken for: a kind, ``scored``, ``unscored`` or ``left out``.

    Letters only, in any case. A channel behind ``@@`` is dropped.

    Examples
    --------
    >>> meaning("RMMA phasic", "episode"), meaning("Tonic burst", "episode"), meaning("arousal", "burst")
    ('phasic', 'left out', 'left out')
    >>> meaning("Bruxism@@EMG Mass L", "episode"), meaning("Unscored", "burst")
    ('unclassified', 'unscored')
    """
    words = set[str](re.findall(r"[^\W\d_]+", label.split("@@", maxsplit=1)[0].casefold()))
    if words & UNKNOWN_WORDS or ("not" in words and words & KNOWN_WORDS):
        return UNKNOWN
    if words & KNOWN_WORDS or {"analysed", "window"} <= words:
        return KNOWN
    if "short" in words:
        return IGNORED
    of_burst = bool(words & BURST_WORDS)
    if of_burst != (level == "burst") and (of_burst or words & EPISODE_WORDS):
        return IGNORED
    kinds = words & WORDS
    if len(kinds) == 1:
        return next(iter(kinds))
    return OTHER if words & (BURST_WORDS if level == "burst" else EPISODE_WORDS) else IGNORED


def of_rows(
    rows: list[tuple[float, float, str]],
    *,
    night: str,
    who: str,
    level: Level,
    mapping: dict[str, str],
    scored: list[tuple[float, float]] | None,
    shift_s: float = 0.0,
) -> Scoring:
    """A person's file: rows of (start, stop, label) in seconds.

    Parameters
    ----------
    mapping
        Label, in any case, to what it stands for; comes before `meaning`.
    scored
        Time that the person looked at, where the user states it; None: rows labelled so.
    shift_s
        Added to every time of the file.

    Raises
    ------
    UsageError
        Nothing says which time was scored, or no label is known.
    """
    _check_times(who, [*((a, b) for a, b, _ in rows), *(scored or [])])
    mapping = {k.casefold(): v for k, v in mapping.items()}
    events: list[tuple[float, float, str]] = []
    looked: list[tuple[float, float]] = []
    away: list[tuple[float, float]] = []
    counts: dict[tuple[str, str], int] = {}
    for start, stop, label in rows:
        taken = mapping.get(label.casefold(), "") or meaning(label, level)
        counts[label, taken] = counts.get((label, taken), 0) + 1
        span = (start + shift_s, stop + shift_s)
        if taken == KNOWN:
            looked.append(span)
        elif taken == UNKNOWN:
            away.append(span)
        elif taken != IGNORED:
            events.append((*span, taken))
    if scored is None and not looked:
        raise UsageError(
            f"{who}: nothing says which time was scored, and unscored is not the same as nothing found; "
            "mark it with rows labelled 'scored', or state it with `scored`"
        )
    if not events and counts and all(taken == IGNORED for _, taken in counts):
        raise UsageError(
            f"{who}: none of its labels is known ({', '.join(sorted({k[:40] for k, _ in counts})[:8])}); "
            "say what they stand for with `labels` (text to kind)"
        )
    flat = [e for e in events if e[1] <= e[0]]
    if flat:
        raise UsageError(
            f"{who}: an event at {flat[0][0]:g} s lasts {flat[0][1] - flat[0][0]:g} s; every event needs "
            "a duration above 0"
        )
    known = spans_of(looked if scored is None else scored)
    if away:
        grid = known.grid
        out = Spans.of(grid, [(int(max(a, 0) * 1000), -int(-b * 1000 // 1)) for a, b in away])
        known = known - out
    events, united = _united(sorted(events))
    notes = (
        Note(
            "overlapping-united",
            "note",
            f"{who}: events that overlapped others of the same file were united with them: {united}; "
            "the longest gives the kind",
        ),
    )
    return Scoring(
        night=night,
        who=who,
        origin="human",
        input_sha256="",
        person="",
        level=level,
        events=np.array([e[:2] for e in events], dtype=np.float64).reshape(-1, 2),
        kinds=tuple(e[2] for e in events),
        known=known,
        labels=tuple((label, taken, n) for (label, taken), n in sorted(counts.items())),
        notes=notes if united else (),
    )


def _check_times(who: str, spans: Sequence[tuple[float, float]]) -> None:
    """Refuse times that no recording has: they would be cut into millions of seconds."""
    far = next((t for span in spans for t in span if not abs(t) <= LONGEST_S), None)
    if far is not None:
        raise UsageError(
            f"{who}: a time is {far:g} s, where {LONGEST_S:g} s (31 days) are the most that is read; check its unit"
        )


def _united(events: list[tuple[float, float, str]]) -> tuple[list[tuple[float, float, str]], int]:
    """Events, sorted, with those that overlap as one (each side may be marked), and how many fewer."""
    out: list[tuple[float, float, str]] = []
    longest = 0.0
    for start, stop, kind in events:
        if out and start < out[-1][1]:
            named = kind if stop - start > longest else out[-1][2]
            longest = max(longest, stop - start)
            out[-1] = (out[-1][0], max(out[-1][1], stop), named)
        else:
            out.append((start, stop, kind))
            longest = stop - start
    return out, len(events) - len(out)
