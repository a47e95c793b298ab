"""How many nights a comparison needs, by simulation with the very analysis, and when to wear what."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.judge import judge
from sleepbrux.analysis.comparison.model import Comparison, CountedNight
from sleepbrux.analysis.comparison.ratio import Floats, contrast
from sleepbrux.analysis.comparison.rearrange import RANDOMISED, Arrangements
from sleepbrux.analysis.comparison.rules import LEAST_NIGHTS, LOOKS_P, NOT_DRAWN, POWER, VERDICT_P
from sleepbrux.core.errors import UsageError
from sleepbrux.study.file import NO_APPLIANCE, Order

RUNS = 2000
RUNS_PAGE = 500
RUNS_RANGE = 200
SEED = 20_260_302
MOST_NIGHTS = 60
MOST_EXACT, DRAWN, DRAWN_NEAR = 1_000, 499, 3_999
GRID = (4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 28, 34, 40, 48, 60, 80, 110, 150, 200)
RANGE_LEVEL = 0.8
Design = Literal["A-B", "A-B-A", "in turn", "randomised nights", "randomised blocks"]
SCHEDULED: tuple[Design, ...] = ("A-B-A", "randomised nights", "randomised blocks")
ORDERS: dict[Design, Order] = {
    "A-B": "planned phases",
    "A-B-A": "planned phases",
    "in turn": "as it came",
    "randomised nights": "randomised nights",
    "randomised blocks": "randomised blocks",
}


@dataclass(frozen=True)
class Variation:
    """How far a person's nights differ beyond counting.

    Attributes
    ----------
    cv_pct
        SD of the true rate from night to night over its mean, in %; Poisson variation comes on top.
    source
        Where it comes from.
    low_pct, high_pct
        Range of 80 % where it was estimated from nights; None where it was stated.
    """

    cv_pct: float
    source: str
    low_pct: float | None = None
    high_pct: float | None = None


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
    """Power to detect a change with so many nights in each condition.

    Attributes
    ----------
    least_p
        Least p that the rearrangement test of the design can give then, with as many arrangements as are
        tried here; None where the order is not drawn.
    """

    nights: int
    power: float
    least_p: float | None = None


@dataclass(frozen=True)
class Plan:
    """A planned comparison.

    Attributes
    ----------
    events_per_night
        Expected events in a night without an appliance.
    contrasts
        Conditions that are compared with the baseline.
    design
        How the nights are laid out.
    first_apart
        Whether the first night of the study is recorded and not compared, as `compare` does it.
    looks
        Nights in each condition at which is looked; empty for one look at the end. With looks each
        point is the power by then.
    points
        Power, by nights recorded in each condition.
    needed
        Least number of nights in each condition with the wanted power; None where none up to the last
        point has it.
    needed_low, needed_high
        The same at both ends of the range of a variation that was estimated from nights; None where it was
        stated, or where that end needs more than the last point.
    expected
        With looks: nights in each condition on average until it is detected or the last look is over.
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
    design: Design = "randomised nights"
    first_apart: bool = True
    looks: tuple[int, ...] = ()
    needed_low: int | None = None
    needed_high: int | None = None
    expected: float | None = None
    most_nights: int = MOST_NIGHTS

    @property
    def needed_text(self) -> str:
        """How many nights, in words, with its range where the variation was estimated."""
        most = self.most_nights
        text = (
            f"{self.needed} nights in each condition"
            if self.needed
            else f"more than {most} nights in each condition"
        )
        if self.variation.high_pct is None:
            return text
        low = self.needed_low or f"more than {most}"
        high = self.needed_high or f"more than {most}"
        return text if low == high else f"{text} ({low} to {high}, as the variation is uncertain)"


