"""What short losses do to an index: ``python -m tests.lost_time_table [SEEDS] [CRITERION ...]``.

Generated nights with pops (the shape of real ones: up within 5 to 20 ms to 1 to 5 mV, a lobe the other way,
a return over 100 to 200 ms), crackle (groups of pops) and holes in the record, each against the very same
night without. The index of the damaged night divides what began in its valid time by its valid hours; the
night itself says between which rates it can lie. ``in view`` is the clean night counted over the damaged
night's valid time alone: what differs there is chance, not the scorer.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.reference import given
from sleepbrux.scoring.night import Night, score
from sleepbrux.signal.swept import sweep_recording
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.night import NightPlan
from sleepbrux.synth.render import STEP_UV, tiles

RATE = 1000
LABELS = ["EMG Masseter L", "EMG Masseter R"]
CRITERIA = ("phasic_tonic_10mvc", "lavigne1996", "aasm", "maeda2019_2xbaseline")
Signal = NDArray[np.float64]


def plan_of(seed: int, hours: float) -> NightPlan:
    """A night with many episodes, most of them above 20 % MVC."""
    recipe = Recipe(
        hours=hours,
        episodes_per_hour=24.0,
        isolated_per_hour=10.0,
        twitches_per_hour=8.0,
        amplitude_mvc=(0.25, 1.0),
        awake_s=30.0,
        settle_s=30.0,
        morning_clench=False,
    )
    return plan_night(recipe, seed=seed)


def pop(rng: np.random.Generator) -> Signal:
    """One electrode pop in µV."""
    t = np.arange(round(0.6 * RATE)) / RATE
    height = np.exp(rng.uniform(np.log(1000), np.log(5000))) * rng.choice([-1, 1])
    rise, after = rng.uniform(0.005, 0.02), rng.uniform(0.015, 0.04)
    first = np.exp(-0.5 * ((t - 2 * rise) / (rise / 2)) ** 2)
    lobe = np.exp(-0.5 * ((t - 2 * rise - after) / (after / 2)) ** 2)
    back = np.clip(t - 2 * rise, 0, None) / 0.02
    tail = 0.1 * back * np.exp(1 - back) * np.exp(-t / rng.uniform(0.1, 0.2))
    return np.asarray(height * (first - rng.uniform(0.2, 1.1) * lobe + tail))


def _at(rng: np.random.Generator, n: int, every_s: float) -> Iterator[int]:
    at = rng.uniform(5, every_s)
    while at < n / RATE - 5:
        yield round(at * RATE)
        at += every_s * rng.uniform(0.7, 1.3)


def popping(clean: Signal, rng: np.random.Generator, every_s: float, sides: Sequence[int], most: int):
    """Groups of one to ``most`` pops on some sides."""
    signal = clean.copy()
    for side in sides:
        for first in _at(rng, signal.shape[1], every_s):
            later = rng.uniform(0.12, 0.45, int(rng.integers(0, most))) * RATE
            for at in np.round(first + np.cumsum([0.0, *later])).astype(int).tolist():
                wave = pop(rng)[: max(signal.shape[1] - at, 0)]
                signal[side, at : at + len(wave)] += wave
    return signal


def holed(clean: Signal, rng: np.random.Generator, every_s: float, length_s: tuple[float, float]):
    """Stretches in which nothing was recorded on either side."""
    signal = clean.copy()
    for at in _at(rng, signal.shape[1], every_s):
        signal[:, at : at + round(rng.uniform(*length_s) * RATE)] = np.nan
    return signal


DAMAGE = {
    "pops every 20 s": lambda s, rng: popping(s, rng, 20.0, (0, 1), 1),
    "crackle every 20 s": lambda s, rng: popping(s, rng, 20.0, (0, 1), 5),
    "one pop a minute, one side": lambda s, rng: popping(s, rng, 60.0, (0,), 1),
    "holes of 1-3 s each minute": lambda s, rng: holed(s, rng, 60.0, (1.0, 3.0)),
    "holes of 20-200 ms every 20 s": lambda s, rng: holed(s, rng, 20.0, (0.02, 0.2)),
    "holes of 3-10 s every 2 minutes": lambda s, rng: holed(s, rng, 120.0, (3.0, 10.0)),
}


@dataclass(frozen=True)
class Row:
    """One kind of damage under one rule, over some nights; counts and hours are sums."""

    clean: int = 0
    hours: float = 0.0
    counted: int = 0
    valid_h: float = 0.0
    in_view: int = 0
    least: int = 0
    most: int = 0

    def __add__(self, other: Row) -> Row:
        """Both together."""
        return Row(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))

    def change_pct(self, name: str) -> float:
        """Index by one of the counts over valid hours, against the clean night, %."""
        return 100 * (getattr(self, name) / self.valid_h / (self.clean / self.hours) - 1)


def scored(signal: Signal, plan: NightPlan, criterion: str) -> Night:
    """A night of both sides under a rule."""
    swept = sweep_recording(from_array(signal, RATE, LABELS))
    return scored_again(swept, plan, criterion)


def scored_again(swept, plan: NightPlan, criterion: str) -> Night:
    """The same, swept already; the clench in the kind of amplitude that the rule measures."""
    rule = load_criterion(criterion)
    window = find_window((), swept.duration_s, from_s=plan.lights_off_s, to_s=plan.lights_on_s)
    return score(
        swept,
        criterion=rule,
        window=window,
        reference=given(LABELS, dict(zip(LABELS, plan.mvc_uv, strict=True))) if rule.needs_mvc else None,
    )


def clean_signal(plan: NightPlan) -> Signal:
    """The night without damage, µV, shape (2, n)."""
    return np.concatenate([np.stack(tile) for tile in tiles(plan, RATE)], axis=1) * STEP_UV


def measured(seed: int, criteria: Sequence[str], kinds: Sequence[str], hours: float):
    """``{(kind, criterion): Row}`` of one night."""
    plan = plan_of(seed, hours)
    clean = clean_signal(plan)
    whole = sweep_recording(from_array(clean, RATE, LABELS))
    rows = {}
    for kind in kinds:
        damaged = sweep_recording(from_array(DAMAGE[kind](clean, np.random.default_rng(seed)), RATE, LABELS))
        for criterion in criteria:
            before = scored_again(whole, plan, criterion)
            after = scored_again(damaged, plan, criterion)
            m = {name: v.value or 0 for name, v in after.measures.items()}
            starts = before.episodes.starts[before.selection.episodes]
            rows[kind, criterion] = Row(
                len(starts),
                before.selection.valid.hours,
                len(after.selection.episodes),
                after.selection.valid.hours,
                int(after.selection.valid.holds(starts).sum()),
                int(m.get("least_episode_count", 0)),
                int(m.get("most_episode_count", 0)),
            )
    return rows


def main(seeds: int, criteria: Sequence[str]) -> None:
    """Print the table."""
    total: dict[tuple[str, str], Row] = {}
    for seed in range(1, seeds + 1):
        for key, row in measured(seed, criteria, tuple(DAMAGE), 2.5).items():
            total[key] = total.get(key, Row()) + row
    print(f"{'damage':<32} {'criterion':<22} clean  lost %  index %  in view %  least %  most %")
    for (kind, criterion), r in total.items():
        print(
            f"{kind:<32} {criterion:<22} {r.clean:>5} {100 * (1 - r.valid_h / r.hours):>7.1f}"
            f" {r.change_pct('counted'):>+8.1f} {r.change_pct('in_view'):>+10.1f}"
            f" {r.change_pct('least'):>+8.1f} {r.change_pct('most'):>+7.1f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8, sys.argv[2:] or CRITERIA)
