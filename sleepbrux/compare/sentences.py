"""What may be said of a contrast: a verdict by stated rules, and the sentence for it."""

from __future__ import annotations

from typing import Literal

from sleepbrux.compare.ratio import RateRatio, nights_to_tell, p_text
from sleepbrux.compare.rearrange import RANDOMISED
from sleepbrux.compare.rules import (
    LEAST_NIGHTS,
    MARGIN_HIGH,
    MARGIN_LOW,
    VERDICT_P,
)
from sleepbrux.study import NO_APPLIANCE, Order

Verdict = Literal["lower", "higher", "no change larger than a quarter", "cannot tell yet"]
HALF, QUARTER = 0.5, 0.75


def nights_with(condition: str) -> str:
    """``"nights with X"``, or ``"nights without an appliance"``."""
    return (
        "nights without an appliance" if condition == NO_APPLIANCE else f"nights with {condition}"
    )


def verdict_of(found: RateRatio) -> Verdict:
    """The verdict by `rules`, in this order: nights, interval with p after Holm, margin.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from sleepbrux.compare.ratio import rate_ratio
    >>> found = rate_ratio([20, 25, 22, 30], [7] * 4, [40, 35, 45, 50], [7] * 4)
    >>> verdict_of(found), verdict_of(replace(found, p_holm=0.04))
    ('lower', 'cannot tell yet')
    """
    if min(found.nights, found.nights_against) < LEAST_NIGHTS.value:
        return "cannot tell yet"
    if found.p_holm <= VERDICT_P.value:
        if found.high < 1:
            return "lower"
        if found.low > 1:
            return "higher"
    if found.low >= MARGIN_LOW.value and found.high <= MARGIN_HIGH.value:
        return "no change larger than a quarter"
    return "cannot tell yet"


def numbers_of(found: RateRatio, rate: str) -> str:
    """Ratio and interval in words."""
    return (
        f"On {nights_with(found.condition)} the rate ({rate}) was {found.ratio:.2f} times that of "
        f"{nights_with(found.against)} (95 % interval {found.low:.2f} to {found.high:.2f}; "
        f"{found.nights} and {found.nights_against} nights)"
    )


def why_not_yet(found: RateRatio) -> str:
    """Why a contrast without a verdict has none."""
    least = int(LEAST_NIGHTS.value)
    if min(found.nights, found.nights_against) < least:
        return f"with fewer than {least} nights in a condition nothing more is said"
    if found.high < 1 or found.low > 1:
        side = "below" if found.high < 1 else "above"
        return (
            f"the interval lies {side} 1, but with the other comparisons made and with so few nights that "
            f"is not enough (p after Holm {p_text(found.p_holm)}, wanted {VERDICT_P.value:g} or less)"
        )
    return "the interval reaches from lower to higher" if found.low < 1 < found.high else (
        "the interval touches 1"
    )  # fmt: skip


def more_nights(found: RateRatio, contrasts: int) -> str:
    """How many nights would tell a fall by half and by a quarter, if nights vary as they did."""
    if found.zero:
        return "With no event at all in one condition, more nights cannot be planned from these."
    parts = []
    for ratio, words in ((HALF, "a fall by half"), (QUARTER, "a fall by a quarter")):
        n = nights_to_tell(found.nightly_variance, ratio, contrasts=contrasts)
        more = sum(max(n - k, 0) for k in (found.nights, found.nights_against))
        shown = "1000 or more" if n >= 1000 else str(n)
        left = f"{more} more" if more else "there are enough"
        parts.append(f"{words} from about {shown} nights in each condition ({left})")
    return (
        "If nights go on varying as they did, four of five such studies would tell "
        + " and ".join(parts)
        + "."
    )


def sentence_of(
    found: RateRatio, verdict: Verdict, rate: str, order: Order, *, contrasts: int
) -> str:
    """The sentence of a contrast; cause is named only where the order of nights was drawn."""
    text = f"{numbers_of(found, rate)}: "
    where = nights_with(found.condition)
    if verdict == "cannot tell yet":
        return f"{text}cannot tell yet; {why_not_yet(found)}. {more_nights(found, contrasts)}"
    if verdict not in ("lower", "higher"):
        return f"{text}{verdict}."
    text += f"{verdict} on {where}."
    if order in RANDOMISED:
        return (
            f"{text} The order of nights was drawn at random, so in this person the difference can be put "
            "down to what was worn."
        )
    return f"{text} The order of nights was not drawn at random, so this does not say why."


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
        f"{rate} on {nights_with(condition)}: {here}; on {nights_with(against)}: {there}. Cannot "
        f"tell: {why}."
    )
