"""The reference clenches of a recording: whose word they stand on, measured, judged, made a reference."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path

from sleepbrux.core.errors import Note, ReferenceLevelError, UsageError
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.recording.window import LIGHTS_UNKNOWN, Window, find_window
from sleepbrux.reference import (
    DEFAULT_SETTINGS,
    MARKED,
    NATURAL,
    NOT_STATED,
    UNCONFIRMED,
    Clenches,
    ClenchSettings,
    Cues,
    Level,
    Proposal,
    Reference,
    ReferenceOrigin,
    Search,
    accept,
    cues_of,
    from_clenches,
    load_proposal,
    measure,
    plausibility_notes,
    refusals,
    rest_before,
    search_clenches,
    teeth_of,
    unused_clenches,
    warnings,
    write_proposal,
)
from sleepbrux.reference.detector import SHORT_S
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.swept import Swept, sweep_recording

Progress = Callable[[float], None]
Edges = tuple[float, float] | None
CHECKED = ClenchSettings(threshold_pct_mvc=10.0)
FOUND_REST = "quietest 20 s before the clenches, detected automatically"
NONE_TAKEN = Cues(
    (),
    (),
    NOT_STATED,
    "no run of three even clenches stands out, so none was taken; those below can be chosen one by one",
    confirmed=False,
)


def stated_night(window: Window) -> tuple[float, float] | None:
    """Start and end of a window that somebody stated; None where it is the whole recording."""
    if not window.spans_s or window.basis == LIGHTS_UNKNOWN:
        return None
    return window.spans_s[0][0], window.spans_s[-1][1]


def own_cues(
    swept: Swept, window: Window, proposal: Proposal | None = None, *, teeth: str = NATURAL
) -> Cues | None:
    """The reference clenches of a recording itself; None where fewer than two are known."""
    return cues_of(swept.marks, proposal, night_s=stated_night(window), teeth=teeth)


def own_reference(
    swept: Swept,
    cues: Cues,
    amplitude: Amplitude = "rms",
) -> Reference:
    """Reference of a night from its own clenches.

    Raises
    ------
    ReferenceLevelError
        Clenches that cannot be used.
    """
    origin = ReferenceOrigin(
        cues.origin,
        "same electrodes",
        cues.teeth,
        day=swept.start.date() if swept.start else None,
    )
    settings = ClenchSettings(amplitude)
    reference = from_clenches(swept.frames, cues.clenches_s, cues.rests_s, settings, origin=origin)
    return reference if cues.confirmed else unconfirmed(reference)


def unconfirmed(reference: Reference) -> Reference:
    """The reference with the warning that nobody has accepted its clenches."""
    return replace(reference, confirmed=False, notes=(UNCONFIRMED, *reference.notes))


def chair_reference(
    path: Path,
    origin: ReferenceOrigin,
    settings: ClenchSettings = DEFAULT_SETTINGS,
    *,
    channels: tuple[str, ...] = (),
    hints: Hints | None = None,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Reference:
    """A reference from the clenches of another recording than the night.

    Parameters
    ----------
    path
        The recording.
    origin
        With which teeth the clenches must be, and what is said of them; an empty text means the file's name,
        no day the recording's.

    Returns
    -------
    Reference

    Raises
    ------
    ReferenceLevelError
        No two clenches with these teeth, or clenches that cannot be used; a threshold of less than three
        times rest is refused here, before any night is scored by it.
    """
    teeth = origin.teeth
    swept = sweep_recording(open_recording(path, hints), channels, threads=threads, progress=progress)
    cues = cues_of(swept.marks, load_proposal(path, swept.digest), teeth=teeth)
    if cues is None:
        why = unused_clenches(swept.marks) or "no mark names a clench"
        raise ReferenceLevelError(
            f"{path.name} gives no reference with {teeth}: {why}; mark two clenches, or let sleepbrux "
            "reference look for them"
        )
    origin = replace(
        origin,
        teeth=teeth if cues.teeth == NOT_STATED else cues.teeth,
        origin=f"{origin.origin or path.name}, {cues.origin}",
        source="other recording",
        day=origin.day or (swept.start.date() if swept.start else None),
    )
    reference = from_clenches(swept.frames, cues.clenches_s, cues.rests_s, settings, origin=origin)
    return reference if cues.confirmed else unconfirmed(reference)


@dataclass(frozen=True)
class NumberedClench:
    """A clench of a recording, or a stretch like one, under the number that page, terminal and JSON give it.

    Attributes
    ----------
    number
        From 1, in order of onset.
    taken
        Whether it is one of the reference clenches.
    label, times_rest
        Channel in which it stands out most, and its level over rest; empty and None where it does not.
    reason
        Why it was not taken; empty where it was.
    """

    number: int
    start_s: float
    stop_s: float
    taken: bool
    label: str = ""
    times_rest: float | None = None
    reason: str = ""


@dataclass(frozen=True, eq=False)
class ReferenceCheck:
    """A recording's reference clenches, for a person to look at.

    Attributes
    ----------
    cues
        The clenches that were taken; none where the program took none and nobody chose.
    proposal
        What the file beside the recording says, or what was found and has to be written there; None where
        marks say it, or nothing was taken.
    channels
        Each measured channel with the reasons against it and its warnings.
    rest_said_by
        Whose word the resting stretch stands on.
    clenches
        Those taken and every other stretch like a clench.
    """

    swept: Swept
    cues: Cues
    proposal: Proposal | None
    rest_said_by: str
    channels: tuple[tuple[Clenches, tuple[str, ...], tuple[Note, ...]], ...]
    clenches: tuple[NumberedClench, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether at least one channel gives a reference."""
        return any(not wrong for _, wrong, _ in self.channels)

    @property
    def marked(self) -> bool:
        """Whether marks in the recording name the clenches."""
        return self.cues.origin.startswith(MARKED)


