"""A crossover of two periods: the effect free of the period, the period's own, carry-over."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sleepbrux.analysis.cohort.model import Crossed, Effect, PersonNight
from sleepbrux.analysis.cohort.ratios import effect_of, log_ratios
from sleepbrux.analysis.comparison.ratio import Floats


def crossover(
    nights: Sequence[PersonNight], condition: str, baseline: str
) -> tuple[Effect, Effect, Effect | None] | None:
    """Two-period crossover: effect free of the period, the period's own, and carry-over.

    Each person's log ratio; the mean of the two sequences' means is free of a period effect, half their
    difference is it. Carry-over is the ratio of the sequences' mean levels (Jones & Kenward, Design and
    Analysis of Cross-over Trials; from memory); persons differ, so it is known badly. None where the table
    is no crossover of two sequences with two persons or more in each.
    """
    sequences = {n.person: n.sequence for n in nights}
    names = sorted(set(sequences.values()))
    periods = {n.period for n in nights}
    if len(names) != 2 or not all(names) or len(periods) != 2 or not all(periods):
        return None
    ratios = log_ratios(nights, condition, baseline)
    groups = [np.log([r.ratio for r in ratios if sequences[r.person] == s]) for s in names]
    if min(len(g) for g in groups) < 2:
        return None
    middle, half, se, df = _two_groups(*groups)
    late = sorted(periods)[1]
    first = next(n.condition for n in nights if n.sequence == names[0] and n.period == late)
    sign = 1.0 if first == condition else -1.0
    levels = [np.array([_level(nights, r.person) for r in ratios if sequences[r.person] == s]) for s in names]
    _, carried, of_level, _ = _two_groups(*levels)
    carry = effect_of(f"carry-over ({names[0]} / {names[1]})", 2 * carried, 2 * of_level, df)
    return (
        effect_of(f"{condition} / {baseline}", middle, se, df),
        effect_of(f"period {late}", sign * half, se, df),
        carry,
    )


def crossed_effect(effect: Effect, crossed: Crossed, baseline: str) -> Effect:
    """The effect with the period taken out, where the table is a crossover."""
    condition = effect.term.removesuffix(f" / {baseline}")
    return crossed[condition][0] if condition in crossed else effect


def _two_groups(a: Floats, b: Floats) -> tuple[float, float, float, float]:
    """Mean of two groups' means, half their difference, its standard error, degrees of freedom."""
    df = len(a) + len(b) - 2
    pooled = ((len(a) - 1) * a.var(ddof=1) + (len(b) - 1) * b.var(ddof=1)) / df
    se = math.sqrt(pooled * (1 / len(a) + 1 / len(b))) / 2
    return float(a.mean() + b.mean()) / 2, float(a.mean() - b.mean()) / 2, se, float(df)


def _level(nights: Sequence[PersonNight], person: str) -> float:
    """Mean over the conditions of a person's log rates; half an event added."""
    own = [n for n in nights if n.person == person and n.hours > 0]
    logs = []
    for condition in dict.fromkeys(n.condition for n in own):
        group = [n for n in own if n.condition == condition]
        logs.append(math.log((sum(n.events for n in group) + 0.5) / sum(n.hours for n in group)))
    return sum(logs) / len(logs)
