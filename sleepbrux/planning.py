"""How many nights a comparison needs, by simulation with the very analysis, and when to wear what."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np

from sleepbrux.compare.model import CountedNight
from sleepbrux.compare.ratio import Floats, arm, estimate
from sleepbrux.compare.rules import LEAST_NIGHTS, POWER, VERDICT_P
from sleepbrux.errors import UsageError
from sleepbrux.study import NO_APPLIANCE, Order

RUNS = 2000
SEED = 20_260_302
MOST_NIGHTS = 60
Design = Literal["A-B-A", "randomised nights", "randomised blocks"]


@dataclass(frozen=True)
class Variation:
    """How far a person's nights differ beyond counting.

    Attributes
    ----------
    cv_pct
        SD of the true rate from night to night over its mean, in %; counting noise comes on top.
    source
        Where it comes from.
    """

    cv_pct: float
    source: str


PUBLISHED: dict[str, Variation] = {
    "lavigne2001 episodes": Variation(
        25.3,
        "Lavigne 2001: 9 persons, moderate to severe, 37 nights, first night dropped; episodes/h",
    ),
    "lavigne2001 bursts": Variation(
        30.4,
        "Lavigne 2001: 9 persons, moderate to severe, 37 nights, first night dropped; bursts/h",
    ),
    "miettinen2018 episodes": Variation(
        50.7, "Miettinen 2018: 16 persons, mostly mild, 3 nights at home; episodes/h"
    ),
}


@dataclass(frozen=True)
class Point:
    """Chance of telling a change with so many nights in each condition."""

    nights: int
    power: float


@dataclass(frozen=True)
class Plan:
    """A planned comparison.

    Attributes
    ----------
    events_per_night
        Expected events in a night without an appliance.
    points
        Chance of telling, by nights in each condition.
    needed
        Least number of nights in each condition with the wanted power; None where none up to the last
        point has it.
    standard_error
        Of a simulated chance, at most.
    """

    events_per_night: float
    variation: Variation
    ratio: float
    contrasts: int
    power: float
    points: tuple[Point, ...]
    needed: int | None
    runs: int
    standard_error: float


def extra_cv_pct(total_cv_pct: float, events_per_night: float) -> float:
    """CV of the true rate where a total CV was published: counting noise taken out, never below 0.

    Examples
    --------
    >>> round(extra_cv_pct(50.7, 14.0), 1), extra_cv_pct(25.3, 14.0)
    (43.1, 0.0)
    """
    return float(100 * np.sqrt(max((total_cv_pct / 100) ** 2 - 1 / events_per_night, 0.0)))


def own_variation(nights: Sequence[CountedNight]) -> Variation:
    """Extra-Poisson CV of a person's nights within conditions, by the method of moments.

    Raises
    ------
    UsageError
        Fewer than three nights more than conditions.
    """
    names = list(dict.fromkeys(n.condition for n in nights))
    over, df = 0.0, 0
    for name in names:
        group = [n for n in nights if n.condition == name and n.hours > 0]
        y, h = (np.array([getattr(n, k) for n in group]) for k in ("events", "hours"))
        if len(y) < 2 or y.sum() == 0:
            continue
        expected = y.sum() / h.sum() * h
        over += float((((y - expected) ** 2 - expected) / expected**2).sum())
        over += float((1 / expected).mean())  # the fitted mean takes one of n
        df += len(y) - 1
    if df < 3:
        raise UsageError(
            "a person's own variation needs at least three nights more than conditions; name a published "
            "one instead"
        )
    cv = 100 * float(np.sqrt(max(over / df, 0.0)))
    return Variation(cv, f"this person's {len(nights)} nights, counting noise taken out")


def simulate_nights(
    rng: np.random.Generator, runs: int, nights: int, events: float, cv_pct: float
) -> Floats:
    """Counts of nights, runs x nights: true rates spread, then Poisson counts.

    Which shape the spread has is not known, so half of the runs take gamma and half log-normal rates;
    with gamma alone the chance of telling would come out up to 6 points lower (CV 80 %).
    """
    if cv_pct <= 0:
        return rng.poisson(events, (runs, nights)).astype(np.float64)
    variance = (cv_pct / 100) ** 2
    half = runs // 2
    gamma = rng.gamma(1 / variance, variance, (half, nights))
    log = np.log1p(variance)
    normal = np.exp(rng.normal(-log / 2, np.sqrt(log), (runs - half, nights)))
    rates = events * np.concatenate((gamma, normal))
    return rng.poisson(rates).astype(np.float64)


def chance(
    with_: Floats, without: Floats, hours: float = 1.0, *, ratio: float, contrasts: int = 1
) -> float:
    """Share of runs whose verdict is the right one, by the analysis of `compare`."""
    a, b = (arm(y, np.full(y.shape, hours)) for y in (with_, without))
    known = a.total + b.total > 0
    found = estimate(a, b)
    low, high = found.limits()
    side = high < 0 if ratio < 1 else low > 0
    return float((known & side & (found.p() * contrasts <= VERDICT_P.value)).mean())


def plan_nights(
    events_per_night: float,
    variation: Variation,
    ratio: float,
    *,
    contrasts: int = 1,
    power: float = POWER.value,
    most_nights: int = MOST_NIGHTS,
    runs: int = RUNS,
    progress: Callable[[], None] | None = None,
) -> Plan:
    """Chance of telling a change, by the number of nights in each of two conditions.

    Nights are simulated (`simulate_nights`) and put through the analysis and
    the sentence rules of `compare`; with several contrasts Holm's first step is taken for all.

    Parameters
    ----------
    events_per_night
        Expected events in a night without an appliance.
    variation
        `own_variation`, or one of ``PUBLISHED`` with `extra_cv_pct`.
    ratio
        True ratio of the rates that should be told.

    Raises
    ------
    UsageError
        A ratio of 1 or not above 0, or no events.
    """
    if ratio <= 0 or ratio == 1:
        raise UsageError("the ratio to be told must be above 0 and not 1, for example 0.5 for half")
    if events_per_night <= 0:
        raise UsageError("planning needs more than 0 events a night")
    points: list[Point] = []
    needed = None
    n = int(LEAST_NIGHTS.value)
    while n <= most_nights:
        rng = np.random.default_rng([SEED, n])
        with_ = simulate_nights(rng, runs, n, events_per_night * ratio, variation.cv_pct)
        without = simulate_nights(rng, runs, n, events_per_night, variation.cv_pct)
        points.append(Point(n, chance(with_, without, ratio=ratio, contrasts=contrasts)))
        if progress is not None:
            progress()
        if needed is None and points[-1].power >= power:
            needed = n
        if needed is not None and points[-1].power >= min(power + 0.1, 0.97):
            break
        n += 1 if n < 12 else 2 if n < 24 else 4
    return Plan(
        events_per_night, variation, ratio, contrasts, power, tuple(points), needed, runs,
        float(np.sqrt(0.25 / runs)),
    )  # fmt: skip


@dataclass(frozen=True)
class Planned:
    """One night of a schedule."""

    id: str
    date: date
    condition: str
    block: int | None


@dataclass(frozen=True)
class Schedule:
    """When to wear what.

    Attributes
    ----------
    order
        What the study file has to say of it.
    analysis
        How such nights are compared, and what can be concluded.
    """

    design: Design
    order: Order
    seed: int
    nights: tuple[Planned, ...]
    analysis: str


ANALYSES: dict[Design, str] = {
    "A-B-A": (
        "Phases in a fixed order: rate ratio of all B nights to all A nights. Because A comes back, a "
        "steady change with time does not pass for an effect; carry-over and chance events in a phase may. "
        "The order is not drawn, so the sentences name no cause."
    ),
    "randomised nights": (
        "Conditions drawn over all nights: rate ratio, and a rearrangement test over all nights that stands "
        "on the drawing alone. The sentences may name the appliance as the cause in this person. Needs an "
        "appliance whose effect begins and ends within a night."
    ),
    "randomised blocks": (
        "Each block holds every condition once, in a drawn order: rate ratio, and a rearrangement test "
        "within blocks that stands on the drawing alone; slow changes with time fall out. The sentences may "
        "name the appliance as the cause in this person. With fewer than six blocks of two the rearrangement "
        "test cannot come below 0.05. Needs an appliance whose effect begins and ends within a night."
    ),
}


def schedule(
    design: Design,
    conditions: Sequence[str],
    nights: int,
    start: date,
    *,
    seed: int,
) -> Schedule:
    """Lay out nights by date.

    Parameters
    ----------
    conditions
        The baseline first; A-B-A takes two.
    nights
        Nights under each condition; A-B-A halves those of A around B, the first half the larger.
    seed
        Of the drawing; the same seed gives the same schedule.

    Raises
    ------
    UsageError
        Fewer than two conditions, a condition named twice, more than two for A-B-A, or fewer than four
        nights.
    """
    names = list(dict.fromkeys(conditions))
    if len(names) < 2 or len(names) != len(conditions):
        raise UsageError("a schedule needs two or more different conditions, the baseline first")
    if nights < LEAST_NIGHTS.value:
        raise UsageError(
            f"{nights} nights in each condition are too few; with fewer than "
            f"{LEAST_NIGHTS.value:g} the comparison says nothing"
        )
    rng = np.random.default_rng(seed)
    labels, blocks = _labels(design, names, nights, rng)
    order: Order = "planned phases" if design == "A-B-A" else design
    rows = tuple(
        Planned(f"night-{k + 1:02d}", start + timedelta(days=k), label, block)
        for k, (label, block) in enumerate(zip(labels, blocks, strict=True))
    )
    return Schedule(design, order, seed, rows, ANALYSES[design])


def _labels(
    design: Design, names: Sequence[str], nights: int, rng: np.random.Generator
) -> tuple[list[str], list[int | None]]:
    if design == "A-B-A":
        if len(names) != 2:
            raise UsageError("A-B-A takes two conditions: the baseline and one appliance")
        first = (nights + 1) // 2
        labels = [names[0]] * first + [names[1]] * nights + [names[0]] * (nights - first)
        return labels, [None] * len(labels)
    if design == "randomised nights":
        labels = [name for name in names for _ in range(nights)]
        return [labels[i] for i in rng.permutation(len(labels))], [None] * len(labels)
    labels = [names[i] for _ in range(nights) for i in rng.permutation(len(names))]
    return labels, [k // len(names) + 1 for k in range(len(labels))]


def schedule_csv(found: Schedule) -> str:
    """Nights of a schedule as CSV: ``night,date,condition,block``."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("night", "date", "condition", "block"))
    for n in found.nights:
        block = "" if n.block is None else n.block
        name = f"'{n.condition}" if n.condition.startswith(("=", "+", "-", "@")) else n.condition
        writer.writerow((n.id, n.date.isoformat(), name, block))
    return out.getvalue()


def schedule_toml(found: Schedule, *, baseline: str = NO_APPLIANCE) -> str:
    """The part of a study file that belongs to a schedule."""
    import json

    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    lines = [
        f"# Drawn with seed {found.seed}."
        if found.design != "A-B-A"
        else "# Phases in a fixed order.",
        f"order = {quoted(found.order)}",
        f"baseline = {quoted(baseline)}",
    ]
    for n in found.nights:
        lines += ["", "[[night]]", f"id = {quoted(n.id)}", f"recording = {quoted(n.id + '.edf')}",
                  f"date = {n.date.isoformat()}", f"condition = {quoted(n.condition)}"]  # fmt: skip
        if n.block is not None:
            lines.append(f"block = {n.block}")
    return "\n".join(lines) + "\n"


def plans_csv(plans: Sequence[Plan]) -> str:
    """Points of plans as CSV: ``ratio,nights_in_each_condition,chance_of_telling``."""
    lines = ["ratio,nights_in_each_condition,chance_of_telling"]
    lines += [f"{p.ratio:g},{q.nights},{q.power:.4f}" for p in plans for q in p.points]
    return "\n".join(lines) + "\n"