def look(
    path: Path,
    settings: ClenchSettings = CHECKED,
    *,
    teeth: str = NATURAL,
    channels: tuple[str, ...] = (),
    hints: Hints | None = None,
    afresh: bool = False,
    choose: Collection[int] | Mapping[int, Edges] = (),
    progress: Progress | None = None,
) -> ReferenceCheck:
    """Find the reference clenches of a recording and measure them; refusals are told, not raised.

    Parameters
    ----------
    path
        A chair recording, or a night with clenches at either end.
    settings
        How they are measured; by default with a threshold of 10 % MVC to be held against rest.
    afresh
        Look in the signal even where marks or an earlier proposal say where the clenches are.
    choose
        Numbers of the clenches to take, as an earlier look numbered them; empty: marks, an earlier
        proposal, or the run that the program takes. A table gives start and end in seconds that a clench has
        instead of those that were found, or None.

    Raises
    ------
    ReferenceLevelError
        Neither marks nor the signal show a reference clench.
    UsageError
        ``choose`` names a clench that is not there, or marks name the clenches.
    """
    swept = sweep_recording(open_recording(path, hints, progress=progress), channels, progress=progress)
    proposal = None if afresh else load_proposal(path, swept.digest)
    window = find_window(swept.marks, swept.duration_s)
    cues = None if afresh else own_cues(swept, window, proposal, teeth=teeth)
    others = {said for m in swept.marks if (said := _clench_with(m)) not in ("", NOT_STATED)}
    if cues is None and not afresh and others and teeth not in others:
        raise ReferenceLevelError(
            f"{path.name}: the marks name clenches with {', '.join(sorted(others))} and none with {teeth}; "
            "ask for one of those with `teeth`, or correct the marks"
        )
    search = search_clenches(swept.frames)
    by_program = cues is None
    if cues is None:
        if not search.stretches:
            why = unused_clenches(swept.marks) or "no mark names a clench"
            raise ReferenceLevelError(
                f"{path.name}: {why}, and no stretch like a clench stands out in the "
                "signal; mark the clenches, or make the recording again as the protocol sheet says"
            )
        proposal = proposed(search, swept.digest) if search.found else None
        cues = cues_of((), proposal, teeth=teeth) or NONE_TAKEN
    elif cues.origin.startswith(MARKED):
        proposal = None
    numbered = _numbered(cues, search, swept, by_program=by_program)
    if choose:
        if cues.origin.startswith(MARKED):
            raise UsageError(
                f"{path.name}: marks in the recording name the clenches; look afresh to choose others"
            )
        given = choose if isinstance(choose, Mapping) else {}
        moved = {number: edges for number, edges in given.items() if edges is not None}
        numbered = _moved(_chosen(numbered, tuple(choose), path.name), moved, swept.duration_s, path.name)
        proposal = _proposal_of(numbered, proposal, swept)
        cues = cues_of((), proposal, teeth=teeth)
        assert cues is not None  # noqa: S101
    rests, rest_said_by = cues.rests_s, "as marked or accepted with the clenches"
    if not rests and search.found is not None and search.found.rest_s is not None:
        rests, rest_said_by = (search.found.rest_s,), FOUND_REST
    rows = []
    for frames in swept.frames:
        measured = measure(frames, cues.clenches_s, rests, settings)
        wrong = tuple(refusals(measured, threshold_pct_mvc=settings.threshold_pct_mvc))
        level = measured.level_uv()
        odd = (
            plausibility_notes([Level(measured.label, level, measured.rest_uv)])
            if level and measured.in_uv and not wrong
            else []
        )
        rows.append((measured, wrong, (*warnings(measured), *odd)))
    return ReferenceCheck(swept, replace(cues, rests_s=rests), proposal, rest_said_by, tuple(rows), numbered)