def extra_cv_pct(total_cv_pct: float, events_per_night: float) -> float:
    """CV of the true rate where a total CV was published: Poisson variation taken out, never below 0.

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
    from scipy.special import chdtri

    names = list(dict.fromkeys(n.condition for n in nights))
    over, counting, df = 0.0, 0.0, 0
    for name in names:
        group = [n for n in nights if n.condition == name and n.hours > 0]
        y, h = (np.array([getattr(n, k) for n in group]) for k in ("events", "exposure"))
        if len(y) < 2 or y.sum() == 0:
            continue
        expected = y.sum() / h.sum() * h
        over += float((((y - expected) ** 2 - expected) / expected**2).sum())
        over += float((1 / expected).mean())  # the fitted mean takes one of n
        counting += float((1 / expected).mean()) * (len(y) - 1)
        df += len(y) - 1
    if df < 3:
        raise UsageError(
            "a person's own variation needs at least three nights more than conditions; name a published "
            "one instead"
        )
    total, noise, tail = max(over + counting, 0.0), counting / df, (1 - RANGE_LEVEL) / 2
    # the squared spread of nights as a multiple of chi-squared; Poisson variation taken out afterwards
    low, high = (100 * float(np.sqrt(max(total / chdtri(df, at) - noise, 0.0))) for at in (tail, 1 - tail))
    cv = 100 * float(np.sqrt(max(over / df, 0.0)))
    return Variation(cv, f"this person's {len(nights)} nights, Poisson variation taken out", low, high)


def simulate_nights(rng: np.random.Generator, runs: int, nights: int, events: float, cv_pct: float) -> Floats:
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


@dataclass(frozen=True, eq=False)
class Layout:
    """Nights of two conditions in order of time.

    Attributes
    ----------
    is_with
        Which of them carry the appliance.
    when
        Their numbers.
    blocks
        Their blocks; None without.
    weight
        Share of studies that come out like this.
    """

    is_with: NDArray[np.bool_]
    when: Floats
    blocks: NDArray[np.int64] | None
    weight: float


def layouts(design: Design, nights: int, *, conditions: int = 2, first_apart: bool = True) -> list[Layout]:
    """How the compared nights of baseline and one appliance can lie, with the first night set apart.

    Where the order is drawn, which condition loses the first night is a matter of chance. Nights are
    simulated independent, so there only the numbers of nights matter and not their places.
    """
    n = nights
    if design in RANDOMISED:
        labels = np.tile([False, True], n)
        when = np.arange(2.0 * n)
        blocks = np.arange(2 * n) // 2 if design == "randomised blocks" else None
        lost = [(0, 1 / conditions), (1, 1 / conditions), (None, 1 - 2 / conditions)]
        out = []
        for first, weight in lost if first_apart else [(None, 1.0)]:
            keep = np.ones(2 * n, dtype=np.bool_)
            if first is not None:
                keep[first] = False
            if weight > 0:
                out.append(Layout(labels[keep], when[keep], None if blocks is None else blocks[keep], weight))
        return out
    labels = np.array(
        {
            "A-B": [False] * n + [True] * n,
            "A-B-A": [False] * ((n + 1) // 2) + [True] * n + [False] * (n // 2),
            "in turn": [False, True] * n,
        }[design]
    )
    from_ = int(first_apart)
    return [Layout(labels[from_:], np.arange(2.0 * n)[from_:], None, 1.0)]


def told(
    y: Floats,
    layout: Layout,
    design: Design,
    *,
    ratio: float | None,
    contrasts: int = 1,
    bound: float = VERDICT_P.value,
) -> NDArray[np.bool_]:
    """Which studies would be told apart, by the analysis of `compare`; with other contrasts Holm's first step.

    Parameters
    ----------
    y
        Shape (n_studies, n_nights) as in the layout, hours alike.
    ratio
        True ratio: only its own side counts. None: either side counts.
    """
    order = ORDERS[design]
    said = np.zeros(len(y), dtype=np.bool_)
    if min(layout.is_with.sum(), (~layout.is_with).sum()) < LEAST_NIGHTS.value:
        return said
    found = contrast(y, np.ones_like(y), layout.is_with)
    side = True if ratio is None else found.log_ratio < 0 if ratio < 1 else found.log_ratio > 0
    factor = 1.0 if order in RANDOMISED else NOT_DRAWN.value
    near = (y.sum(axis=1) > 0) & side & (factor * found.p() * contrasts <= bound)
    if near.any():
        p = _p(y[near], layout, order, DRAWN) * contrasts
        said[near] = p <= bound
        # few draws decide all but those near the bound, which more draws decide
        close = np.flatnonzero(near)[np.abs(p - bound) < 4 * np.sqrt(bound * contrasts / DRAWN)]
        if len(close) and order in RANDOMISED:
            said[close] = _p(y[close], layout, order, DRAWN_NEAR) * contrasts <= bound
    return said


def _p(y: Floats, layout: Layout, order: Order, drawn: int) -> Floats:
    """What the sentences of studies in one layout rest on, with so many arrangements drawn."""
    places = None
    if order in RANDOMISED:
        places = Arrangements.of(
            layout.is_with,
            order,
            None if layout.blocks is None else layout.blocks.tolist(),
            most_exact=MOST_EXACT if drawn == DRAWN else max(MOST_EXACT, drawn),
            drawn=drawn,
        )
    return judge(y, np.ones_like(y), layout.is_with, order, layout.when, places=places).p


def _simulated(
    rng: np.random.Generator, runs: int, layout: Layout, events: float, ratio: float, cv_pct: float
) -> Floats:
    y = np.empty((runs, len(layout.is_with)))
    for label, mean in ((True, events * ratio), (False, events)):
        at = layout.is_with == label
        y[:, at] = simulate_nights(rng, runs, int(at.sum()), mean, cv_pct)
    return y


def power_at(
    nights: int,
    events: float,
    cv_pct: float,
    ratio: float,
    design: Design,
    *,
    contrasts: int = 1,
    first_apart: bool = True,
    runs: int = RUNS,
    seed: int = SEED,
) -> float:
    """Chance of telling with so many nights recorded in each condition."""
    rng = np.random.default_rng([seed, nights])
    found = 0.0
    for layout in layouts(design, nights, conditions=contrasts + 1, first_apart=first_apart):
        y = _simulated(rng, max(round(runs * layout.weight), 1), layout, events, ratio, cv_pct)
        found += layout.weight * float(told(y, layout, design, ratio=ratio, contrasts=contrasts).mean())
    return found


def told_at_looks(
    rng: np.random.Generator,
    runs: int,
    looks: Sequence[int],
    events: float,
    cv_pct: float,
    ratio: float,
    design: Design,
    *,
    contrasts: int = 1,
    first_apart: bool = True,
    bound: float = LOOKS_P.value,
    either: bool = False,
) -> tuple[list[float], float]:
    """Chance of having told by each look, and the nights in each condition until then on average.

    Parameters
    ----------
    either
        Count a told difference on either side, for the share of false ones.
    """
    shares, nights = np.zeros(len(looks)), 0.0
    most = looks[-1]
    for last in layouts(design, most, conditions=contrasts + 1, first_apart=first_apart):
        n = max(round(runs * last.weight), 1)
        y = _simulated(rng, n, last, events, ratio, cv_pct)
        done = np.zeros(n, dtype=np.bool_)
        stop = np.full(n, most)
        for k, look in enumerate(looks):
            some = last.when < 2 * look
            layout = Layout(
                last.is_with[some],
                last.when[some],
                None if last.blocks is None else last.blocks[some],
                last.weight,
            )
            open_ = ~done
            new = np.zeros(n, dtype=np.bool_)
            new[open_] = told(
                y[open_][:, some],
                layout,
                design,
                ratio=None if either else ratio,
                contrasts=contrasts,
                bound=bound,
            )
            stop[new] = look
            done |= new
            shares[k] += last.weight * float(done.mean())
        nights += last.weight * float(stop.mean())
    return shares.tolist(), nights


def least_p(design: Design, nights: int, *, conditions: int = 2, first_apart: bool = True) -> float | None:
    """Least p of the design's own test, in the worst case of the set-apart night; None without one."""
    if design not in RANDOMISED:
        return None
    found = []
    for layout in layouts(design, nights, conditions=conditions, first_apart=first_apart):
        n, k = len(layout.is_with), int(layout.is_with.sum())
        if layout.blocks is None:
            count, mirrored = math.comb(n, k), 2 * k == n
        else:
            sizes = np.unique(layout.blocks, return_counts=True)[1]
            count, mirrored = 2 ** int((sizes == 2).sum()), bool((sizes == 2).all())
        found.append(
            max((2 if mirrored else 1) / count, 0.0 if count <= MOST_EXACT else 1 / (DRAWN_NEAR + 1))
        )
    return max(found)


