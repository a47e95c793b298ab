"""How many nights a comparison needs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sleepbrux.analysis.comparison.model import Comparison, CountedNight
from sleepbrux.analysis.comparison.rearrange import RANDOMISED
from sleepbrux.analysis.comparison.rules import LEAST_NIGHTS, LOOKS_P, POWER, VERDICT_P
from sleepbrux.analysis.planning.design import (
    MOST_NIGHTS,
    ORDERS,
    RUNS_PAGE,
    Design,
    Planned,
    least_p,
)
from sleepbrux.analysis.planning.nights import Variation, own_variation
from sleepbrux.analysis.planning.simulation import Truth, power_at, told_at_looks
from sleepbrux.core.arguments import CALL, NONE, NUMBER, check, of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.parallel import each
from sleepbrux.study.file import Order

RUNS_RANGE = 200
GRID = (4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 28, 34, 40, 48, 60, 80, 110, 150, 200)
RATIOS = (0.5, 0.75)
PLANNED = Planned()


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
    correlation
        Of neighbouring nights, as simulated.

    Examples
    --------
    >>> from sleepbrux import Planned, Variation, plan_nights
    >>> plan = plan_nights(40, Variation(35.0, "a pilot"), 0.5, Planned("randomised nights", runs=50))
    >>> 0 <= plan.points[-1].power <= 1
    True
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
    correlation: float = 0.0

    @property
    def power_text(self) -> str:
        """Power at the nights needed, or the wanted power where no number of nights has it."""
        power = next((q.power for q in self.points if q.nights == self.needed), self.power)
        return f"{100 * power:.0f} %"

    @property
    def answer(self) -> str:
        """How many nights would detect the change, in how many of 100 studies."""
        change = {0.5: "a true halving"}.get(self.ratio, f"a true change to {self.ratio:g} times")
        return f"{self.needed_text} would detect {change} in {self.power_text} of studies"

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


def plan_nights(
    events_per_night: float,
    variation: Variation,
    ratio: float,
    planned: Planned = PLANNED,
    *,
    progress: Callable[[], object] | None = None,
) -> Plan:
    """Power to detect a change, by the number of nights recorded in each condition.

    Nights are simulated (`simulate_nights`), laid out by the design, the first one left out, and put through
    the analysis and the sentence rules of `compare`; with several contrasts Holm's first step is taken for
    all. Where the order is not drawn nights are simulated like their neighbours (`Planned.correlation`), and the
    analysis is the one that allows for it.

    Parameters
    ----------
    events_per_night
        Expected events in a night without an appliance.
    variation
        `own_variation`, or one of ``PUBLISHED`` with `extra_cv_pct`.
    ratio
        True ratio of the rates that should be detected.
    planned
        Design, conditions, looks, wanted power, and how it is simulated.
    progress
        Called before each number of nights.

    Returns
    -------
    Plan

    Raises
    ------
    UsageError
        A ratio of 1 or not above 0, no events, or looks in a design whose order is not drawn.

    Examples
    --------
    >>> from sleepbrux import Planned, plan_nights
    >>> plan = plan_nights(40, Variation(35.0, "for example"), 0.5, Planned("randomised nights"))
    >>> plan.needed is not None
    True
    """
    check(
        events_per_night=(events_per_night, NUMBER),
        variation=(variation, of(Variation)),
        ratio=(ratio, NUMBER),
        planned=(planned, of(Planned)),
        progress=(progress, NONE | CALL),
    )
    from threadpoolctl import threadpool_limits

    if ratio <= 0 or ratio == 1:
        raise UsageError("the ratio to be detected must be above 0 and not 1, for example 0.5 for half")
    if events_per_night <= 0:
        raise UsageError("planning needs more than 0 events a night")
    if planned.looks and not planned.drawn:
        raise UsageError(f"looks need a design whose order is drawn; {planned.design} is none")
    # many small products: BLAS spends up to three times as much on its threads as it saves
    with threadpool_limits(1, "blas"):
        powers, needed, low, high, expected = _searched(events_per_night, variation, ratio, planned, progress)
    return Plan(
        events_per_night=events_per_night,
        variation=variation,
        ratio=ratio,
        contrasts=planned.contrasts,
        power=planned.power,
        points=tuple(Point(n, powers[n], least_p(planned, n)) for n in sorted(powers)),
        needed=needed,
        runs=planned.runs,
        standard_error=float(np.sqrt(0.25 / planned.runs)),
        design=planned.design,
        first_apart=planned.first_apart,
        looks=planned.looks,
        needed_low=low,
        needed_high=high,
        expected=expected,
        most_nights=planned.looks[-1] if planned.looks else planned.most_nights,
        correlation=planned.alike,
    )


Searched = tuple[dict[int, float], int | None, int | None, int | None, float | None]


def _searched(
    events: float,
    variation: Variation,
    ratio: float,
    planned: Planned,
    progress: Callable[[], object] | None,
) -> Searched:
    """Power by nights, nights needed, their range, and with looks the nights on average."""
    if planned.looks:
        shares, expected = told_at_looks(Truth(events, variation.cv_pct, ratio), planned)
        powers = dict(zip(planned.looks, shares, strict=True))
        return powers, next((n for n, v in powers.items() if v >= planned.power), None), None, None, expected
    powers = {}

    def at(n: int, cv_pct: float, runs: int) -> float:
        if progress is not None:
            progress()
        return power_at(n, Truth(events, cv_pct, ratio), replace(planned, runs=runs))

    def enough(n: int) -> bool:
        powers.setdefault(n, at(n, variation.cv_pct, planned.runs))
        return powers[n] >= planned.power

    needed = _least(enough, planned.most_nights)
    return powers, needed, *_range(at, variation, needed, planned), None


def _range(
    at: Callable[[int, float, int], float],
    variation: Variation,
    needed: int | None,
    planned: Planned,
) -> tuple[int | None, int | None]:
    """Nights needed at both ends of the range of an estimated variation; None where it was stated."""
    if variation.low_pct is None or variation.high_pct is None:
        return None, None
    runs = min(planned.runs, RUNS_RANGE)

    def least(cv_pct: float) -> int | None:
        if cv_pct == variation.cv_pct:
            return needed
        return _bisected(lambda n: at(n, cv_pct, runs) >= planned.power, planned.most_nights)

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
    phases = [*worn[:1], *(b for a, b in pairwise(worn) if a != b)]
    if len(phases) == len(set(phases)):
        return "A-B"
    return "A-B-A" if len(phases) == len(set(phases)) + 1 else "in turn"


def design_in(order: Order) -> Design:
    """The design of nights to come in an order: phases where it is not drawn."""
    drawn: dict[Order, Design] = {o: d for d, o in ORDERS.items() if o in RANDOMISED}
    return drawn.get(order, "A-B")


def plans_from(
    nights: Sequence[CountedNight],
    baseline: str,
    ratios: Sequence[float] = RATIOS,
    planned: Planned = PLANNED,
    *,
    counts: bool = True,
    outcome: str = "the outcome",
    progress: Callable[[], object] | None = None,
) -> tuple[Plan, ...]:
    """How many nights would tell a change if nights vary as these did.

    Parameters
    ----------
    nights
        Compared nights.

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
    from threadpoolctl import threadpool_limits

    variation = own_variation(nights)
    with threadpool_limits(1, "blas"):  # held here too: the plans are made side by side
        return tuple(
            each(
                lambda ratio: plan_nights(events / len(base), variation, ratio, planned, progress=progress),
                ratios,
            )
        )


def plans_of(
    comparison: Comparison,
    ratios: Sequence[float] = RATIOS,
    *,
    power: float = POWER.value,
    most_nights: int = MOST_NIGHTS,
    progress: Callable[[], object] | None = None,
) -> tuple[Plan, ...]:
    """`plans_from` the nights of a comparison, in its own design: the one answer of every page."""
    planned = Planned(
        design=design_of(comparison),
        contrasts=max(len(comparison.conditions) - 1, 1),
        first_apart=any(a.reason.startswith("first night") for a in comparison.apart),
        power=power,
        most_nights=most_nights,
        runs=RUNS_PAGE,
    )
    return plans_from(
        comparison.nights,
        comparison.baseline,
        ratios,
        planned,
        counts=comparison.counts,
        outcome=comparison.outcome,
        progress=progress,
    )


def plans_csv(plans: Sequence[Plan]) -> str:
    """Points of plans as CSV: ``ratio,nights_in_each_condition,chance_of_telling``."""
    lines = ["ratio,nights_in_each_condition,chance_of_telling"]
    lines += [f"{p.ratio:g},{q.nights},{q.power:.4f}" for p in plans for q in p.points]
    return "\n".join(lines) + "\n"