def with_accepted(looked: ReferenceCheck, accepted: Proposal) -> ReferenceCheck:
    """The same look once somebody has accepted its clenches."""
    cues = cues_of((), accepted, teeth=accepted.teeth)
    assert cues is not None  # noqa: S101
    return replace(looked, proposal=accepted, cues=replace(cues, rests_s=looked.cues.rests_s))


def accept_beside(
    recording: Path, looked: ReferenceCheck, *, by: str, on: date, teeth: str
) -> tuple[ReferenceCheck, Path]:
    """Write beside the recording that somebody accepts its clenches; the look as it is then, and the file.

    Raises
    ------
    ReferenceLevelError
        No clench is taken that could be accepted, or see `reference.accept`.
    """
    if looked.proposal is None:
        raise ReferenceLevelError(f"{recording.name}: no clench is taken that could be accepted; choose some")
    accepted = accept(looked.proposal, by=by, on=on, teeth=teeth)
    return with_accepted(looked, accepted), write_proposal(recording, accepted)


def _numbered(cues: Cues, search: Search, swept: Swept, *, by_program: bool) -> tuple[NumberedClench, ...]:
    """The clenches taken and all stretches like one, numbered by onset.

    Of a night whose marks name its clenches only these: its other stretches are what a person does
    before sleep and after it.
    """
    marked = cues.origin.startswith(MARKED)
    rows = []
    for a, b in cues.clenches_s:
        like = [s for s in search.stretches if s.start_s < b and a < s.stop_s]
        best = max(like, key=lambda s: s.times_rest, default=None)
        rows.append(
            NumberedClench(
                0,
                a,
                b,
                taken=True,
                label=best.label if best else "",
                times_rest=best.times_rest if best else None,
            )
        )
    if not (marked and swept.duration_s > SHORT_S):
        for s in search.stretches:
            if any(s.start_s < b and a < s.stop_s for a, b in cues.clenches_s):
                continue
            reason = (
                s.reason
                if by_program
                else _unmarked(s.start_s, s.stop_s, swept.marks)
                if marked
                else "not among the clenches in the file next to the recording"
            )
            rows.append(
                NumberedClench(
                    0, s.start_s, s.stop_s, taken=False, label=s.label, times_rest=s.times_rest, reason=reason
                )
            )
    rows.sort(key=lambda r: r.start_s)
    return tuple(replace(row, number=k) for k, row in enumerate(rows, start=1))