class Simulation(TypedDict, total=False):
    """How `plan_nights` simulates.

    Attributes
    ----------
    power
        Chance of telling the change that is wanted.
    most_nights
        Up to how many nights in each condition are tried.
    runs
        Simulated studies for each number of nights.
    progress
        Called before each number of nights.
    """

    power: float
    most_nights: int
    runs: int
    progress: Callable[[], object] | None


def plan_nights(
    events_per_night: float,
    variation: Variation,
    ratio: float,
    *,
    design: Design = "randomised nights",
    contrasts: int = 1,
    first_apart: bool = True,
    looks: Sequence[int] = (),
    **simulation: Unpack[Simulation],
) -> Plan:
    """Power to detect a change, by the number of nights recorded in each condition.

    Nights are simulated (`simulate_nights`), laid out by the design, the first one left out, and put through
    the analysis and the sentence rules of `compare`; with several contrasts Holm's first step is taken for
    all. Nights are simulated independent of their neighbours, also where the analysis allows for more.

    Parameters
    ----------
    events_per_night
        Expected events in a night without an appliance.
    variation
        `own_variation`, or one of ``PUBLISHED`` with `extra_cv_pct`.
    ratio
        True ratio of the rates that should be detected.
    contrasts
        Conditions that are compared with the baseline.
    looks
        Nights in each condition at which is looked, the bound then being `rules.LOOKS_P`.
    **simulation
        See `Simulation`.

    Returns
    -------
    Plan

    Raises
    ------
    UsageError
        A ratio of 1 or not above 0, no events, or looks in a design whose order is not drawn.
    """
    power, runs = simulation.get("power", POWER.value), simulation.get("runs", RUNS)
    most_nights, progress = simulation.get("most_nights", MOST_NIGHTS), simulation.get("progress")
    if unknown := sorted(set(simulation) - set(Simulation.__annotations__)):
        raise UsageError(
            f"plan_nights has no argument {unknown[0]}; it has {', '.join(Simulation.__annotations__)}"
        )
    if ratio <= 0 or ratio == 1:
        raise UsageError("the ratio to be detected must be above 0 and not 1, for example 0.5 for half")
    if events_per_night <= 0:
        raise UsageError("planning needs more than 0 events a night")
    if looks and design not in RANDOMISED:
        raise UsageError(f"looks need a design whose order is drawn; {design} is none")
    low = high = None
    expected: float | None = None
    if looks:
        shares, expected = told_at_looks(
            np.random.default_rng(SEED),
            runs,
            looks,
            events_per_night,
            variation.cv_pct,
            ratio,
            design,
            contrasts=contrasts,
            first_apart=first_apart,
        )
        powers = dict(zip(looks, shares, strict=True))
        needed = next((n for n, v in powers.items() if v >= power), None)
    else:
        powers = {}

        def at(n: int, cv_pct: float, runs: int) -> float:
            if progress is not None:
                progress()
            return power_at(
                n,
                events_per_night,
                cv_pct,
                ratio,
                design,
                contrasts=contrasts,
                first_apart=first_apart,
                runs=runs,
            )

        def enough(n: int) -> bool:
            powers.setdefault(n, at(n, variation.cv_pct, runs))
            return powers[n] >= power

        needed = _least(enough, most_nights)
        low, high = _range(at, variation, needed, power, most_nights, min(runs, RUNS_RANGE))
    points = tuple(
        Point(n, powers[n], least_p(design, n, conditions=contrasts + 1, first_apart=first_apart))
        for n in sorted(powers)
    )
    return Plan(
        events_per_night,
        variation,
        ratio,
        contrasts,
        power,
        points,
        needed,
        runs,
        float(np.sqrt(0.25 / runs)),
        design,
        first_apart,
        tuple(looks),
        low,
        high,
        expected,
        looks[-1] if looks else most_nights,
    )


