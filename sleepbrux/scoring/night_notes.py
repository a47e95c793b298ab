"""What a reader of a night must know besides its numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import reduce

from sleepbrux.core.errors import Note, ReferenceLevelError
from sleepbrux.core.printed import below, lasting
from sleepbrux.core.spans import Spans
from sleepbrux.criteria import CHIN_ID, Criterion
from sleepbrux.recording.findings import listed
from sleepbrux.recording.window import Window
from sleepbrux.reference import Reference
from sleepbrux.scoring.events import AMPLITUDE_WORDS, Events
from sleepbrux.scoring.measures import Measure
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.swept import Swept

LEAST_THRESHOLD_TO_REST = 1.5


GOOD_THRESHOLD_TO_REST = 3.0


LOST_SIDE_MINUTES = 5


def near_rest_notes(swept: Swept, criterion: Criterion, events: Events) -> list[Note]:
    """Notes on thresholds below three times the resting level; below 1.5 times nothing is scored.

    Rest is the tenth percentile of the envelope over the whole usable recording, so that neither a
    threshold that calls everything activity nor a recording full of activity hides it.
    """
    notes: list[Note] = []
    if not criterion.needs_mvc or criterion.threshold.level_pct_mvc is None:
        return notes
    for track in events.tracks:
        rest = track.envelope.quantile(0.1)
        threshold_uv = float(track.threshold.knots_uv[0])
        ratio = threshold_uv / rest if rest > 0 else math.inf
        said = (
            f"{criterion.threshold.level_pct_mvc:g} % of the MVC given for {track.label} is "
            f"{threshold_uv:.3g} µV, only {ratio:.2g} times the resting level of the recording "
            f"({rest:.3g} µV)"
        )
        if ratio < LEAST_THRESHOLD_TO_REST:
            raise ReferenceLevelError(f"{swept.name}: {said}: check the clench, its unit and the electrodes")
        if ratio < GOOD_THRESHOLD_TO_REST:
            notes.append(
                Note("threshold-near-rest", "warning", f"{said}; rest itself may cross the threshold")
            )
    return notes


def lost_side_notes(swept: Swept, window: Window) -> list[Note]:
    """Notes on channels whose loss takes time from the others."""
    notes = []
    parts = [(f.channel.label, q.usable) for f, q in zip(swept.frames, swept.quality, strict=True)]
    clock = parts[0][1].grid.refined(*(u.grid for _, u in parts[1:]))
    usable = [u.on(clock) & window.on(clock) for _, u in parts]
    for k, (label, _) in enumerate(parts):
        others = [u for j, u in enumerate(usable) if j != k]
        if not others:
            continue
        alone = reduce(Spans.__and__, others) - usable[k]
        if alone.hours * 60 >= LOST_SIDE_MINUTES:
            notes.append(
                Note(
                    "side-lost",
                    "warning",
                    f"{label} could not be scored for {lasting(3600 * alone.hours)} in which the other "
                    "channels could; this time is left out for all. Each side alone is in the night's "
                    "report",
                )
            )
    return notes


def unknown_background_notes(swept: Swept, events: Events) -> list[Note]:
    """Notes on time that was recorded but has no threshold."""
    notes = []
    for k, track in enumerate(events.tracks):
        usable = swept.quality[min(k, len(swept.quality) - 1)].usable
        hours = (usable - track.usable).hours
        if hours > 0:
            notes.append(
                Note(
                    "background-not-known",
                    "warning",
                    f"{track.label}: for {lasting(3600 * hours)} the background is not known, or lies so near "
                    "the converter's own rounding that it gives no threshold; this time is "
                    "left out",
                )
            )
    return notes


def _chin_notes(swept: Swept, criterion: Criterion) -> list[Note]:
    """What a count from the chin is worth, and that a rule set for jaw muscles was not made for it."""
    chin = [f.channel.label for f in swept.frames if f.channel.role == "chin"]
    if not chin:
        return []
    notes = [
        Note(
            "chin-scored",
            "warning",
            f"scored on the chin ({listed(chin)}), whose muscles swallow, speak and twitch in REM sleep too. One "
            "chin channel found 41 % of the events of four channels, and 63 % of its own were events (Li 2022, 10 "
            "persons with sleep apnoea). Do not compare it with counts from jaw muscles",
        )
    ]
    if criterion.muscle != "chin":
        notes.append(
            Note(
                "chin-as-jaw",
                "warning",
                f"{criterion.id} is a rule set for jaw muscles, and {listed(chin)} is labelled chin; "
                f"{CHIN_ID} is made for the chin",
            )
        )
    return notes


def night_notes(
    swept: Swept,
    window: Window,
    reference: Reference | None,
    criterion: Criterion,
    amplitude: Amplitude,
    measures: Mapping[str, Measure],
) -> tuple[Note, ...]:
    """Every note of a night, each once: recording, quality, window, reference, and what its result needs."""
    notes = [
        *swept.notes,
        *(note for quality in swept.quality for note in quality.notes),
        *window.notes,
        *(reference.notes if reference else ()),
    ]
    notes += _chin_notes(swept, criterion)
    if reference is None:
        notes.append(
            Note(
                "no-reference",
                "warning",
                "there is no reference clench: only a criterion relative to background was computed, "
                "and no amplitude in % MVC",
            )
        )
    elif reference.amplitude != amplitude:
        notes.append(
            Note(
                "amplitude-kinds-differ",
                "warning",
                f"the clench is stated in {AMPLITUDE_WORDS[reference.amplitude]} µV, the rules measure "
                f"{AMPLITUDE_WORDS[amplitude]} µV: no amplitude in % MVC was computed",
            )
        )
    hours = measures["valid_hours"].value or 0.0
    least = criterion.window.minimum_valid_hours
    if hours < least:
        notes.append(
            Note(
                "few-valid-hours",
                "warning",
                f"{below(hours, least)} valid hours are fewer than the {least:g} h that the rules ask for",
            )
        )
    return tuple(dict.fromkeys(notes))
