"""Draw single groups of bursts: rhythmic, tonic and mixed episodes, twitches, chewing.

Under the rule "bursts less than 3 s apart, offset to onset, are one episode; three bursts of 0.25
to 2 s are phasic, more than 2 s is tonic, both together mixed" every kind is beyond doubt: gaps in
a group are 0.29 to 2.4 s, phasic bursts last 0.3 to 1.3 s, tonic ones 2.5 to 10 s, twitches 0.06 to
0.15 s, and a mixed episode has at least three phasic bursts beside its tonic one. Timing of the
rhythm after doi:10.1111/jsr.12057.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from sleepbrux.synth.night import SIDES, Burst, Group, Kind, Side, TrueEpisode

MARGIN = 0.15  # of the logarithm of the amplitude, kept free for the difference of the sides
G = TypeVar("G", bound=Group)


def on_side(group: G, side: Side) -> G:
    """The same group on one side only; moved there if it was on the other side alone."""
    bursts = group.on(side) or group.bursts
    return replace(group, bursts=tuple(replace(burst, sides=(side,)) for burst in bursts))


def shifted(group: G, second: float) -> G:
    """The same group, ``second`` later."""
    bursts = tuple(replace(b, start_s=round(b.start_s + second, 4)) for b in group.bursts)
    return replace(group, bursts=bursts)


@dataclass(frozen=True)
class Maker:
    """Draws groups that start at second 0."""

    rng: np.random.Generator
    amplitude_mvc: tuple[float, float]

    def amplitude(self) -> tuple[float, float]:
        """Amplitude on the left, and ratio of the right to it; both sides within the limits."""
        low, high = np.log(self.amplitude_mvc)
        margin = min(MARGIN, (high - low) / 4)
        left = self.rng.uniform(low + margin, high - margin)
        ratio = np.clip(self.rng.normal(0.0, 0.1), -margin, margin)
        return float(np.exp(left)), float(np.exp(ratio))

    def burst(self, start_s: float, duration_s: float) -> Burst:
        """A burst of this length, 0 to 12 ms later or earlier on the right."""
        amplitude, ratio = self.amplitude()
        ramp_s = min(float(self.rng.uniform(0.02, 0.06)), duration_s / 2)
        lag_s = float(self.rng.uniform(-0.012, 0.012))
        return Burst(start_s, duration_s, amplitude, ramp_s, SIDES, ratio, lag_s)

    def rhythm(self, start_s: float, n: int) -> list[Burst]:
        """``n`` phasic bursts near 1 Hz."""
        found = []
        for _ in range(n):
            period_s = 1.0 / float(np.clip(self.rng.normal(1.0, 0.3), 0.5, 1.5))
            duration_s = float(np.clip(period_s * self.rng.uniform(0.35, 0.65), 0.3, period_s - 0.32))
            found.append(self.burst(start_s, duration_s))
            start_s += period_s
        return found

    def after(self, bursts: Sequence[Burst]) -> float:
        """An onset 0.4 to 1.5 s behind the last burst."""
        return bursts[-1].stop_s + float(self.rng.uniform(0.4, 1.5))

    def tonic(self, start_s: float) -> Burst:
        """A tonic burst, short ones more often than long ones."""
        return self.burst(start_s, 2.5 + 7.5 * float(self.rng.beta(1.0, 3.0)))

    def episode(self, kind: Kind) -> TrueEpisode:
        """An episode of this kind."""
        if kind == "tonic":
            return TrueEpisode((self.tonic(0.0),), kind)
        n = 3 + min(int(self.rng.geometric(0.22)) - 1, 12)
        if kind == "phasic":
            return TrueEpisode(tuple(self.thinned(self.rhythm(0.0, n))), kind)
        if self.rng.random() < 0.5:
            bursts = self.rhythm(0.0, n)
            return TrueEpisode((*bursts, self.tonic(self.after(bursts))), kind)
        first = [self.tonic(0.0)]
        return TrueEpisode((*first, *self.rhythm(self.after(first), n)), kind)

    def thinned(self, bursts: list[Burst]) -> list[Burst]:
        """Now and then the second-last of five bursts or more is on one side only."""
        gap_s = bursts[-1].start_s - bursts[-3].stop_s
        if len(bursts) < 5 or gap_s > 2.3 or self.rng.random() < 0.6:
            return bursts
        return [*bursts[:-2], replace(bursts[-2], sides=(self.side(),)), bursts[-1]]

    def side(self) -> Side:
        """Left or right."""
        return SIDES[int(self.rng.integers(2))]

    def isolated(self) -> Group:
        """One phasic burst, or two."""
        return Group(tuple(self.rhythm(0.0, int(self.rng.integers(1, 3)))))

    def twitch(self) -> Group:
        """A contraction too short to be a burst, strong enough to be seen."""
        return Group((self.burst(0.0, float(self.rng.uniform(0.06, 0.15))),))

    def chewing(self) -> Group:
        """Awake: strokes at about 1.5 a second."""
        n = int(self.rng.integers(6, 20))
        bursts = [self.burst(i / 1.5, float(self.rng.uniform(0.25, 0.4))) for i in range(n)]
        return Group(tuple(bursts))

    def talking(self) -> Group:
        """Awake: weak, irregular, close together."""
        found, start_s = [], 0.0
        for _ in range(int(self.rng.integers(8, 25))):
            duration_s = float(self.rng.uniform(0.1, 0.5))
            found.append(replace(self.burst(start_s, duration_s), amplitude=self.weak()))
            start_s += duration_s + float(self.rng.uniform(0.1, 0.6))
        return Group(tuple(found))

    def weak(self) -> float:
        """An amplitude just above the lower limit."""
        return float(self.amplitude_mvc[0] * self.rng.uniform(1.2, 1.8))