def _range(
    at: Callable[[int, float, int], float],
    variation: Variation,
    needed: int | None,
    power: float,
    most_nights: int,
    runs: int,
) -> tuple[int | None, int | None]:
    """Nights needed at both ends of the range of an estimated variation; None where it was stated."""
    if variation.low_pct is None or variation.high_pct is None:
        return None, None

    def least(cv_pct: float) -> int | None:
        if cv_pct == variation.cv_pct:
            return needed
        return _bisected(lambda n: at(n, cv_pct, runs) >= power, most_nights)

    low, high = least(variation.low_pct), least(variation.high_pct)
    return (
        low if low is None or needed is None else min(low, needed),
        high if high is None or needed is None else max(high, needed),
    )


def bound_of(plan: Plan) -> float:
    """Bound of p that the plan's sentences rest on."""
    return LOOKS_P.value if plan.looks else VERDICT_P.value


def _least(enough: Callable[[int], bool], most: int) -> int | None:
    """Least number of nights that is enough: along a grid, then between its last two points."""
    grid = [n for n in GRID if n < most] + [most]
    below = grid[0] - 1
    for n in grid:
        if enough(n):
            found = n
            while found - below > 1:
                middle = (found + below) // 2
                found, below = (middle, below) if enough(middle) else (found, middle)
            return found
        below = n
    return None


