"""What may be said of a contrast: a verdict by stated rules, and the sentence for it."""

from __future__ import annotations

from typing import Literal

from sleepbrux.analysis.comparison.ratio import RateRatio, adjusted_p, p_text
from sleepbrux.analysis.comparison.rearrange import RANDOMISED, Rearrangement
from sleepbrux.analysis.comparison.rules import (
    LEAST_NIGHTS,
    LEVEL,
    MARGIN_HIGH,
    MARGIN_LOW,
    UNLIKE_FACTOR,
    VERDICT_P,
)
from sleepbrux.analysis.comparison.serial import Serial
from sleepbrux.study.file import NO_APPLIANCE, Order

Verdict = Literal[
    "lower",
    "higher",
    "no more than a quarter less or a third more",
    "cannot tell yet",
    "described, not tested",
]
ALIKE: Verdict = "no more than a quarter less or a third more"
DESCRIBED: Verdict = "described, not tested"
ABOUT_THE_SAME = "about the same"
CAUSE = (
    "The order was drawn at random and its test agrees, so in this person the difference can be put down to "
    "what was worn."
)
NO_CAUSE = "The order of nights was not drawn at random, so this does not say why."
NOT_CONFIRMED = "The order was drawn at random, but its test does not agree, so this does not say why."


def plain_verdict(verdict: Verdict) -> str:
    """A verdict in the words of a reader.

    Examples
    --------
    >>> plain_verdict("no more than a quarter less or a third more")
    'about the same'
    >>> plain_verdict("lower")
    'lower'
    """
    return ABOUT_THE_SAME if verdict == ALIKE else verdict


def why_of(verdict: Verdict, order: Order, test: Rearrangement | None, bound: float = VERDICT_P.value) -> str:
    """Whether a difference can be put down to what was worn, in a sentence; empty without a difference.

    Cause is named only where the order of nights was drawn and the test that stands on the drawing says so.
    """
    if verdict not in ("lower", "higher"):
        return ""
    if order not in RANDOMISED:
        return NO_CAUSE
    return CAUSE if test is not None and test.p <= bound else NOT_CONFIRMED


def nights_with(condition: str) -> str:
    """``"nights with X"``, or ``"nights without an appliance"``."""
    return "nights without an appliance" if condition == NO_APPLIANCE else f"nights with {condition}"


def verdict_of(
    found: RateRatio,
    *,
    serial: Serial | None = None,
    bound: float = VERDICT_P.value,
    tested: bool = True,
) -> Verdict:
    """The verdict by `rules`, in this order: nights, interval with p after Holm, margins.

    Parameters
    ----------
    serial
        Its interval must exclude 1 too; None where the order was drawn.
    bound
        Of the p after Holm.
    tested
        False for a contrast between two conditions neither of which is the baseline.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from sleepbrux.analysis.comparison.ratio import rate_ratio
    >>> found = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50], [7] * 4)
    >>> verdict_of(found), verdict_of(replace(found, p_holm=0.06))
    ('lower', 'cannot tell yet')
    """
    if not tested:
        return DESCRIBED
    if min(found.nights, found.nights_against) < LEAST_NIGHTS.value:
        return "cannot tell yet"
    low, high = _widest(found, serial)
    if found.p_holm <= bound:
        if high < 1:
            return "lower"
        if low > 1:
            return "higher"
    return ALIKE if found.p_equal_holm <= bound else "cannot tell yet"


def _widest(found: RateRatio, serial: Serial | None) -> tuple[float, float]:
    if serial is None:
        return found.low, found.high
    return min(found.low, serial.low), max(found.high, serial.high)


def numbers_of(found: RateRatio, rate: str, serial: Serial | None = None) -> str:
    """Ratio and interval in words."""
    alike = f", {serial.low:.2f} to {serial.high:.2f} if neighbouring nights may be alike" if serial else ""
    return (
        f"On {nights_with(found.condition)} the rate ({rate}) was {found.ratio:.2f} times that of "
        f"{nights_with(found.against)} (95 % interval {found.low:.2f} to {found.high:.2f}{alike}; "
        f"{found.nights} and {found.nights_against} nights)"
    )


def why_not_yet(
    found: RateRatio,
    *,
    serial: Serial | None = None,
    test: Rearrangement | None = None,
    bound: float = VERDICT_P.value,
) -> str:
    """Why a contrast without a verdict has none."""
    least = int(LEAST_NIGHTS.value)
    if min(found.nights, found.nights_against) < least:
        return f"with fewer than {least} nights in a condition nothing more is said"
    low, high = _widest(found, serial)
    if found.low < 1 < found.high:
        return "the true rate could be lower or higher"
    if low <= 1 <= high and serial is not None:
        return "if neighbouring nights may be alike, the true rate could be lower or higher"
    if not (found.high < 1 or found.low > 1):
        return "the interval touches 1"
    side = "below" if found.high < 1 else "above"
    if serial is None and test is not None and test.p > LEVEL_P:
        never = (
            f", and so few nights of this design cannot come below {test.least_p:.3f}"
            if test.least_p > bound
            else ""
        )
        return (
            f"the interval lies {side} 1, but the rearrangement test of the drawn order does not "
            f"agree (p {p_text(test.p)}, wanted {bound:g} or less{never})"
        )
    more = (
        f"the nights of the lower condition vary more, so p counts {UNLIKE_FACTOR.value:g} times; "
        if serial is None and found.lower_varies_more
        else ""
    )
    return (
        f"the interval lies {side} 1, but {more}with the comparisons and looks of this study that is not enough (p "
        f"after Holm {p_text(found.p_holm)}, wanted {bound:g} or less)"
    )


LEVEL_P = 1 - LEVEL.value
MARGINS = f"{MARGIN_LOW.value:g} to {MARGIN_HIGH.value:.2f}"


def sentence_of(
    found: RateRatio,
    verdict: Verdict,
    rate: str,
    order: Order,
    *,
    serial: Serial | None = None,
    test: Rearrangement | None = None,
    bound: float = VERDICT_P.value,
) -> str:
    """The sentence of a contrast, and after it whether a difference can be put down to what was worn."""
    text = f"{numbers_of(found, rate, serial)}: "
    if verdict == "cannot tell yet":
        return f"{text}cannot tell yet; {why_not_yet(found, serial=serial, test=test, bound=bound)}."
    if verdict == DESCRIBED:
        return f"{text}described, not tested; the comparisons with the baseline come first."
    if verdict == ALIKE:
        return f"{text}{ABOUT_THE_SAME}, {verdict} ({MARGINS})."
    why = why_of(verdict, order, test, bound)
    return f"{text}{verdict} on {nights_with(found.condition)}, p {adjusted_p(found)}. {why}"


def side_by_side_of(
    condition: str, against: str, rates: tuple[tuple[float, ...], tuple[float, ...]], rate: str
) -> str:
    """The sentence where a condition has one night or none, or nothing was counted."""
    here, there = (", ".join(f"{v:.2f}" for v in r) or "no night" for r in rates)
    if min(len(r) for r in rates) < 2:
        why = (
            "one night cannot show how far nights differ by themselves, so these numbers stand side by "
            "side and nothing is said of an effect"
        )
    else:
        why = "a condition in which the sum is 0 has no ratio to the other"
    return (
        f"{rate} on {nights_with(condition)}: {here}; on {nights_with(against)}: {there}. Cannot tell: {why}."
    )
