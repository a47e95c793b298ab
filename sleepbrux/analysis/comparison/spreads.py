"""Amplitude, duration, time index and integral: beside the primary outcome, and never a sentence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sleepbrux.analysis.comparison.contrasts import compare_nights
from sleepbrux.analysis.comparison.model import Comparison, CountedNight
from sleepbrux.analysis.comparison.ratio import Floats, of_logs, ratio_of
from sleepbrux.analysis.comparison.records import NightRecord, counted
from sleepbrux.analysis.comparison.trend import Trend
from sleepbrux.archive.nights import night_value

DRAWS = 20_000
SEED = 20_260_302
BY_NIGHT = (
    "episodes_per_hour",
    "episodes_in_probable_sleep_per_hour",
    "bursts_per_hour",
    "time_in_episodes_pct",
    "time_in_bursts_pct",
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
LEVELS = tuple(round(0.1 * k, 1) for k in range(1, 10))
LEAST_EVENTS = 10
CAUTION = (
    "Other than the primary outcome: ratios with intervals, not corrected for their number, and no verdict "
    "uses them. Rates as in the primary outcome; other measures by Welch on the logarithms of nights. "
    "What a condition has is the mean over its nights with its t interval."
)
PEAKS = (
    "Peaks are those of bursts that crossed the threshold. Where an appliance weakens every contraction, the "
    "weak ones fall below it and are counted no more, so the peaks that are left fall less: at a threshold "
    "of 10 % MVC and a median peak of 15 % MVC a true factor of 0.7 shows as 0.80 to 0.85 (simulated "
    "log-normal peaks). The integral above background has no threshold."
)
BAND = (
    "Ratio of the peaks at each percentile of a night, the mean of the logarithms over nights. The grey band "
    "holds the whole curve in 95 % of studies, if nights are independent; it is over nights, not over bursts."
)


@dataclass(frozen=True)
class Described:
    """One measure under one condition.

    Attributes
    ----------
    value
        Mean over nights. None without any.
    low, high
        Its t interval over nights; None below two nights.
    """

    condition: str
    nights: int
    events: int | None
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Effect:
    """One condition against another in a measure beside the primary one.

    Attributes
    ----------
    p_rearranged
        Of the rearrangement test; None where it was not run.
    serial_low, serial_high
        Interval that allows for neighbouring nights being alike; None where the order was drawn.
    """

    condition: str
    against: str
    ratio: float
    low: float
    high: float
    p: float
    p_rearranged: float | None
    serial_low: float | None = None
    serial_high: float | None = None


@dataclass(frozen=True)
class Measured:
    """A measure under every condition, and the ratios of the pairs.

    Attributes
    ----------
    effects
        Empty for the primary outcome, whose ratios stand above, and where none can be had.
    trend
        Change of the nights with time, conditions taken out; None where it cannot be told.
    """

    name: str
    unit: str
    statistic: str
    conditions: tuple[Described, ...]
    effects: tuple[Effect, ...]
    trend: Trend | None = None


@dataclass(frozen=True)
class QuantileBand:
    """Ratio of two conditions at each percentile of a night's events, with a simultaneous band.

    Attributes
    ----------
    levels
        Shares below, 0.1 to 0.9.
    ratios, lows, highs
        One a level; the band holds all of them at once in 95 % of studies.
    """

    condition: str
    against: str
    quantity: str
    unit: str
    nights: int
    nights_against: int
    levels: tuple[float, ...]
    ratios: tuple[float, ...]
    lows: tuple[float, ...]
    highs: tuple[float, ...]


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


def night_spread(r: NightRecord, quantity: str, unit: str) -> NightSpread:
    """Percentiles and classes of a night."""
    values = _clean(getattr(r, quantity))
    borders = np.array(BORDERS[quantity])
    inside = np.clip(values, borders[0], np.nextafter(borders[-1], 0))
    counts = np.histogram(inside, bins=borders)[0]
    levels = np.percentile(values, PERCENTILES).tolist() if len(values) else []
    return NightSpread(
        r.entry.id,
        r.entry.condition,
        quantity,
        unit,
        len(values),
        tuple(levels),
        tuple(counts.tolist()),
    )


def spreads(records: Sequence[NightRecord]) -> tuple[NightSpread, ...]:
    """Every quantity of every night."""
    return tuple(night_spread(r, quantity, unit) for quantity, _, unit in QUANTITIES for r in records)


def _described(
    condition: str, values: Sequence[float], events: int | None, *, floor: float | None
) -> Described:
    from scipy.special import stdtrit

    n = len(values)
    if n == 0:
        return Described(condition, 0, events, None, None, None)
    mean = float(np.mean(values))
    if n < 2:
        return Described(condition, n, events, mean, None, None)
    half = float(stdtrit(n - 1, 0.975) * np.std(values, ddof=1) / np.sqrt(n))
    low = mean - half if floor is None else max(mean - half, floor)
    return Described(condition, n, events, mean, low, mean + half)


def _effects(
    nights: Sequence[CountedNight], comparison: Comparison, *, counts: bool
) -> tuple[tuple[Effect, ...], Trend | None]:
    """Ratios of a measure by the analysis of the primary outcome; the sentences are not taken."""
    if len({n.condition for n in nights}) < 2:
        return (), None
    found = compare_nights(
        nights,
        baseline=comparison.baseline,
        order=comparison.order,
        counts=counts,
        keep_first_night=True,
        rearranged=False,
    )
    effects = []
    for c in found.contrasts:
        if c.ratio is not None:
            r, serial = c.ratio, c.serial
            effects.append(
                Effect(
                    c.condition,
                    c.against,
                    r.ratio,
                    r.low,
                    r.high,
                    r.p,
                    c.rearrangement.p if c.rearrangement else None,
                    serial.low if serial else None,
                    serial.high if serial else None,
                )
            )
    return tuple(effects), found.trend


def describe(
    records: Sequence[NightRecord],
    comparison: Comparison,
    primary: str,
    *,
    progress: Callable[[], None] | None = None,
) -> tuple[Measured, ...]:
    """Every measure under every condition, with ratios for those that are not the primary outcome.

    Parameters
    ----------
    records
        The nights that were compared.
    """
    kept = [r for r in records if r.entry.id in {n.id for n in comparison.nights}]
    out = []
    for name in BY_NIGHT:
        if not any(name in r.figures.measures for r in kept):
            continue
        values = [(r, night_value(r.figures, name)) for r in kept]
        known = [(r, v) for r, v in values if v.value is not None]
        unit = next((r.figures.measures[name].unit for r in kept if name in r.figures.measures), "")
        rows = []
        for condition in comparison.conditions:
            own = [v for r, v in known if r.entry.condition == condition]
            counted_ = [v.count for v in own if v.count is not None]
            rows.append(
                _described(
                    condition,
                    [v.value for v in own if v.value is not None],
                    sum(counted_) if counted_ else None,
                    floor=None if name.startswith("integral_") else 0.0,
                )
            )
        effects: tuple[Effect, ...] = ()
        trend = comparison.trend if name == primary else None
        if name != primary and known:
            nights, counts = counted([r for r, _ in known], name)
            effects, trend = _effects(nights, comparison, counts=counts)
        out.append(Measured(name, unit, "mean over nights", tuple(rows), effects, trend))
        if progress is not None:
            progress()
    for quantity, words, unit in QUANTITIES:
        medians = [(r, _clean(getattr(r, quantity))) for r in kept]
        medians = [(r, v) for r, v in medians if len(v)]
        rows = []
        for condition in comparison.conditions:
            groups = [v for r, v in medians if r.entry.condition == condition]
            rows.append(
                _described(
                    condition, [float(np.median(v)) for v in groups], sum(len(v) for v in groups), floor=0.0
                )
            )
        nights = [_night(r, float(np.median(v))) for r, v in medians]
        effects, trend = _effects(nights, comparison, counts=False)
        out.append(Measured(words, unit, "median of a night, mean over nights", tuple(rows), effects, trend))
        if progress is not None:
            progress()
    return tuple(out)


def _night(r: NightRecord, value: float) -> CountedNight:
    entry = r.entry
    return CountedNight(entry.id, entry.condition, value, 1.0, entry.date, entry.block)


def critical(residuals: Floats, df: float, level: float = 0.95) -> float:
    """Bound that the largest \\|t\\| over a curve's levels stays below in this share of studies.

    From draws of a multivariate t whose correlation over levels is that of the nights' residuals.

    Parameters
    ----------
    residuals
        Shape (n_nights, n_levels), each condition's mean taken out.
    """
    spread = np.sqrt((residuals**2).sum(axis=0))
    scaled = residuals / np.where(spread > 0, spread, 1.0)
    rng = np.random.default_rng(SEED)
    normal = rng.normal(size=(DRAWS, len(scaled))) @ scaled
    t = np.abs(normal).max(axis=1) / np.sqrt(rng.chisquare(df, DRAWS) / df)
    return float(np.quantile(t, level))


def quantile_band(here: Sequence[Floats], there: Sequence[Floats]) -> tuple[Floats, Floats, Floats] | None:
    """Logarithm of the ratio at `LEVELS` and its simultaneous band, of nights' events.

    Each night's percentiles, their logarithms compared over nights (Welch at each level).

    Returns
    -------
    Middle, low and high; None with fewer than three nights of 10 events in a condition.
    """
    groups = [
        np.array([np.log(np.quantile(v, LEVELS)) for v in side if len(v) >= LEAST_EVENTS and v.min() > 0])
        for side in (here, there)
    ]
    if min(len(g) for g in groups) < 3:
        return None
    found = of_logs(groups[0].T, groups[1].T)
    residuals = np.concatenate([g - g.mean(axis=0) for g in groups])
    half = critical(residuals, float(np.min(found.df))) * found.se
    return found.log_ratio, found.log_ratio - half, found.log_ratio + half


def bands(records: Sequence[NightRecord], comparison: Comparison) -> tuple[QuantileBand, ...]:
    """Peaks of each condition against the baseline, percentile by percentile; in % MVC where it is known."""
    kept = [r for r in records if r.entry.id in {n.id for n in comparison.nights}]
    out = []
    for quantity, _, unit in QUANTITIES[:2]:
        sides = {
            c: [v for r in kept if r.entry.condition == c and len(v := _clean(getattr(r, quantity)))]
            for c in comparison.conditions
        }
        base = sides[comparison.baseline]
        for condition in comparison.conditions:
            found = quantile_band(sides[condition], base) if condition != comparison.baseline else None
            if found is not None:
                middle, low, high = (tuple(ratio_of(v) for v in part) for part in found)
                n, m = (sum(len(v) >= LEAST_EVENTS for v in side) for side in (sides[condition], base))
                out.append(
                    QuantileBand(
                        condition, comparison.baseline, quantity, unit, n, m, LEVELS, middle, low, high
                    )
                )
        if out:
            break
    return tuple(out)