def _bisected(enough: Callable[[int], bool], most: int) -> int | None:
    """`_least` in fewer steps, for a chance that rises."""
    below, found = int(LEAST_NIGHTS.value) - 1, most
    if not enough(most):
        return None
    while found - below > 1:
        middle = (found + below) // 2
        found, below = (middle, below) if enough(middle) else (found, middle)
    return found


def design_of(comparison: Comparison) -> Design:
    """How the nights of a comparison were laid out, as far as planning more of them needs it."""
    if comparison.order in RANDOMISED:
        return "randomised nights" if comparison.order == "randomised nights" else "randomised blocks"
    worn = [n.condition for n in comparison.nights]
    phases = [worn[0], *(b for a, b in pairwise(worn) if a != b)]
    if len(phases) == len(set(phases)):
        return "A-B"
    return "A-B-A" if len(phases) == len(set(phases)) + 1 else "in turn"


def plans_from(
    nights: Sequence[CountedNight],
    baseline: str,
    ratios: Sequence[float] = (0.5, 0.75),
    *,
    order: Order = "as it came",
    design: Design | None = None,
    contrasts: int = 1,
    first_apart: bool = True,
    counts: bool = True,
    outcome: str = "the outcome",
    power: float = POWER.value,
    most_nights: int = MOST_NIGHTS,
    runs: int = RUNS_PAGE,
    progress: Callable[[], object] | None = None,
) -> tuple[Plan, ...]:
    """How many nights would tell a change if nights vary as these did.

    Parameters
    ----------
    nights
        Compared nights.
    order, design
        Design of the nights to come; without one, the order's own, and phases for an order not drawn.

    Raises
    ------
    UsageError
        The outcome is no count of events, no event was seen without an appliance, or there are too few
        nights to know their variation.
    """
    if not counts:
        raise UsageError(f"{outcome} is no count of events, so it cannot be planned")
    base = [n for n in nights if n.condition == baseline]
    events = sum(n.events for n in base)
    if events <= 0:
        raise UsageError("no event on the nights of the baseline, so nothing can be planned from them")
    variation = own_variation(nights)
    drawn: dict[Order, Design] = {o: d for d, o in ORDERS.items() if o in RANDOMISED}
    laid = design or drawn.get(order, "A-B")
    return tuple(
        plan_nights(
            events / len(base),
            variation,
            ratio,
            design=laid,
            contrasts=contrasts,
            first_apart=first_apart,
            power=power,
            most_nights=most_nights,
            runs=runs,
            progress=progress,
        )
        for ratio in ratios
    )


