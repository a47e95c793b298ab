"""What every reader of a comparison must know beside the sentence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from sleepbrux.analysis.comparison.model import Contrast, CountedNight
from sleepbrux.analysis.comparison.ratio import RateRatio, p_text
from sleepbrux.analysis.comparison.rearrange import RANDOMISED
from sleepbrux.analysis.comparison.rules import (
    ALIKE_NIGHTS,
    EARLY_DAYS,
    SERIAL,
    TREND_P,
    UNLIKE_FACTOR,
)
from sleepbrux.analysis.comparison.sentences import nights_with
from sleepbrux.analysis.comparison.trend import Trend
from sleepbrux.core.errors import Note
from sleepbrux.study.file import NO_APPLIANCE, Order

CONFOUNDED = 0.5
HOURS_UNLIKE = 1.05
HABITUATION = Note(
    "habituation",
    "note",
    "Recorder and appliance are both new at first. A published single-case design begins with two weeks "
    "without treatment, for habituation (Lobbezoo 2020, doi:10.1111/joor.12876).",
)
REGRESSION = Note(
    "regression-to-the-mean",
    "warning",
    "The first night was one of the baseline. People are recorded when it is bad, and what is bad by chance "
    "is better later by itself, with or without an appliance (regression to the mean).",
)
ORDER = Note(
    "order-not-drawn",
    "warning",
    "The order of the conditions was not drawn at random, so whatever else changed from night to night may "
    "stand behind a difference.",
)
NO_BLOCKS = Note(
    "blocks-missing",
    "warning",
    "The study file says randomised blocks, but not every night has its block; the nights were compared as "
    "they came.",
)
NO_DATES = Note(
    "dates-missing",
    "note",
    "Not every night has a date; the nights are taken in the order of the study file.",
)
INDEPENDENT = Note(
    "independent-nights",
    "note",
    "Every interval and p takes the nights as independent of each other.",
)
NEIGHBOURS = Note(
    "neighbouring-nights",
    "note",
    "The order was not drawn, so each plain interval has a second one that allows for neighbouring nights "
    "being alike, by a correlation of 0 to 0.9 that nobody knows. A slow change with time is not in it.",
)
SPREADS = Note(
    "spreads-assumed",
    "note",
    'A "lower" or "higher" of at most 5 in 100 by chance holds where what is worn changes nothing. An appliance '
    "that changes only how far nights vary, fourfold, is called lower or higher in up to 6 of 100 studies (7 "
    "with three conditions).",
)
CARRY_OVER = Note(
    "carry-over",
    "note",
    "Nights with and without alternate here. If an effect lasts into the next night, the ratio comes out "
    "nearer to 1 than it is. In simulations in which half of the effect lasted, 92 % of the intervals held the "
    "true ratio, not 95 %. These nights cannot show whether an effect lasts.",
)


def cautions_of(
    ordered: Sequence[CountedNight],
    kept: Sequence[CountedNight],
    contrasts: Sequence[Contrast],
    trend: Trend | None,
    order: Order,
    stated: Order,
    baseline: str,
) -> tuple[Note, ...]:
    """Notes on order, time, habituation, early response, and on the numbers of nights.

    Parameters
    ----------
    ordered, kept
        All nights in order of time, and those that were compared.
    order, stated
        Order as analysed, and as the study file states it.
    """
    found = [
        *_order(ordered, order, stated, baseline),
        *_time(trend, kept),
        *_early(ordered),
        *_numbers([c.ratio for c in contrasts if c.ratio is not None]),
        *_hours(contrasts),
        *(_spreads(contrasts) if order in RANDOMISED else ()),
        HABITUATION,
        *((CARRY_OVER, INDEPENDENT, SPREADS) if order in RANDOMISED else (NEIGHBOURS,)),
    ]
    return tuple(found)


def _order(ordered: Sequence[CountedNight], order: Order, stated: Order, baseline: str) -> Iterator[Note]:
    if order != stated:
        yield NO_BLOCKS
    if any(n.date is None for n in ordered):
        yield NO_DATES
    if order in RANDOMISED:
        return
    yield ORDER
    if ordered[0].condition == baseline:
        yield REGRESSION


def _time(trend: Trend | None, kept: Sequence[CountedNight]) -> Iterator[Note]:
    runs = 1 + sum(a.condition != b.condition for a, b in pairwise(kept))
    phases = runs == len({n.condition for n in kept}) > 1
    if phases or (trend is not None and trend.shared_with_conditions > CONFOUNDED):
        yield Note(
            "time-and-condition",
            "warning",
            "The conditions follow each other in time, so a change with time and a change with what was worn "
            "cannot be separated; going back to the first condition, or drawing the order, would.",
        )
    if trend is None:
        yield Note(
            "trend-not-tested",
            "note",
            "Whether the nights change with time by themselves was not tested: there are too few nights, the "
            "conditions are the same thing as time, or a value of 0 or less has no logarithm.",
        )
        return
    if trend.p < TREND_P.value:
        yield Note(
            "trend",
            "warning",
            f"The rate changes with time by itself: by a factor of {trend.factor_per_week:.2f} in seven "
            f"{'days' if trend.unit == 'days' else 'nights'} (95 % interval {trend.low:.2f} to "
            f"{trend.high:.2f}, p {p_text(trend.p)}), conditions taken out. The sentences do not allow for "
            "it.",
        )
    if trend.lag_1 is not None and trend.lag_1 > SERIAL.value:
        yield Note(
            "serial-correlation",
            "warning",
            f"Neighbouring nights are alike (correlation {trend.lag_1:.2f} at lag 1): intervals that take "
            "them as independent are too short.",
        )


def _early(ordered: Sequence[CountedNight]) -> Iterator[Note]:
    for condition in dict.fromkeys(n.condition for n in ordered if n.condition != NO_APPLIANCE):
        nights = [n for n in ordered if n.condition == condition]
        said = [n.days_since_first_worn for n in nights if n.days_since_first_worn is not None]
        dates = [n.date for n in nights if n.date is not None]
        if said:
            days, source = max(said), "at most, by the study file"
        elif dates:
            days, source = (max(dates) - min(dates)).days, "since the first recorded night with it"
        else:
            yield Note(
                "days-worn-unknown",
                "note",
                f"How long {condition} had been worn is not stated (days_since_first_worn); an early "
                "response may not last.",
            )
            continue
        if days < EARLY_DAYS.value:
            yield Note(
                "early-response",
                "warning",
                f"{condition}: worn for {days} days {source}, fewer than {EARLY_DAYS.value:g}: early "
                "response, may not last (Harada 2006 saw fewer events right after insertion only, none at 2, "
                "4 and 6 weeks; result from memory).",
            )


def _hours(contrasts: Sequence[Contrast]) -> Iterator[Note]:
    for c in contrasts:
        if c.ratio is None:
            continue
        plain = c.by_valid_hours or c.ratio.ratio
        if max(c.ratio.ratio / plain, plain / c.ratio.ratio) > HOURS_UNLIKE:
            yield Note(
                "hours-unlike",
                "note",
                f"{nights_with(c.condition)} and {nights_with(c.against)} were valid at different hours of "
                f"the night. Hour by hour the ratio is {c.ratio.ratio:.2f}; with every valid hour "
                f"counting the same it is {plain:.2f}.",
            )
        if c.ratio.skewed:
            yield Note(
                "skewed-nights",
                "note",
                f"{nights_with(c.condition)} and {nights_with(c.against)}: silent or very unequal nights. "
                "The interval is the wider one of two.",
            )


def _spreads(contrasts: Sequence[Contrast]) -> Iterator[Note]:
    for c in contrasts:
        if c.ratio is None or c.verdict not in ("lower", "higher"):
            continue
        if c.ratio.lower_varies_more:
            yield Note(
                "unlike-spreads",
                "warning",
                f"{nights_with(c.condition)} and {nights_with(c.against)}: the nights of the lower condition vary "
                f"more (SD over mean {c.ratio.spreads[0]:.2f} against {c.ratio.spreads[1]:.2f}). Few such nights "
                "seldom hold the largest ones, so their rate comes out low. p counted "
                f"{UNLIKE_FACTOR.value:g} times; even so, where an appliance changes only how far nights vary, "
                '"lower" or "higher" is said in up to 6 of 100 studies, not 5 (7 with three conditions).',
            )


def _numbers(found: Sequence[RateRatio]) -> Iterator[Note]:
    for r in found:
        pair = f"{nights_with(r.condition)} and {nights_with(r.against)}"
        small, large = sorted((r.nights, r.nights_against))
        if large > ALIKE_NIGHTS.value * small:
            yield Note(
                "unequal-numbers",
                "warning",
                f"{pair}: {r.nights} against {r.nights_against} nights; the smaller group decides how much "
                "can be known, and its own spread is hardly known.",
            )
        if r.zero:
            yield Note(
                "no-event",
                "warning",
                f"{pair}: one of them has no event at all; half an event was added to both for ratio "
                "and interval.",
            )
