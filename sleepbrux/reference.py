"""The reference clenches of a recording: whose word they stand on, measured, judged, made a reference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from sleepbrux.calibration import (
    DEFAULT_STATISTIC,
    NATURAL,
    NOT_STATED,
    UNCONFIRMED,
    Clenches,
    Cues,
    Found,
    Level,
    Placement,
    Proposal,
    Reference,
    cues_of,
    find_clenches,
    from_clenches,
    load_proposal,
    measure,
    plausibility_notes,
    refusals,
    teeth_of,
    unused_clenches,
    warnings,
)
from sleepbrux.errors import Note, ReferenceLevelError
from sleepbrux.night import Swept, sweep_recording
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.window import LIGHTS_UNKNOWN, Window, find_window

Progress = Callable[[float], None]
FOUND_REST = "quietest 20 s before the clenches, found by the program"


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
    reference = from_clenches(
        swept.frames, cues.clenches_s, cues.rests_s, amplitude=amplitude, origin=cues.said_by,
        placement="same electrodes", teeth=cues.teeth, source="own clench",
        day=swept.start.date() if swept.start else None,
    )  # fmt: skip
    return reference if cues.confirmed else unconfirmed(reference)


def unconfirmed(reference: Reference) -> Reference:
    """The reference with the warning that nobody has accepted its clenches."""
    return replace(reference, confirmed=False, notes=(UNCONFIRMED, *reference.notes))


def chair_reference(
    path: Path,
    *,
    teeth: str = NATURAL,
    amplitude: Amplitude = "rms",
    statistic: str = DEFAULT_STATISTIC,
    effort_pct: float = 100.0,
    placement: Placement = "other placement",
    origin: str = "",
    day: date | None = None,
    channels: tuple[str, ...] = (),
    hints: Hints | None = None,
    threshold_pct_mvc: float | None = None,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Reference:
    """A reference from the clenches of another recording than the night.

    Raises
    ------
    ReferenceLevelError
        No two clenches with these teeth, or clenches that cannot be used; a threshold of less than three
        times rest is refused here, before any night stands on it.
    """
    swept = sweep_recording(
        open_recording(path, hints), channels, threads=threads, progress=progress
    )
    cues = cues_of(swept.marks, load_proposal(path, swept.digest), teeth=teeth)
    if cues is None:
        why = unused_clenches(swept.marks) or "no mark names a clench"
        raise ReferenceLevelError(
            f"{path.name} gives no reference with {teeth}: {why}; mark two clenches, or let sleepbrux "
            "reference look for them"
        )
    said = teeth if cues.teeth == NOT_STATED else cues.teeth
    reference = from_clenches(
        swept.frames, cues.clenches_s, cues.rests_s, amplitude=amplitude, statistic=statistic,
        effort_pct=effort_pct, threshold_pct_mvc=threshold_pct_mvc, placement=placement, teeth=said,
        origin=f"{origin or path.name}, {cues.said_by}", source="other recording",
        day=day or (swept.start.date() if swept.start else None),
    )  # fmt: skip
    return reference if cues.confirmed else unconfirmed(reference)


@dataclass(frozen=True, eq=False)
class Looked:
    """A recording's reference clenches, for a person to look at.

    Attributes
    ----------
    proposal
        What the file beside the recording says, or what was found and has to be written there; None where
        marks say it.
    channels
        Each measured channel with the reasons against it and its warnings.
    rest_said_by
        Whose word the resting stretch stands on.
    """

    swept: Swept
    cues: Cues
    proposal: Proposal | None
    rest_said_by: str
    channels: tuple[tuple[Clenches, tuple[str, ...], tuple[Note, ...]], ...]

    @property
    def usable(self) -> bool:
        """Whether at least one channel gives a reference."""
        return any(not wrong for _, wrong, _ in self.channels)


def look(
    path: Path,
    *,
    teeth: str = NATURAL,
    amplitude: Amplitude = "rms",
    statistic: str = DEFAULT_STATISTIC,
    effort_pct: float = 100.0,
    threshold_pct_mvc: float | None = 10.0,
    channels: tuple[str, ...] = (),
    hints: Hints | None = None,
    afresh: bool = False,
    progress: Progress | None = None,
) -> Looked:
    """Find the reference clenches of a recording and measure them; refusals are told, not raised.

    Parameters
    ----------
    path
        A chair recording, or a night with clenches at either end.
    threshold_pct_mvc
        Threshold that must lie at three times rest or above.
    afresh
        Look in the signal even where marks or an earlier proposal say where the clenches are.

    Raises
    ------
    ReferenceLevelError
        Neither marks nor the signal show a run of reference clenches.
    """
    swept = sweep_recording(
        open_recording(path, hints, progress=progress), channels, progress=progress
    )
    proposal = None if afresh else load_proposal(path, swept.digest)
    window = find_window(swept.marks, swept.duration_s)
    cues = None if afresh else own_cues(swept, window, proposal, teeth=teeth)
    others = {said for m in swept.marks if (said := _clench_with(m)) not in ("", NOT_STATED)}
    if cues is None and not afresh and others and teeth not in others:
        raise ReferenceLevelError(
            f"{path.name}: the marks name clenches with {', '.join(sorted(others))} and none with {teeth}; "
            "ask for one of those with --teeth, or correct the marks"
        )
    found: Found | None = None
    if cues is None or not cues.rests_s:
        found = find_clenches(swept.frames)
    if cues is None:
        if found is None:
            why = unused_clenches(swept.marks) or "no mark names a clench"
            raise ReferenceLevelError(
                f"{path.name}: {why}, and no run of three clenches some 10 s apart stands out in the "
                "signal; mark the clenches, or make the recording again as the protocol sheet says"
            )
        proposal = proposed(found, swept.digest)
        cues = cues_of((), proposal, teeth=teeth)
        assert cues is not None  # noqa: S101
    elif cues.said_by.startswith("clenches marked"):
        proposal = None
    rests, rest_said_by = cues.rests_s, "on the same word"
    if not rests and found is not None and found.rest_s is not None:
        rests, rest_said_by = (found.rest_s,), FOUND_REST
    rows = []
    for frames in swept.frames:
        measured = measure(
            frames, cues.clenches_s, rests, amplitude=amplitude, statistic=statistic,
            effort_pct=effort_pct,
        )  # fmt: skip
        wrong = tuple(refusals(measured, threshold_pct_mvc=threshold_pct_mvc))
        level = measured.level_uv()
        odd = (
            plausibility_notes([Level(measured.label, level, measured.rest_uv)])
            if level and measured.in_uv and not wrong
            else []
        )
        rows.append((measured, wrong, (*warnings(measured), *odd)))
    return Looked(swept, replace(cues, rests_s=rests), proposal, rest_said_by, tuple(rows))


def _clench_with(mark: Mark) -> str:
    """What a clench mark says was between the teeth; empty for another mark."""
    clench = classify(mark.text) == "clench" and mark.duration_s > 0
    return teeth_of(mark.text) if clench else ""


def proposed(found: Found, sha256: str) -> Proposal:
    """What was found, as it is written beside the recording: accepted by nobody."""
    return Proposal(
        recording_sha256=sha256,
        clenches_s=tuple((round(a, 3), round(b, 3)) for a, b in found.clenches_s),
        rests_s=() if found.rest_s is None else ((round(found.rest_s[0], 3), round(found.rest_s[1], 3)),),
    )  # fmt: skip