def plans_of(
    comparison: Comparison,
    ratios: Sequence[float] = (0.5, 0.75),
    *,
    power: float = POWER.value,
    most_nights: int = MOST_NIGHTS,
    progress: Callable[[], object] | None = None,
) -> tuple[Plan, ...]:
    """`plans_from` the nights of a comparison, in its own design: the one answer of every page."""
    return plans_from(
        comparison.nights,
        comparison.baseline,
        ratios,
        design=design_of(comparison),
        contrasts=max(len(comparison.conditions) - 1, 1),
        first_apart=any(a.reason.startswith("first night") for a in comparison.apart),
        counts=comparison.counts,
        outcome=comparison.outcome,
        power=power,
        most_nights=most_nights,
        progress=progress,
    )


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
    least_p
        `least_p` of the design with so many nights; None where the order is not drawn.
    """

    design: Design
    order: Order
    seed: int
    nights: tuple[Planned, ...]
    analysis: str
    least_p: float | None = None

    @property
    def warning(self) -> str:
        """What so few nights cannot tell whatever they show; empty where they can."""
        if self.least_p is None or self.least_p <= VERDICT_P.value:
            return ""
        return (
            "With so few nights and the first one left out, the rearrangement test cannot "
            f"come below {self.least_p:.3f}. It would have to reach {VERDICT_P.value:g}: whatever these "
            'nights show, the answer will be "cannot tell yet". Plan more nights.'
        )


ANALYSES: dict[Design, str] = {
    "A-B-A": (
        "Phases in a fixed order: rate ratio of all B nights to all A nights, with an interval that allows "
        "for neighbouring nights being alike as well as the plain one. Because A comes back, a "
        "steady change with time does not pass for an effect; carry-over and chance events in a phase may. "
        "The order is not drawn, so the sentences name no cause."
    ),
    "randomised nights": (
        "Conditions drawn over all nights: rate ratio, and a rearrangement test over all nights that follows "
        "the drawing alone. The sentences may name the appliance as the cause in this person. Needs an "
        "appliance whose effect begins and ends within a night."
    ),
    "randomised blocks": (
        "Each block holds every condition once, in a drawn order: rate ratio, and a rearrangement test "
        "within blocks that follows the drawing alone; slow changes with time fall out. The sentences may "
        "name the appliance as the cause in this person. Needs an appliance whose effect begins and ends "
        "within a night."
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
    order = ORDERS[design]
    rows = tuple(
        Planned(f"night-{k + 1:02d}", start + timedelta(days=k), label, block)
        for k, (label, block) in enumerate(zip(labels, blocks, strict=True))
    )
    least = least_p(design, nights, conditions=len(names))
    return Schedule(design, order, seed, rows, ANALYSES[design], least)


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


def schedule_toml(found: Schedule, *, baseline: str = NO_APPLIANCE, looks: Sequence[int] = ()) -> str:
    """The part of a study file that belongs to a schedule, with the looks that are set beforehand."""
    import json

    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    lines = [
        f"# Drawn with seed {found.seed}." if found.design != "A-B-A" else "# Phases in a fixed order.",
        f"order = {quoted(found.order)}",
        f"baseline = {quoted(baseline)}",
        *([f"looks = [{', '.join(map(str, looks))}]"] if looks else []),
    ]
    for n in found.nights:
        lines += [
            "",
            "[[night]]",
            f"id = {quoted(n.id)}",
            f"recording = {quoted(n.id + '.edf')}",
            f"date = {n.date.isoformat()}",
            f"condition = {quoted(n.condition)}",
        ]
        if n.block is not None:
            lines.append(f"block = {n.block}")
    return "\n".join(lines) + "\n"


def plans_csv(plans: Sequence[Plan]) -> str:
    """Points of plans as CSV: ``ratio,nights_in_each_condition,chance_of_telling``."""
    lines = ["ratio,nights_in_each_condition,chance_of_telling"]
    lines += [f"{p.ratio:g},{q.nights},{q.power:.4f}" for p in plans for q in p.points]
    return "\n".join(lines) + "\n"
