"""The rules by which a sentence is chosen: each one value, and why it is that value."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rule:
    """One rule of the comparison.

    Attributes
    ----------
    key, value
        Name and value, as the results print them.
    reason
        Why this value, in one sentence; with its source, or "our choice".
    """

    key: str
    value: float
    reason: str


LEVEL = Rule(
    "interval_level",
    0.95,
    "level of every interval; common practice, no source",
)
LEAST_NIGHTS = Rule(
    "least_nights_per_condition",
    4,
    'below four nights in either condition nothing is said but "cannot tell yet": the spread itself is '
    "hardly known from fewer (at least 4 nights advised in a study of 7 persons x 28 nights, IJOMS; 5–6 in "
    "Minakuchi 2012)",
)
VERDICT_P = Rule(
    "verdict_p",
    0.05,
    '"lower" and "higher" need the p that the design asks for, after Holm over the comparisons with the '
    "baseline, of at most this. Where the order was drawn both t and the rearrangement test must reach it. "
    "By simulation at most 5 % of studies without an effect then tell one, where nights of the conditions "
    "vary alike, and up to 6 % (7 % with three conditions) where they vary unlike (python -m "
    "tests.compare_table); common practice, no source",
)
NOT_DRAWN = Rule(
    "not_drawn_factor",
    2.0,
    "where the order was not drawn the p of t counts this many times, and the interval that allows for "
    "neighbouring nights being alike must exclude 1 too; by simulation (python -m tests.compare_table) "
    "phases of correlated nights else tell what is not there in up to one study of four; our choice",
)
LOOKS_P = Rule(
    "looks_p",
    0.016,
    "the bound in place of verdict_p where the study file set beforehand at which numbers of nights it is "
    "looked: at 11 looks, from 4 to 14 nights in each condition, some look tells what is not there in 4.3 to "
    "4.6 % of studies (by simulation, python -m tests.compare_table), with fewer looks in fewer; our choice",
)
MARGIN_LOW = Rule(
    "margin_low",
    0.75,
    'lower border of "no more than a quarter less or a third more", set before any data: two one-sided '
    "tests at 5 % each, which is the 90 % interval inside both borders; our choice",
)
MARGIN_HIGH = Rule(
    "margin_high",
    4 / 3,
    "upper border, the inverse of the lower one, so that it does not matter which condition is named first; "
    "our choice",
)
UNLIKE_SPREAD = Rule(
    "unlike_spread",
    1.4,
    "where the order was drawn and the nights of the lower condition vary more, by this factor of SD over mean, "
    "the page warns, and p counts more: few of the nights that vary more seldom hold the largest ones, so their "
    "mean comes out low; our choice",
)
UNLIKE_FACTOR = Rule(
    "unlike_factor",
    1.5,
    "so many times p counts then. Where an appliance changes how far nights vary, fourfold, and not their mean, "
    "a difference is found in up to 6 % of studies in place of 7 % (7 % with three conditions; python -m "
    "tests.compare_table); a larger factor costs more of the power where nights vary alike; by simulation, our "
    "choice",
)
SKEWED = Rule(
    "skewed_nights",
    0.8,
    "where the SD of nights is above this part of their mean in a condition, skewed or silent nights make "
    "the interval of t too short: each end is then the further one of t and of the rearrangement test turned "
    "round; by simulation, our choice",
)
SHAPE_EVENTS = Rule(
    "shape_events",
    2.0,
    "events by which each hour's rate is drawn to that of the whole night before hours are weighted, so that "
    "an hour with few events decides little; our choice",
)
ALIKE_NIGHTS = Rule(
    "alike_nights",
    1.5,
    "one dispersion is used for both conditions only where the numbers of nights are within this factor; by "
    "simulation, our choice",
)
ALIKE_SPREAD = Rule(
    "alike_spread",
    2.0,
    "and their dispersions within this factor, else each keeps its own (Welch): with 3 instead of 2 coverage "
    "falls to 91 % in the worst cell, with 5 to 90 %; by simulation, our choice",
)
LEAST_DISPERSION = Rule(
    "least_dispersion",
    0.25,
    "the spread of nights is not taken as smaller than a quarter of Poisson variation, which so few nights show "
    "by luck only; our choice",
)
ZERO_ADDED = Rule(
    "zero_added",
    0.5,
    "events added to both conditions where one has none at all, as the logarithm of 0 is not known; common "
    "practice, no source",
)
EARLY_DAYS = Rule(
    "early_days",
    14,
    "fewer days since first worn are called an early response that may not last (Harada 2006: lower right "
    "after insertion only, none at 2, 4 and 6 weeks; result from memory)",
)
TREND_P = Rule(
    "trend_p",
    0.10,
    "a change of the nights with time is warned of below this p; lenient, as few nights show a trend badly; "
    "our choice",
)
SERIAL = Rule(
    "serial_correlation",
    0.3,
    "neighbouring nights this alike (lag 1, after conditions) are warned of: independent nights are assumed; "
    "our choice",
)
POWER = Rule("power", 0.8, 'wanted power in "more nights"; common practice, no source')

RULES = (
    LEVEL,
    LEAST_NIGHTS,
    VERDICT_P,
    NOT_DRAWN,
    LOOKS_P,
    MARGIN_LOW,
    MARGIN_HIGH,
    ALIKE_NIGHTS,
    ALIKE_SPREAD,
    LEAST_DISPERSION,
    UNLIKE_SPREAD,
    UNLIKE_FACTOR,
    SKEWED,
    SHAPE_EVENTS,
    ZERO_ADDED,
    EARLY_DAYS,
    TREND_P,
    SERIAL,
    POWER,
)
