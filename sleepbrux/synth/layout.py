"""Lay out a night: clenches, awake activity, and episodes over the sleep cycles.

Groups are at least 4 s apart on every side, and clear of gaps and of the edges of a loose
electrode, so that no border between two is in doubt; `groups` says the same of what is within one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from sleepbrux.synth.groups import G, Maker, on_side, shifted
from sleepbrux.synth.night import (
    Background,
    Burst,
    Cue,
    ElectrodeOff,
    Group,
    Kind,
    NightPlan,
    Side,
    TrueEpisode,
)
from sleepbrux.synth.signal import child_rng

CLEAR_S = 4.5  # between any two groups; 4 s are promised, the sides lag by a few ms
FAULT_CLEAR_S = 5.0
CYCLE_S = 5400.0
# Weight over a sleep cycle: falling asleep, deep sleep, lighter sleep before REM, REM
# (most episodes in light sleep and before REM, few in deep sleep and REM: Huynh 2006, Toyota 2022).
CYCLE_AT = (0.0, 0.12, 0.25, 0.5, 0.6, 0.78, 0.84, 0.97, 1.0)
CYCLE_WEIGHT = (1.0, 1.0, 0.25, 0.25, 1.6, 1.8, 0.3, 0.3, 1.0)
TRIALS = (0.94, 1.0, 0.96)  # of the best clench; no two trials are alike
KINDS: tuple[Kind, ...] = ("phasic", "tonic", "mixed")
NATURAL = "Clench natural teeth"


@dataclass(frozen=True)
class Recipe:
    """What a night shall contain.

    Attributes
    ----------
    hours
        Length of the recording.
    episodes_per_hour
        Between the lights marks; the count is this times the hours there, rounded.
    kinds
        Shares of phasic, tonic and mixed episodes.
    isolated_per_hour, twitches_per_hour
        Of one or two bursts alone, and of contractions under 0.25 s.
    amplitude_mvc
        Lowest and highest plateau as a fraction of MVC, spread evenly over the logarithm.
    one_sided
        Share of groups on one side only.
    mvc_uv
        RMS of the best maximal clench (left, right) at gain 1.
    gain
        Factor of the electrodes (left, right).
    awake_s, morning_s
        From the end of the first clenches to lights off; from lights on to the second clenches.
    settle_s
        From lights off to the first event that may come.
    morning_clench
        Whether the clenches are repeated after lights on.
    electrode_off, gaps
        Faults; see `NightPlan`.
    modulation, decline
        Of every burst in sleep; see `Burst`.
    """

    hours: float = 7.0
    episodes_per_hour: float = 5.0
    kinds: tuple[float, float, float] = (0.65, 0.15, 0.20)
    isolated_per_hour: float = 4.0
    twitches_per_hour: float = 3.0
    amplitude_mvc: tuple[float, float] = (0.15, 0.80)
    one_sided: float = 0.1
    mvc_uv: tuple[float, float] = (210.0, 190.0)
    gain: tuple[float, float] = (1.0, 1.0)
    awake_s: float = 420.0
    morning_s: float = 60.0
    settle_s: float = 480.0
    morning_clench: bool = True
    background: Background = field(default_factory=Background)
    electrode_off: tuple[ElectrodeOff, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    modulation: float = 0.0
    decline: float = 0.0


def clench_test(
    start_s: float, text: str, *, rest_s: float = 20.0, level: float = 1.0
) -> tuple[tuple[Cue, ...], tuple[tuple[str, Burst], ...]]:
    """A rest and three maximal clenches of 3 s, 10 s apart.

    Parameters
    ----------
    start_s
        Where the rest begins.
    text
        Text of the clench marks.
    rest_s
        Length of the rest.
    level
        Best trial as a fraction of the MVC on natural teeth.

    Returns
    -------
    cues, clenches
        The marks, and what the muscle does: from 0.3 s after a mark's start to 0.1 s before
        its end.
    """
    starts = [start_s + rest_s + 10.0 + 13.0 * trial for trial in range(len(TRIALS))]
    bursts = [
        Burst(start + 0.3, 2.6, share * level, ramp_s=0.2)
        for start, share in zip(starts, TRIALS, strict=True)
    ]
    rest = (Cue(start_s, rest_s, "Rest"),)
    return rest + tuple(Cue(start, 3.0, text) for start in starts), tuple((text, b) for b in bursts)


def clench_end_s(cues: Sequence[Cue]) -> float:
    """Where the last mark of a clench test ends."""
    return cues[-1].start_s + cues[-1].duration_s


@dataclass
class _Timeline:
    """Finds free places between the lights marks; the only thing here that changes."""

    rng: np.random.Generator
    recipe: Recipe
    taken: list[tuple[float, float]]
    at_s: NDArray[np.float64]
    chance: NDArray[np.float64]

    def draw(self) -> float:
        """A second, likely where episodes are."""
        return float(np.interp(self.rng.random(), self.chance, self.at_s))

    def loose_side(self, start_s: float, stop_s: float) -> Side | None:
        """The side whose electrode is off all through this stretch."""
        for off in self.recipe.electrode_off:
            if off.start_s + FAULT_CLEAR_S < start_s and stop_s < off.stop_s - FAULT_CLEAR_S:
                return off.side
        return None

    def is_free(self, start_s: float, stop_s: float) -> bool:
        """Whether nothing else is near."""
        edges: list[tuple[float, float]] = list(self.recipe.gaps)
        if self.loose_side(start_s, stop_s) is None:
            edges += [(off.start_s, off.stop_s) for off in self.recipe.electrode_off]
        near = [(a - CLEAR_S, b + CLEAR_S) for a, b in self.taken]
        near += [(a - FAULT_CLEAR_S, b + FAULT_CLEAR_S) for a, b in edges]
        return stop_s <= self.at_s[-1] and all(stop_s < a or start_s > b for a, b in near)

    def place(self, group: G) -> G:
        """Put a group somewhere, on the other side where an electrode is off."""
        for _ in range(10_000):
            start_s = self.draw()
            if self.is_free(start_s, stop_s := start_s + group.stop_s):
                self.taken.append((start_s, stop_s))
                loose = self.loose_side(start_s, stop_s)
                moved = shifted(group, start_s)
                return moved if loose is None else on_side(moved, other_side(loose))
        raise ValueError("the night is too short for so many events")


def other_side(side: Side) -> Side:
    """Left for right, right for left."""
    return "right" if side == "left" else "left"


def _timeline(recipe: Recipe, rng: np.random.Generator, lights: tuple[float, float]) -> _Timeline:
    at_s = np.arange(lights[0] + recipe.settle_s, lights[1] - FAULT_CLEAR_S)
    weight = np.interp((at_s - lights[0]) % CYCLE_S / CYCLE_S, CYCLE_AT, CYCLE_WEIGHT)
    chance = np.cumsum(weight)
    return _Timeline(rng, recipe, [], at_s, (chance - chance[0]) / (chance[-1] - chance[0]))


def _kinds(shares: Sequence[float], n: int) -> list[Kind]:
    """Exactly ``n`` kinds in these shares, the rest of the rounding to the first one."""
    counts = [round(share / sum(shares) * n) for share in shares]
    counts[0] = n - sum(counts[1:])
    return [kind for kind, count in zip(KINDS, counts, strict=True) for _ in range(count)]


def _sleep(
    recipe: Recipe, seed: int, lights: tuple[float, float]
) -> tuple[tuple[TrueEpisode, ...], tuple[Group, ...], tuple[Group, ...]]:
    """Episodes, isolated bursts and twitches between the lights marks, each in order of time."""
    rng = child_rng(seed, 5)
    timeline, maker = _timeline(recipe, rng, lights), Maker(rng, recipe.amplitude_mvc)

    def placed(make: Callable[[], G], n: int) -> list[G]:
        groups = [make() for _ in range(n)]
        sided = [on_side(g, maker.side()) if rng.random() < recipe.one_sided else g for g in groups]
        return [timeline.place(_swelling(group, recipe)) for group in sided]

    hours = (lights[1] - lights[0]) / 3600
    episodes: list[TrueEpisode] = []
    for kind in _kinds(recipe.kinds, round(recipe.episodes_per_hour * hours)):
        episodes += placed(partial(maker.episode, kind), 1)
    isolated = placed(maker.isolated, round(recipe.isolated_per_hour * hours))
    twitches = placed(maker.twitch, round(recipe.twitches_per_hour * hours))
    return _in_order(episodes), _in_order(isolated), _in_order(twitches)


def _swelling(group: G, recipe: Recipe) -> G:
    """The group with the swell and the decline of the recipe in each burst."""
    if not recipe.modulation and not recipe.decline:
        return group
    bursts = tuple(
        replace(burst, modulation=recipe.modulation, decline=recipe.decline) for burst in group.bursts
    )
    return replace(group, bursts=bursts)


def _in_order(groups: Sequence[G]) -> tuple[G, ...]:
    return tuple(sorted(groups, key=lambda group: group.start_s))


def _awake(recipe: Recipe, seed: int, windows: Sequence[tuple[float, float]]) -> tuple[Group, ...]:
    """Chewing, talking and a long clench now and then, one after the other in each window."""
    rng = child_rng(seed, 6)
    maker, found = Maker(rng, recipe.amplitude_mvc), list[Group]()
    makes = (maker.chewing, maker.talking, lambda: maker.episode("tonic"))
    for start_s, stop_s in windows:
        at_s = start_s + CLEAR_S
        while True:
            group = makes[int(rng.choice(3, p=(0.4, 0.45, 0.15)))]()
            if at_s + group.stop_s > stop_s - FAULT_CLEAR_S:
                break
            found.append(shifted(Group(group.bursts), at_s))
            at_s += group.stop_s + CLEAR_S + float(rng.exponential(12.0))
    return tuple(found)


def plan_night(recipe: Recipe, *, seed: int) -> NightPlan:
    """Plan a night: clenches, awake, lights off, sleep, lights on, clenches again.

    Parameters
    ----------
    recipe
        What the night shall contain.
    seed
        The same seed gives the same plan and the same samples.

    Returns
    -------
    plan
        Ready for `render.write_night`.
    """
    end_s = round(recipe.hours * 3600)
    cues, clenches = clench_test(10.0, NATURAL)
    lights_off_s = round(clench_end_s(cues)) + recipe.awake_s
    lights_on_s = end_s - 5.0
    cues += (Cue(lights_off_s, 0.0, "Lights off"),)
    if recipe.morning_clench:
        # the test lasts 59 s, and 5 s are left behind it
        late_cues, late_clenches = clench_test(end_s - 64.0, NATURAL)
        lights_on_s = late_cues[0].start_s - recipe.morning_s
        cues, clenches = cues + late_cues, clenches + late_clenches
    cues += (Cue(lights_on_s, 0.0, "Lights on"),)
    lights = (lights_off_s, lights_on_s)
    episodes, isolated, twitches = _sleep(recipe, seed, lights)
    windows = [(lights_off_s - recipe.awake_s, lights_off_s)]
    windows += [(lights_on_s, lights_on_s + recipe.morning_s)] if recipe.morning_clench else []
    return NightPlan(
        seed=seed,
        duration_s=end_s,
        mvc_uv=(recipe.mvc_uv[0] * recipe.gain[0], recipe.mvc_uv[1] * recipe.gain[1]),
        gain=recipe.gain,
        episodes=episodes,
        isolated=isolated,
        twitches=twitches,
        awake=_awake(recipe, seed, windows),
        clenches=clenches,
        cues=tuple(sorted(cues, key=lambda cue: cue.start_s)),
        lights_off_s=lights_off_s,
        lights_on_s=lights_on_s,
        background=recipe.background,
        electrode_off=recipe.electrode_off,
        gaps=recipe.gaps,
    )


def plan_reference(
    tests: Sequence[tuple[str, float]],
    *,
    seed: int,
    mvc_uv: tuple[float, float],
    gain: tuple[float, float] = (1.0, 1.0),
    background: Background | None = None,
    tiredness: float = 0.0,
) -> NightPlan:
    """Plan a recording of clench tests alone.

    Parameters
    ----------
    tests
        Text of the marks and the best clench as a fraction of that on natural teeth, in order.
    seed
        Of the noise.
    mvc_uv, gain
        As in `Recipe`.
    background
        As in `NightPlan`; None for the usual one.
    tiredness
        Share of its level that each clench loses to the one before.
    """
    cues: tuple[Cue, ...] = ()
    clenches: tuple[tuple[str, Burst], ...] = ()
    for text, level in tests:
        start_s = clench_end_s(cues) + 30.0 if cues else 10.0
        more_cues, more_clenches = clench_test(start_s, text, level=level)
        cues, clenches = cues + more_cues, clenches + more_clenches
    clenches = tuple(
        (text, replace(burst, amplitude=burst.amplitude * (1 - tiredness) ** k))
        for k, (text, burst) in enumerate(clenches)
    )
    return NightPlan(
        seed=seed,
        duration_s=round(clench_end_s(cues)) + 10,
        mvc_uv=(mvc_uv[0] * gain[0], mvc_uv[1] * gain[1]),
        gain=gain,
        clenches=clenches,
        cues=cues,
        background=background or Background(),
    )
