"""What is not an episode but looks like one in the EMG, and what other channels show of it.

Rates and shares here are assumptions for tests and for `python -m tests.context_table`; none is a finding
about people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sleepbrux.synth.groups import Maker, shifted
from sleepbrux.synth.heart import heart_beats
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.night import Burst, Cue, Group, NightPlan
from sleepbrux.synth.signal import child_rng

KINDS = ("short wakes", "long wakes", "body movements", "sleep talking", "chewing", "swallows")
CLEAR_S = 12.0
EPOCH_S = 30
AWAKE_SHARE = 0.5  # of an epoch, for it to be scored as wake
CYCLE = ("N1", "N2", "N2", "N3", "N3", "N2", "N2", "R")
Pair = tuple[float, float]


@dataclass(frozen=True)
class Around:
    """How often each confounder comes, and how the body shows it.

    Attributes
    ----------
    per_hour
        Confounder (one of `KINDS`) to its rate an hour.
    rise_share, movement_rise_share
        Share of episodes, and of body movements, that come with a rise of the heart rate.
    short_wake_moves
        Share of short wakes in which the wrist turns.
    grinding_share
        Share of episodes with a grinding sound.
    breathing_per_hour
        Respiratory events an hour; a third of the episodes follows one.
    """

    per_hour: dict[str, float] = field(default_factory=dict)
    rise_share: float = 0.8
    movement_rise_share: float = 0.8
    short_wake_moves: float = 0.4
    grinding_share: float = 0.5
    breathing_per_hour: float = 0.0


@dataclass(frozen=True)
class Confounder:
    """One event that is no episode: what the jaw does, and what goes with it."""

    kind: str
    group: Group
    awake: Pair | None = None
    moving: Pair | None = None
    leg: bool = False
    rise: bool = False
    voice: bool = False


@dataclass(frozen=True)
class AroundPlan:
    """A night with confounders.

    Attributes
    ----------
    plan
        What the jaw muscles do; the confounders are among its ``awake`` groups.
    confounders
        The same, with what else is to be seen of them.
    awake_s
        Stretches truly awake between the lights marks.
    beats_s
        Second of each heart beat.
    grinding_s
        Stretches with a grinding sound.
    """

    plan: NightPlan
    confounders: tuple[Confounder, ...]
    awake_s: tuple[Pair, ...]
    beats_s: NDArray[np.float64]
    grinding_s: tuple[Pair, ...]


def _stretch(group: Group, before: float, after: float) -> Pair:
    return group.start_s - before, group.stop_s + after


def _thrash(maker: Maker, rng: np.random.Generator) -> Group:
    """Jaw activity in a body movement: two to four long and short contractions."""
    bursts: list[Burst] = []
    at = 0.0
    for _ in range(int(rng.integers(2, 5))):
        length = float(rng.uniform(0.6, 4.0))
        bursts.append(maker.burst(at, length))
        at += length + float(rng.uniform(0.3, 0.8))
    return Group((*bursts, maker.burst(at, 2.6)))


def _makes(kind: str, maker: Maker, rng: np.random.Generator, around: Around) -> Confounder:
    """One confounder that starts at second 0."""
    if kind in ("short wakes", "long wakes"):
        makers = (maker.chewing, maker.talking, lambda: maker.episode("phasic"))
        group = Group(makers[int(rng.choice(3, p=(0.2, 0.2, 0.6)))]().bursts)
        if kind == "short wakes":
            moves = rng.random() < around.short_wake_moves
            awake = _stretch(group, 5.0, float(rng.uniform(5.0, 15.0)))
            return Confounder(kind, group, awake, awake if moves else None, rise=True)
        awake = _stretch(group, float(rng.uniform(60, 150)), float(rng.uniform(60, 150)))
        return Confounder(kind, group, awake, awake, rise=True)
    if kind == "body movements":
        group = _thrash(maker, rng)
        rise = bool(rng.random() < around.movement_rise_share)
        return Confounder(kind, group, None, _stretch(group, 0.3, 0.3), leg=True, rise=rise)
    if kind == "sleep talking":
        group = maker.talking()
        loud = [replace(b, amplitude=b.amplitude * 1.5) for b in group.bursts]
        return Confounder(kind, Group(tuple(loud)), voice=True)
    if kind == "chewing":
        group = maker.chewing()
        awake = _stretch(group, 10.0, 10.0)
        return Confounder(kind, group, awake, None)
    return Confounder(kind, Group((maker.burst(0.0, float(rng.uniform(0.7, 1.4))),)))


def _moved(confounder: Confounder, second: float) -> Confounder:
    def later(pair: Pair | None) -> Pair | None:
        return None if pair is None else (pair[0] + second, pair[1] + second)

    return replace(
        confounder,
        group=shifted(confounder.group, second),
        awake=later(confounder.awake),
        moving=later(confounder.moving),
    )


def _reach(confounder: Confounder) -> Pair:
    pairs = [(confounder.group.start_s, confounder.group.stop_s)]
    pairs += [p for p in (confounder.awake, confounder.moving) if p is not None]
    return min(a for a, _ in pairs), max(b for _, b in pairs)


def _placed(confounders: Sequence[Confounder], plan: NightPlan, rng: np.random.Generator) -> list[Confounder]:
    """Each at a free place between the lights marks; long ones first."""
    taken = [(g.start_s, g.stop_s) for g in (*plan.episodes, *plan.isolated, *plan.twitches)]
    low = (plan.lights_off_s or 0.0) + 90.0
    high = plan.lights_on_s or plan.duration_s
    found = []
    for confounder in sorted(confounders, key=lambda c: _reach(c)[0] - _reach(c)[1]):
        begin, end = _reach(confounder)
        for _ in range(20_000):
            second = float(rng.uniform(low - begin, high - end - 10.0))
            a, b = begin + second - CLEAR_S, end + second + CLEAR_S
            if all(b < x or a > y for x, y in taken):
                taken.append((begin + second, end + second))
                found.append(_moved(confounder, second))
                break
        else:
            raise ValueError("the night is too short for so many confounders")
    return sorted(found, key=lambda c: c.group.start_s)


def _stage_cues(plan: NightPlan, awake_s: Sequence[Pair]) -> tuple[Cue, ...]:
    """Stages in epochs of 30 s: wake where most of an epoch is, else a plain cycle of 90 min."""
    cues = []
    low, high = plan.lights_off_s or 0.0, plan.lights_on_s or plan.duration_s
    for start in range(0, plan.duration_s - EPOCH_S + 1, EPOCH_S):
        stop = start + EPOCH_S
        awake = sum(max(0.0, min(b, stop) - max(a, start)) for a, b in awake_s)
        awake += max(0.0, min(low, stop) - start) + max(0.0, stop - max(high, start))
        stage = CYCLE[int((start - low) // 675) % len(CYCLE)] if start >= low else "W"
        word = "W" if awake >= AWAKE_SHARE * EPOCH_S else stage
        cues.append(Cue(float(start), float(EPOCH_S), f"Sleep stage {word}"))
    return tuple(cues)


def _breathing_cues(plan: NightPlan, per_hour: float, rng: np.random.Generator) -> tuple[Cue, ...]:
    """Respiratory events: one ends shortly before every third episode, the others anywhere."""
    ends = [e.start_s - float(rng.uniform(1.0, 8.0)) for e in plan.episodes[::3]]
    low, high = plan.lights_off_s or 0.0, plan.lights_on_s or plan.duration_s
    n = max(round(per_hour * (high - low) / 3600) - len(ends), 0)
    ends += rng.uniform(low + 60, high - 30, n).tolist()
    return tuple(Cue(round(end - 20.0, 1), 20.0, "Obstructive apnea") for end in ends)


def plan_around(recipe: Recipe, around: Around, *, seed: int) -> AroundPlan:
    """Plan a night with confounders; the same seed gives the same night."""
    plan = plan_night(recipe, seed=seed)
    rng = child_rng(seed, 20)
    maker = Maker(rng, recipe.amplitude_mvc)
    hours = ((plan.lights_on_s or 0.0) - (plan.lights_off_s or 0.0)) / 3600
    drawn = [
        _makes(kind, maker, rng, around)
        for kind in KINDS
        for _ in range(round(around.per_hour.get(kind, 0.0) * hours))
    ]
    confounders = _placed(drawn, plan, rng)
    awake_s = tuple(c.awake for c in confounders if c.awake is not None)
    rising = [e for e in plan.episodes if rng.random() < around.rise_share]
    grinding = [e for e in plan.episodes if rng.random() < around.grinding_share]
    rising_groups = [*rising, *(c.group for c in confounders if c.rise)]
    beats = heart_beats(replace(plan, episodes=tuple(rising_groups)))  # type: ignore[arg-type]
    cues = plan.cues + _stage_cues(plan, awake_s)
    if around.breathing_per_hour:
        cues += _breathing_cues(plan, around.breathing_per_hour, rng)
    groups = (*plan.awake, *(c.group for c in confounders))
    plan = replace(
        plan,
        awake=tuple(sorted(groups, key=lambda g: g.start_s)),
        cues=tuple(sorted(cues, key=lambda cue: cue.start_s)),
    )
    return AroundPlan(
        plan, tuple(confounders), awake_s, beats, tuple((g.start_s, g.stop_s) for g in grinding)
    )