def _unmarked(start_s: float, stop_s: float, marks: tuple[Mark, ...]) -> str:
    """Why a stretch is no reference clench where marks name these."""
    for mark in marks:
        said = _clench_with(mark)
        if said and mark.start_s < stop_s and start_s < mark.start_s + mark.duration_s:
            return (
                f"marked as a clench with {said}"
                if said != NOT_STATED
                else ("marked as a clench, but another group of marks is taken")
            )
    return "no mark names it as a clench"


def _chosen(
    numbered: tuple[NumberedClench, ...], choose: tuple[int, ...], name: str
) -> tuple[NumberedClench, ...]:
    unknown = [n for n in choose if not 1 <= n <= len(numbered)]
    if unknown:
        there = f"1 to {len(numbered)}" if len(numbered) > 1 else "1 only"
        raise UsageError(f"{name}: there is no clench {unknown[0]}; there are {there}")
    return tuple(
        replace(
            row,
            taken=row.number in choose,
            reason="" if row.number in choose else row.reason or "not chosen",
        )
        for row in numbered
    )


def _moved(
    numbered: tuple[NumberedClench, ...],
    moved: Mapping[int, tuple[float, float]],
    duration_s: float,
    name: str,
) -> tuple[NumberedClench, ...]:
    """The chosen clenches with the edges that a person gave them."""
    for number, (start, stop) in moved.items():
        if not 0 <= start < stop <= duration_s:
            raise UsageError(
                f"{name}: clench {number} cannot lie from {start:g} to {stop:g} s; the recording has "
                f"{duration_s:.0f} s, and the end must follow the start"
            )
    rows = [
        replace(row, start_s=moved[row.number][0], stop_s=moved[row.number][1])
        if row.number in moved
        else row
        for row in numbered
    ]
    chosen = sorted((row for row in rows if row.taken), key=lambda row: row.start_s)
    for one, after in pairwise(chosen):
        if after.start_s < one.stop_s:
            raise UsageError(f"{name}: clenches {one.number} and {after.number} overlap; move them apart")
    return tuple(rows)


def _proposal_of(numbered: tuple[NumberedClench, ...], before: Proposal | None, swept: Swept) -> Proposal:
    """What a person chose, as it is written beside the recording."""
    taken = sorted((row for row in numbered if row.taken), key=lambda row: row.start_s)
    first = taken[0]
    rests = before.rests_s if before and before.rests_s[:1] else ()
    if not rests or rests[0][1] > first.start_s:
        frames = next((f for f in swept.frames if f.channel.label == first.label), swept.frames[0])
        found = rest_before(frames, first.start_s)
        rests = (found,) if found else ()
    return _written(swept.digest, [(r.start_s, r.stop_s) for r in taken], rests)


def _clench_with(mark: Mark) -> str:
    """What a clench mark says was between the teeth; empty for another mark."""
    clench = classify(mark.text) == "clench" and mark.duration_s > 0
    return teeth_of(mark.text) if clench else ""


def proposed(search: Search, sha256: str) -> Proposal:
    """The run that the program takes, as it is written beside the recording: accepted by nobody."""
    found = search.found
    assert found is not None  # noqa: S101
    return _written(sha256, found.clenches_s, () if found.rest_s is None else (found.rest_s,))


def _written(
    sha256: str,
    clenches_s: Sequence[tuple[float, float]],
    rests_s: Sequence[tuple[float, float]],
) -> Proposal:
    return Proposal(
        recording_sha256=sha256,
        clenches_s=tuple((round(a, 3), round(b, 3)) for a, b in clenches_s),
        rests_s=tuple((round(a, 3), round(b, 3)) for a, b in rests_s),
    )
