"""One ratio a person."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sleepbrux.analysis.cohort.model import Effect, PersonNight, PersonRatio
from sleepbrux.analysis.comparison.ratio import arm, estimate, ratio_of
from sleepbrux.analysis.comparison.trend import ROUNDING


def log_ratios(nights: Sequence[PersonNight], condition: str, baseline: str) -> tuple[PersonRatio, ...]:
    """Each person's rate ratio; persons without an event in one condition have half an event added."""
    out = []
    for person in dict.fromkeys(n.person for n in nights):
        own = [n for n in nights if n.person == person and n.hours > 0]
        groups = [[n for n in own if n.condition == c] for c in (condition, baseline)]
        if not all(groups):
            continue
        (ya, ha), (yb, hb) = (
            (np.array([n.events for n in g]), np.array([n.hours for n in g])) for g in groups
        )
        if ya.sum() + yb.sum() == 0:
            continue
        none = 0.5 * (ya.sum() == 0 or yb.sum() == 0)
        log = math.log((ya.sum() + none) / ha.sum()) - math.log((yb.sum() + none) / hb.sum())
        low = high = None
        if min(len(ya), len(yb)) >= 2:
            found = estimate(arm(ya, ha), arm(yb, hb)).limits()
            low, high = (ratio_of(v) for v in found)
        out.append(PersonRatio(person, len(ya), len(yb), math.exp(log), low, high))
    return tuple(out)


def effect_of(term: str, log: float, se: float, df: float) -> Effect:
    """A ratio with its t interval from a logarithm and its standard error."""
    from scipy import stats

    half = float(stats.t.ppf(0.975, df)) * se
    p = float(2 * stats.t.sf(abs(log) / se, df)) if se > 0 else 1.0
    return Effect(term, ratio_of(log), ratio_of(log - half), ratio_of(log + half), p, float(df))


def by_ratios(
    nights: Sequence[PersonNight], conditions: Sequence[str], baseline: str
) -> tuple[list[Effect], dict[str, float | None]]:
    """One log ratio a person: t interval, and Wilcoxon's signed-rank test."""
    from scipy import stats

    effects, ranks = [], {}
    for condition in conditions:
        logs = np.log([r.ratio for r in log_ratios(nights, condition, baseline)])
        if len(logs) < 2:
            continue
        mean, df = float(logs.mean()), len(logs) - 1
        se = float(stats.sem(logs)) if np.ptp(logs) > ROUNDING else 0.0
        effects.append(effect_of(f"{condition} / {baseline}", mean, se, df))
        ranks[condition] = float(stats.wilcoxon(logs).pvalue) if np.any(logs) else None
    return effects, ranks
