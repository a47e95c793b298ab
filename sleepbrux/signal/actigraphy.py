"""Accelerometers: movements, and stretches in which the wearer was probably awake.

Probably awake: what is not sustained inactivity of the arm after van Hees VT et al., PLoS ONE
2015;10:e0142533: the angle of the z axis to the horizontal plane, ``atan(z / sqrt(x**2 + y**2))``, does
not change by more than 5° from one 5-s epoch to the next for 5 min or longer. Algorithm and both
coefficients are recalled (from memory). It was made for the wrist, and a sensor whose labels name
another place gives movements only; the short wakings in which most
false positives of EMG lie (Yamaguchi 2012) are shorter than it can see, so it never makes a denominator.

Departure: each axis enters as its median over the 5 s, where the source takes a rolling median first.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.model import Channel, Recording
from sleepbrux.signal.activity_counts import COUNT_HZ, awake_by_counts
from sleepbrux.signal.movement import ActivityChannel, above_background, pairs
from sleepbrux.signal.streams import sharing, stream

Floats = NDArray[np.float64]

STEP_S = Fraction(1, 2)
EPOCH_STEPS = 10
TURN_DEG = 5.0
STILL_EPOCHS = 60
MOVING_G = 0.02
TIMES_BACKGROUND = 4.0
BACKGROUND_STEPS = 600
CLOSE_STEPS, LEAST_STEPS = 1, 1
LEAST_HZ = 4
NEAR_JAW = re.compile(r"jaw|chin|mandib|kiefer|head|kopf|neck|ear")
# For these places no published rule of wake was found: a sensor there says movements, and no more.
NO_WRIST = re.compile(
    r"chest|thora|trunk|torso|stern|back|abdom|belly|waist|belt|hip\b|thigh|leg|ankle|foot|brust|bauch|ruck|hufte|bein"
)


def _nowhere() -> Floats:
    return np.empty((0, 2))


@dataclass(frozen=True, eq=False)
class WakeEstimate:
    """When the wearer of an accelerometer was probably awake.

    Attributes
    ----------
    awake_s, known_s
        float64, shape (n, 2), seconds: by the angle of the arm.
    counted_awake_s, counted_known_s
        The same by activity counts (`activity_counts`); empty where no counts can be formed.
    """

    label: str
    awake_s: Floats
    known_s: Floats
    counted_awake_s: Floats = field(default_factory=_nowhere)
    counted_known_s: Floats = field(default_factory=_nowhere)


def _sensor(label: str) -> str:
    """The label without the letter of the axis."""
    bare = re.sub(r"(?i)[\s_.-]*(?:axis)?[\s_.-]*[xyz](?=$|[\s_.-])", " ", label)
    return " ".join(bare.split()).casefold()


def _axis(label: str) -> str:
    found = re.search(r"(?i)(?:^|[\s_.-]|acc)([xyz])(?=$|[\s_.-])", label)
    return found[1].lower() if found else ""


def sensors(channels: Sequence[Channel]) -> list[list[Channel]]:
    """Accelerometer channels by sensor: axes of one label and clock together, x before y before z."""
    usable = [
        c
        for c in channels
        if c.role == "accelerometer"
        and not c.fault
        and c.rate >= LEAST_HZ
        and not re.search(r"(?i)gyro", c.label)
    ]
    groups: dict[str, list[Channel]] = {}
    for channel in usable:
        groups.setdefault(_sensor(channel.label), []).append(channel)
    parts = [part for group in groups.values() for part in sharing(group)]
    return [sorted(part, key=lambda c: _axis(c.label)) for part in parts]


def off_the_wrist(axes: Sequence[Channel]) -> bool:
    """Whether a sensor's labels name a place on the trunk or a leg; one that names none is read as a wrist's."""
    return any(NO_WRIST.search(c.label.casefold()) for c in axes)


def _steps(recording: Recording, axes: list[Channel]) -> tuple[Grid, Floats, Floats]:
    """Standard deviation and median of each axis in steps of half a second, shape (n_steps, n_axes)."""
    rate = axes[0].rate
    size = max(round(float(STEP_S * rate)), 1)
    grid = Grid(size / rate, axes[0].n_night // size)
    spread = np.full((grid.n_slots, len(axes)), np.nan)
    level = np.full((grid.n_slots, len(axes)), np.nan)
    for part in stream(recording, axes, core_s=600.0, margin_s=float(STEP_S)):
        first, last = -(-part.core[0] // size), part.core[1] // size
        last = min(
            last + (part.core[1] % size > 0),
            grid.n_slots,
            (part.first + part.values.shape[1]) // size,
        )
        if last <= first:
            continue
        at = first * size - part.first
        rows = part.values[:, at : at + (last - first) * size].reshape(len(axes), -1, size)
        spread[first:last] = rows.std(axis=2).T
        level[first:last] = np.median(rows, axis=2).T
    return grid, spread, level


def _awake(label: str, grid: Grid, level: Floats) -> WakeEstimate:
    n = grid.n_slots // EPOCH_STEPS
    rows = level[: n * EPOCH_STEPS].reshape(n, EPOCH_STEPS, 3)
    known = np.asarray(~np.isnan(rows).any(axis=(1, 2)), dtype=np.bool_)
    place = np.full((n, 3), np.nan)
    place[known] = np.median(rows[known], axis=1)
    angle = np.degrees(np.arctan2(place[:, 2], np.hypot(place[:, 0], place[:, 1])))
    epochs = Grid(grid.slot_s * EPOCH_STEPS, n)
    with np.errstate(invalid="ignore"):
        turned = np.abs(np.diff(angle)) > TURN_DEG
    # an epoch is still where neither its step from the one before nor that to the next is a turn
    still = known.copy()
    still[1:] &= ~turned
    seen = Spans.from_mask(epochs, known)
    quiet = Spans.from_mask(epochs, still).drop_shorter(STILL_EPOCHS)
    return WakeEstimate(label, pairs(seen - quiet), pairs(seen))


def read_sensor(recording: Recording, axes: list[Channel]) -> tuple[ActivityChannel, WakeEstimate | None]:
    """Movements of one sensor, and, with three axes and no other place than the wrist named, probable wake.

    A movement is a standard deviation over half a second, in any axis, above 0.02 g (three axes, whose
    median length is 1 g) and above four times its running median; our choice.
    """
    grid, spread, level = _steps(recording, axes)
    label = ", ".join(c.label for c in axes)
    most = spread.max(axis=1)
    moving = above_background(most, BACKGROUND_STEPS, TIMES_BACKGROUND)
    gravity = 0.0
    if len(axes) == 3:
        length = np.sqrt((level**2).sum(axis=1))
        known = length[~np.isnan(length)]
        gravity = float(np.median(known)) if len(known) else 0.0
        with np.errstate(invalid="ignore"):
            moving &= most > MOVING_G * gravity
    spans = Spans.from_mask(grid, moving).join(CLOSE_STEPS).drop_shorter(LEAST_STEPS)
    seen = Spans.from_mask(grid, ~np.isnan(most))
    outside = not any(NEAR_JAW.search(c.label.casefold()) for c in axes)
    raised = ActivityChannel(label, "accelerometer", outside, pairs(spans), pairs(seen))
    wrist = outside and not off_the_wrist(axes)
    wake_estimate = _awake(label, grid, level) if len(axes) == 3 and wrist else None
    if wake_estimate is not None and axes[0].rate >= COUNT_HZ and gravity > 0:
        awake, counted = awake_by_counts(recording, axes, gravity)
        wake_estimate = replace(wake_estimate, counted_awake_s=pairs(awake), counted_known_s=pairs(counted))
    return raised, wake_estimate
