"""How often an episode calls itself awake by the rise of the heart rate that goes with it.

``python -m tests.wake_bias [--nights N]`` prints the tables of ``sleepbrux/docs/awake.md``. Generated nights of
7.5 h (`tests.wake_nights`), each with the heart rate answering to its episodes by the published curve and not,
under the same noise. *Outside*: the model reads the beats around each episode and not those in it, from 5 s before
its onset to 20 s after its end. The truth is the stage at the onset.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time

import numpy as np

from sleepbrux.signal.wake_model import chance_awake
from tests.wake_nights import ASLEEP, EPOCH_S, LONG, SHORT, Floats, PlannedNight, planned

HOURS = 7.5
RATES = (2.0, 6.0, 12.0)
AWAKE = 16.0  # episodes a night in wake
THRESHOLDS = (0.3, 0.5, 0.7)
BEFORE_S, AFTER_S = 5.0, 20.0
WAYS = ("no rise", "rise", "rise, outside")
START = time(23)


def outside(night: PlannedNight) -> Floats:
    """Beats of the night that answers, without those in and around each episode."""
    keep = np.ones(len(night.with_rise), dtype=bool)
    for start, stop in night.episodes_s:
        a, b = np.searchsorted(night.with_rise, [start - BEFORE_S, stop + AFTER_S])
        keep[a:b] = False
    return night.with_rise[keep]


@dataclass(frozen=True, eq=False)
class Judged:
    """A night and the probability of being awake in each way: of each 30 s, and at each onset."""

    night: PlannedNight
    epochs: dict[str, Floats]
    onsets: dict[str, Floats]


def judge(night: PlannedNight) -> Judged:
    """The model on one night, in every way."""
    epochs, onsets = {}, {}
    at = (night.episodes_s[:, 0] // EPOCH_S).astype(int)
    for way, beats in zip(WAYS, (night.without, night.with_rise, outside(night)), strict=True):
        chance = np.full(len(night.stages), np.nan)
        found = chance_awake(beats, START)[: len(chance)]
        chance[: len(found)] = found
        epochs[way], onsets[way] = chance, chance[at]
    return Judged(night, epochs, onsets)


def share(judged: Sequence[Judged], way: str, place: int, threshold: float) -> float:
    """Share of the episodes in one place that are called awake."""
    called = np.concatenate([j.onsets[way][j.night.place == place] for j in judged])
    return float((called[~np.isnan(called)] >= threshold).mean())


def asleep_counts(judged: Sequence[Judged], way: str, threshold: float) -> Floats:
    """Episodes of each night that are called asleep."""
    return np.array([(j.onsets[way] < threshold).sum() for j in judged], dtype=float)


def true_counts(judged: Sequence[Judged]) -> Floats:
    """Episodes of each night in true sleep."""
    return np.array([(j.night.place == ASLEEP).sum() for j in judged], dtype=float)


def every_count(judged: Sequence[Judged]) -> Floats:
    """All episodes of each night."""
    return np.array([len(j.night.place) for j in judged], dtype=float)


def agreement(judged: Sequence[Judged], way: str) -> tuple[float, float, float, float]:
    """Accuracy, kappa, share of wake called awake, share of sleep called asleep, over all 30 s."""
    truth = np.concatenate([j.night.stages == 0 for j in judged])
    chance = np.concatenate([j.epochs[way] for j in judged])
    known = ~np.isnan(chance)
    truth, said = truth[known], chance[known] >= 0.5
    right = float((truth == said).mean())
    by_chance = truth.mean() * said.mean() + (1 - truth.mean()) * (1 - said.mean())
    return (
        right,
        float((right - by_chance) / (1 - by_chance)),
        float(said[truth].mean()),
        float((~said[~truth]).mean()),
    )


def row(cells: Sequence[str]) -> str:
    """One row of a table."""
    return "| " + " | ".join(cells) + " |\n"


def head(cells: Sequence[str]) -> str:
    """Head of a table."""
    return row(cells) + row(["---"] * len(cells))


def self_called(by_rate: dict[float, list[Judged]]) -> str:
    """Table: episodes that are called awake, by where they truly are."""
    out = head(["episodes/h asleep", "P from", "truly", *(f"called awake, {w}, %" for w in WAYS)])
    for rate, judged in by_rate.items():
        for limit in THRESHOLDS:
            for place, words in (
                (ASLEEP, "asleep"),
                (SHORT, "in a wake of 30–60 s"),
                (LONG, "in a longer wake"),
            ):
                cells = [f"{100 * share(judged, way, place, limit):.0f}" for way in WAYS]
                out += row([f"{rate:g}", f"{limit:g}", words, *cells])
    return out


def of_index(by_rate: dict[float, list[Judged]]) -> str:
    """Table: what is counted, as a share of the episodes in true sleep; and how far a night lies from it."""
    out = head(
        ["episodes/h asleep", "P from", "all", *WAYS, "night's error, all", *(f"error, {w}" for w in WAYS)]
    )
    for rate, judged in by_rate.items():
        truth, every = true_counts(judged), every_count(judged)
        for limit in THRESHOLDS:
            counts = [asleep_counts(judged, way, limit) for way in WAYS]
            ratios = [f"{c.sum() / truth.sum():.2f}" for c in (every, *counts)]
            errors = [f"{np.sqrt(((c - truth) ** 2).mean()):.1f}" for c in (every, *counts)]
            out += row([f"{rate:g}", f"{limit:g}", *ratios, *errors])
    return out


def of_comparison(by_rate: dict[float, list[Judged]]) -> str:
    """Table: ratio of two conditions whose episodes in wake are alike."""
    out = head(["from, to /h asleep", "true ratio", "all episodes", *WAYS])
    for high, low in ((12.0, 6.0), (12.0, 2.0), (6.0, 2.0)):
        one, other = by_rate[high], by_rate[low]
        pairs = [(true_counts(one), true_counts(other)), (every_count(one), every_count(other))]
        pairs += [(asleep_counts(one, way, 0.5), asleep_counts(other, way, 0.5)) for way in WAYS]
        out += row([f"{high:g}, {low:g}", *(f"{b.sum() / a.sum():.2f}" for a, b in pairs)])
    return out


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=40, help="nights at each rate")
    n = parser.parse_args().nights
    by_rate = {
        rate: [judge(planned(seed, hours=HOURS, per_hour_asleep=rate, awake=AWAKE)) for seed in range(n)]
        for rate in RATES
    }
    quiet = [judge(planned(seed, hours=HOURS, per_hour_asleep=0.0, awake=0.0)) for seed in range(n)]
    out = sys.stdout
    out.write(
        f"{n} nights of {HOURS} h at each rate; {AWAKE:g} episodes a night in wake, half in wakes of 30–60 s.\n\n"
    )
    out.write(head(["episodes/h asleep", "way", "accuracy", "κ", "wake called awake", "sleep called asleep"]))
    out.write(row(["none", "no wake under 60 s", *(f"{v:.2f}" for v in agreement(quiet, WAYS[0]))]))
    for rate, judged in by_rate.items():
        for way in WAYS:
            out.write(row([f"{rate:g}", way, *(f"{v:.2f}" for v in agreement(judged, way))]))
    out.write("\n" + self_called(by_rate) + "\n" + of_index(by_rate) + "\n" + of_comparison(by_rate))
    return 0


if __name__ == "__main__":
    sys.exit(main())
