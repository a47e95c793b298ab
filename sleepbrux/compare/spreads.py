"""Amplitude, duration, time index and integral: described, never tested."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sleepbrux.compare.ratio import Floats
from sleepbrux.compare.records import Record
from sleepbrux.nights import night_value

DRAWS = 1000
SEED = 20_260_302
BY_NIGHT = (
    "episodes_per_hour",
    "bursts_per_hour",
    "bruxism_time_index_pct",
    "burst_time_index_pct",
    "integral_above_background_pct_mvc_s_per_hour",
    "integral_above_background_uv_s_per_hour",
)
QUANTITIES = (
    ("peak_pct_mvc", "burst peak", "% MVC"),
    ("peak_uv", "burst peak", "µV"),
    ("duration_s", "burst duration", "s"),
    ("episode_duration_s", "episode duration", "s"),
)
BORDERS = {
    "peak_pct_mvc": tuple(np.geomspace(4, 256, 19).round(2).tolist()),
    "peak_uv": tuple(np.geomspace(4, 1024, 25).round(2).tolist()),
    "duration_s": tuple(np.geomspace(0.2, 12.8, 19).round(3).tolist()),
    "episode_duration_s": tuple(np.geomspace(0.5, 64, 15).round(2).tolist()),
}
PERCENTILES = (5, 25, 50, 75, 95)
CAUTION = (
    "For description only: nothing here is tested or corrected for the number of comparisons. Intervals are "
    "percentiles of a bootstrap over nights, for bursts and episodes then over events within nights; with "
    "four or five nights they are too short (by simulation they hold the true difference in 82 to 90 % "
    "instead of 95 %)."
)


@dataclass(frozen=True)
class Described:
    """One measure under one condition.

    Attributes
    ----------
    value
        Mean over nights; for events the median over all of them. None without any.
    low, high
        Bootstrap interval; None below two nights.
    """

    condition: str
    nights: int
    events: int | None
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Difference:
    """One condition less another, with a bootstrap interval."""

    condition: str
    against: str
    difference: float
    low: float
    high: float


@dataclass(frozen=True)
class Measured:
    """A measure under every condition, and its differences."""

    name: str
    unit: str
    statistic: str
    conditions: tuple[Described, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class NightSpread:
    """Distribution of one quantity in one night.

    Attributes
    ----------
    percentiles
        5th, 25th, 50th, 75th and 95th; empty where there is nothing.
    counts
        Events in each class between ``BORDERS``, those outside in the first and the last.
    """

    id: str
    condition: str
    quantity: str
    unit: str
    n: int
    percentiles: tuple[float, ...]
    counts: tuple[int, ...]


def _clean(values: Floats) -> Floats:
    return values[~np.isnan(values)]


def night_spread(r: Record, quantity: str, unit: str) -> NightSpread:
    """Percentiles and classes of a night."""
    values = _clean(getattr(r, quantity))
    borders = np.array(BORDERS[quantity])
    inside = np.clip(values, borders[0], np.nextafter(borders[-1], 0))
    counts = np.histogram(inside, bins=borders)[0]
    levels = np.percentile(values, PERCENTILES).tolist() if len(values) else []
    return NightSpread(
        r.entry.id, r.entry.condition, quantity, unit, len(values), tuple(levels),
        tuple(counts.tolist()),
    )  # fmt: skip


def spreads(records: Sequence[Record]) -> tuple[NightSpread, ...]:
    """Every quantity of every night."""
    return tuple(
        night_spread(r, quantity, unit) for quantity, _, unit in QUANTITIES for r in records
    )


def bootstrap_means(nights: Floats, rng: np.random.Generator) -> Floats:
    """Means of nights drawn again."""
    return np.asarray(nights[rng.integers(0, len(nights), (DRAWS, len(nights)))].mean(axis=1))


def bootstrap_medians(nights: Sequence[Floats], rng: np.random.Generator) -> Floats:
    """Medians of events: nights drawn again, then the events of each drawn night."""
    out = np.empty(DRAWS)
    for k in range(DRAWS):
        picked = [nights[i] for i in rng.integers(0, len(nights), len(nights))]
        out[k] = np.median(np.concatenate([v[rng.integers(0, len(v), len(v))] for v in picked]))
    return out


def _measured(
    name: str,
    unit: str,
    statistic: str,
    groups: dict[str, tuple[int, int | None, float | None, Floats | None]],
    pairs: Sequence[tuple[str, str]],
) -> Measured:
    described, differences = [], []
    for condition, (nights, events, value, draws) in groups.items():
        limits = (None, None) if draws is None else _limits(draws)
        described.append(Described(condition, nights, events, value, *limits))
    for a, b in pairs:
        va, da = groups[a][2:]
        vb, db = groups[b][2:]
        if va is not None and vb is not None and da is not None and db is not None:
            differences.append(Difference(a, b, va - vb, *_limits(da - db)))
    return Measured(name, unit, statistic, tuple(described), tuple(differences))


def _limits(draws: Floats) -> tuple[float, float]:
    low, high = np.percentile(draws, (2.5, 97.5))
    return float(low), float(high)


def describe(
    records: Sequence[Record],
    conditions: Sequence[str],
    pairs: Sequence[tuple[str, str]],
    *,
    progress: Callable[[], None] | None = None,
) -> tuple[Measured, ...]:
    """Every measure under every condition, and the differences of the pairs."""
    out = []
    for name in BY_NIGHT:
        rng = np.random.default_rng(SEED)
        groups: dict[str, tuple[int, int | None, float | None, Floats | None]] = {}
        unit = next(
            (r.figures.measures[name].unit for r in records if name in r.figures.measures), ""
        )
        for condition in conditions:
            values = [
                night_value(r.figures, name) for r in records if r.entry.condition == condition
            ]
            known = np.array([v.value for v in values if v.value is not None])
            counts = [v.count for v in values if v.count is not None]
            groups[condition] = (
                len(known), sum(counts) if counts else None,
                float(known.mean()) if len(known) else None,
                bootstrap_means(known, rng) if len(known) > 1 else None,
            )  # fmt: skip
        out.append(_measured(name, unit, "mean over nights", groups, pairs))
        if progress is not None:
            progress()
    for quantity, words, unit in QUANTITIES:
        rng = np.random.default_rng(SEED)
        groups = {}
        for condition in conditions:
            events = [
                _clean(getattr(r, quantity)) for r in records if r.entry.condition == condition
            ]
            events = [v for v in events if len(v)]
            groups[condition] = (
                len(events), sum(len(v) for v in events),
                float(np.median(np.concatenate(events))) if events else None,
                bootstrap_medians(events, rng) if len(events) > 1 else None,
            )  # fmt: skip
        out.append(_measured(words, unit, "median over events", groups, pairs))
        if progress is not None:
            progress()
    return tuple(out)
