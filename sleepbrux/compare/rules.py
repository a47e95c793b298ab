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
    "interval_level", 0.95,
    "level of every interval; common practice, no source",
)  # fmt: skip
LEAST_NIGHTS = Rule(
    "least_nights_per_condition", 4,
    "below four nights in either condition nothing is said but \"cannot tell yet\": the spread itself is "
    "hardly known from fewer (at least 4 nights advised in a study of 7 persons x 28 nights, IJOMS; 5-6 in "
    "Minakuchi 2012)",
)  # fmt: skip
VERDICT_P = Rule(
    "verdict_p", 0.025,
    "\"lower\" and \"higher\" also need a p, after Holm, of at most this: by simulation an interval alone "
    "excludes 1 without any effect in up to 7.5 % of studies where nights are skewed and unequally spread; "
    "with this bound it is 5 % at most in every cell that was tried (python -m tests.compare_table); our "
    "choice",
)  # fmt: skip
MARGIN_LOW = Rule(
    "margin_low", 0.75,
    "lower border of \"no change larger than a quarter\", set before any data; our choice",
)  # fmt: skip
MARGIN_HIGH = Rule(
    "margin_high", 4 / 3,
    "upper border, the inverse of the lower one, so that it does not matter which condition is named first; "
    "our choice",
)  # fmt: skip
ALIKE_NIGHTS = Rule(
    "alike_nights", 1.5,
    "one dispersion is used for both conditions only where the numbers of nights are within this factor; by "
    "simulation, our choice",
)  # fmt: skip
ALIKE_SPREAD = Rule(
    "alike_spread", 2.0,
    "and their dispersions within this factor, else each keeps its own (Welch): with 3 instead of 2 coverage "
    "falls to 91 % in the worst cell, with 5 to 90 %; by simulation, our choice",
)  # fmt: skip
LEAST_DISPERSION = Rule(
    "least_dispersion", 0.25,
    "the spread of nights is not taken as smaller than a quarter of counting noise, which so few nights show "
    "by luck only; our choice",
)  # fmt: skip
ZERO_ADDED = Rule(
    "zero_added", 0.5,
    "events added to both conditions where one has none at all, as the logarithm of 0 is not known; common "
    "practice, no source",
)  # fmt: skip
EARLY_DAYS = Rule(
    "early_days", 14,
    "fewer days since first worn are called an early response that may not last (Harada 2006: lower right "
    "after insertion only, none at 2, 4 and 6 weeks; result from memory)",
)  # fmt: skip
TREND_P = Rule(
    "trend_p", 0.10,
    "a change of the nights with time is warned of below this p; lenient, as few nights show a trend badly; "
    "our choice",
)  # fmt: skip
SERIAL = Rule(
    "serial_correlation", 0.3,
    "neighbouring nights this alike (lag 1, after conditions) are warned of: independent nights are assumed; "
    "our choice",
)  # fmt: skip
POWER = Rule(
    "power", 0.8, 'wanted chance of telling in "how many more nights"; common practice, no source'
)

RULES = (
    LEVEL, LEAST_NIGHTS, VERDICT_P, MARGIN_LOW, MARGIN_HIGH, ALIKE_NIGHTS, ALIKE_SPREAD, LEAST_DISPERSION,
    ZERO_ADDED, EARLY_DAYS, TREND_P, SERIAL, POWER,
)  # fmt: skip
