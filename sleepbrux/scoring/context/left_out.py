"""Which events and which time the rules leave out because of what surrounds them."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import UsageError
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion
from sleepbrux.criteria.model import HeartRate
from sleepbrux.recording.window import Window
from sleepbrux.scoring.context.awake import dropped, estimated, probably_awake, staged_first
from sleepbrux.scoring.context.label import stage_at
from sleepbrux.scoring.context.model import ASLEEP, YES, Labels, in_seconds
from sleepbrux.scoring.context.movement import computable
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.signal.heart import (
    Heart,
    highest_before,
    judged_seconds,
    night_mean_rate,
    usual_before,
)
from sleepbrux.signal.surroundings.model import Floats, Surroundings

LEAST_WITHIN_PULSE_S = 5.0


def check(name: str, criterion: Criterion, surroundings: Surroundings) -> None:
    """Refuse a criterion that asks for a signal which the recording does not have.

    Raises
    ------
    UsageError
        In one sentence.
    """
    other = "choose another criterion"
    rule, heart = criterion.heart_rate, surroundings.heart
    if rule is not None:
        if heart is None:
            raise UsageError(
                f"{name}: criterion {criterion.id} needs the heart rate around each event, and the "
                f"recording has no ECG channel that can be used; {other}"
            )
        if heart.kind != "ecg" and rule.within_s < LEAST_WITHIN_PULSE_S:
            raise UsageError(
                f"{name}: criterion {criterion.id} looks {rule.within_s:g} s back from each event, and "
                f"the pulse wave {heart.label!r} comes too late for windows under "
                f"{LEAST_WITHIN_PULSE_S:g} s; record an ECG, or {other}"
            )
    for setting, wanted, there, need in (
        ("context.wake", "drop_scored", surroundings.stages, "sleep stages"),
        (
            "context.wake",
            "drop_probable",
            estimated(surroundings),
            "an ECG that says who is awake or an accelerometer with three axes",
        ),
        (
            "context.movement",
            "drop",
            computable(surroundings.activity_channels),
            "a leg or arm muscle or an accelerometer",
        ),
    ):
        if dict(criterion.values())[setting] == wanted and not there:
            raise UsageError(
                f"{name}: criterion {criterion.id} sets {setting} to {wanted!r}, which needs {need}, and "
                f"the recording has none; set it to 'label', or {other}"
            )


def asks(criterion: Criterion) -> bool:
    """Whether the rules leave out anything because of what surrounds it."""
    rule = criterion.context
    return criterion.heart_rate is not None or (rule.wake, rule.movement) != ("label", "label")


def basis_of(window: Window, criterion: Criterion) -> str:
    """Whose word the window is, and what the rules take out of it."""
    asleep = ", scored sleep only" if criterion.context.wake == "drop_scored" else ""
    beating = ", heart rate known" if criterion.heart_rate is not None else ""
    return window.basis + asleep + beating


def _rise(heart: Heart, rule: HeartRate, onsets_s: Floats, window: Window) -> Floats:
    """Rise of the heart rate before each onset by a rule, in %."""
    highest = highest_before(heart, onsets_s, rule.within_s)
    if rule.baseline == "night_mean":
        mean = night_mean_rate(heart, window.spans_s)
        return np.full(len(onsets_s), np.nan) if mean is None else 100 * (highest / mean - 1)
    usual = usual_before(heart, onsets_s, rule.baseline_s, rule.baseline_gap_s)
    return 100 * (highest / usual - 1)


def on_grid(grid: Grid, seconds: NDArray[np.float64]) -> Spans:
    """Stretches in seconds on a grid, borders to the nearest slot."""
    return Spans.of(grid, np.floor(seconds / float(grid.slot_s) + 0.5).astype(np.int64))


def _without_rise(
    surroundings: Surroundings, rule: HeartRate, onsets_s: Floats, window: Window
) -> NDArray[np.bool_]:
    """Onsets before which the heart rate does not rise as a rule asks, bool of the shape of ``onsets_s``."""
    if surroundings.heart is None:
        return np.zeros(len(onsets_s), dtype=np.bool_)
    rise = _rise(surroundings.heart, rule, onsets_s, window)
    with np.errstate(invalid="ignore"):
        enough = rise > rule.rise_pct if rule.comparison == ">" else rise >= rule.rise_pct
    return np.asarray(~enough)


def admitted(
    surroundings: Surroundings, criterion: Criterion, window: Window, onsets_s: Floats
) -> NDArray[np.bool_]:
    """Whether an episode with such an onset would be kept, bool of the shape of ``onsets_s``.

    By what is known at the onset alone; a movement that it lies in is left to `left_out`.
    """
    kept = np.ones(len(onsets_s), dtype=np.bool_)
    if criterion.heart_rate is not None:
        kept &= ~_without_rise(surroundings, criterion.heart_rate, onsets_s, window)
    if criterion.context.wake == "drop_probable":
        awake = staged_first(stage_at(surroundings, onsets_s), probably_awake(surroundings, onsets_s))
        kept &= awake != YES
    return kept


def left_out(
    surroundings: Surroundings,
    labels: Labels,
    episodes: Episodes,
    criterion: Criterion,
    window: Window,
) -> tuple[NDArray[np.bool_], Spans]:
    """Episodes that the rules drop, bool of shape (n_episodes,), and time in which none can be judged.

    Time without a trusted heart rate leaves the hours of a criterion that asks for one, and time not
    scored as sleep those of one that drops scored wake; movements and time that is only probably awake
    stay in the hours.
    """
    grid = episodes.grid
    drop = np.zeros(len(episodes), dtype=np.bool_)
    unknown = grid.none()
    rule = criterion.heart_rate
    if rule is not None and surroundings.heart is not None:
        drop |= _without_rise(surroundings, rule, in_seconds(episodes.starts, grid), window)
        seconds = Grid(Fraction(1), math.ceil(grid.duration_s))
        running = rule.baseline == "running"
        judged = judged_seconds(
            surroundings.heart,
            seconds.n_slots,
            rule.within_s,
            rule.baseline_s if running else 0.0,
            rule.baseline_gap_s,
        )
        spans = Spans.from_mask(seconds, judged)
        unknown = unknown | ~on_grid(grid, spans.bounds.astype(np.float64))
    if criterion.context.wake == "drop_scored" and surroundings.stages is not None:
        asleep = np.isin(surroundings.stages.code, ASLEEP)
        unknown = unknown | ~on_grid(grid, surroundings.stages.spans_s[asleep])
    if criterion.context.wake == "drop_probable":
        drop |= dropped(labels)
    if criterion.context.movement == "drop":
        drop |= labels.movement == YES
    return drop, unknown
