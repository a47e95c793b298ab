"""Nights whose truth is known: what each condition of signal, recorder and electrode costs.

Each condition changes one thing in an invented hour with many episodes (two channels, 1000 samples a
second, bursts of 15-80 % MVC, rest at an eighth of the threshold) and is repeated over seeds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.reference import given
from sleepbrux.scoring.night import Night, score_night
from sleepbrux.synth import (
    Background,
    ElectrodeOff,
    NightPlan,
    Recipe,
    plan_night,
    render,
    truth_of,
)
from sleepbrux.synth.render import STEP_UV
from tests.validation.events import Tally, TrueEvent, episodes_of, tally

LABELS = ("EMG Masseter L", "EMG Masseter R")
HOURS = 1.0
BASE = Recipe(
    hours=HOURS, episodes_per_hour=36, isolated_per_hour=10, twitches_per_hour=10, awake_s=60.0, settle_s=60.0
)
REST_UV = BASE.background.rest_uv
FULL_SCALE_UV = 1000.0
Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Condition:
    """One row of the table.

    Attributes
    ----------
    change
        What is altered in the samples after rendering, µV in and out.
    channels
        How many of the two channels are scored.
    """

    group: str
    name: str
    recipe: Recipe = BASE
    rate: int = 1000
    channels: int = 2
    change: Callable[[Samples], Samples] = field(default=lambda data: data)


def converter(bits: int) -> Callable[[Samples], Samples]:
    """Rounding to the steps of a converter of so many bits over ± 1 mV."""
    step = 2 * FULL_SCALE_UV / 2**bits

    def change(data: Samples) -> Samples:
        return np.clip(np.rint(data / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step

    return change


def _quiet(**changes: object) -> Recipe:
    return replace(BASE, background=replace(Background(), **changes))  # type: ignore[arg-type]


def conditions() -> Iterator[Condition]:
    """Every row, in the order of the page."""
    yield Condition("base", "as described above")
    for ratio in (2.0, 3.0, 4.0, 6.0):
        mvc = BASE.mvc_uv
        rest = tuple(0.1 * m / ratio for m in mvc)
        yield Condition("threshold to rest", f"{ratio:g} times", _quiet(rest_uv=rest))
    for low, high in ((1.0, 1.2), (1.2, 1.5), (1.5, 2.0), (2.0, 4.0), (4.0, 15.0)):
        recipe = replace(BASE, amplitude_mvc=(0.1 * low, 0.1 * high))
        yield Condition("burst level", f"{low:g}–{high:g} times the threshold", recipe)
    for hum_uv in (10.0, 30.0):
        yield Condition("mains 50 Hz", f"{hum_uv:g} µV", _quiet(mains_uv=(hum_uv, hum_uv)))
    for ecg_uv in (40.0, 100.0):
        yield Condition("ECG in the EMG", f"R wave {ecg_uv:g} µV", _quiet(ecg_uv=(ecg_uv, ecg_uv)))
    for drift_uv in (150.0, 500.0):
        yield Condition("baseline drift", f"{drift_uv:g} µV", _quiet(drift_uv=drift_uv))
    off = (ElectrodeOff("left", 1500.0, 2100.0, 1800.0),)
    yield Condition("contact lost", "one side, 10 min of 60", replace(BASE, electrode_off=off))
    for bits in (8, 12):
        yield Condition("converter", f"{bits} bit over ± 1 mV", change=converter(bits))
    for rate in (250, 500, 2000, 4000):
        yield Condition("sampling rate", f"{rate} Hz", rate=rate)
    yield Condition("channels", "one (left)", channels=1)


def _rendered(plan: NightPlan, rate: int) -> Samples:
    parts = list(zip(*render(plan, rate, 60), strict=True))
    return np.stack([np.concatenate(p) for p in parts]) * STEP_UV


def _clench(plan: NightPlan, data: Samples, rate: int) -> tuple[float, ...]:
    """Best second of the marked clenches, a channel: the reference, measured on the same recorder."""
    levels = []
    for row in data:
        best = [
            float(np.std(row[round(a * rate) : round((a + 1) * rate)]))
            for cue in plan.cues
            if cue.text.startswith("Clench")
            for a in np.arange(cue.start_s + 0.6, cue.start_s + 1.6, 0.1)
        ]
        levels.append(max(best))
    return tuple(levels)


def scored(condition: Condition, seed: int) -> tuple[Night, list[TrueEvent]]:
    """One night under a condition, and its true episodes."""
    plan = plan_night(condition.recipe, seed=seed)
    data = condition.change(_rendered(plan, condition.rate))[: condition.channels]
    labels = LABELS[: condition.channels]
    marks = [Mark(c.start_s, c.duration_s, c.text) for c in plan.cues]
    recording = from_array(data, condition.rate, labels, marks)
    reference = given(labels, dict(zip(labels, _clench(plan, data, condition.rate), strict=True)))
    truth = truth_of(plan)
    sides = ("left", "right")[: condition.channels]
    true = [
        (e["start_s"], e["stop_s"], e["kind"])
        for e in truth["episodes"]
        if any(s in e["sides"] for s in sides)
    ]
    return score_night(recording, reference), true


def run(condition: Condition, seed: int) -> Tally:
    """Tally of one condition and seed."""
    night, true = scored(condition, seed)
    return tally(true, episodes_of(night), night.selection.valid)
