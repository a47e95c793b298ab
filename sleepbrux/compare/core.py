"""Counts of nights to contrasts of conditions: the one place that knows the order of the steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

from sleepbrux.compare.cautions import cautions_of
from sleepbrux.compare.model import Apart, Comparison, Contrast, CountedNight
from sleepbrux.compare.ratio import RateRatio, holm, rate_ratio
from sleepbrux.compare.rearrange import Rearrangement, rearrangement_test
from sleepbrux.compare.sentences import sentence_of, side_by_side_of, verdict_of
from sleepbrux.compare.trend import Trend, trend_over_nights
from sleepbrux.errors import UsageError
from sleepbrux.study import NO_APPLIANCE, Order


def in_time(nights: Sequence[CountedNight]) -> list[CountedNight]:
    """By date where every night has one, else as given."""
    dated = [(n.date, k, n) for k, n in enumerate(nights) if n.date is not None]
    return [n for *_, n in sorted(dated)] if len(dated) == len(nights) else list(nights)


def _set_apart(
    nights: Sequence[CountedNight], *, keep_first: bool
) -> tuple[list[CountedNight], list[Apart]]:
    kept, apart = [], []
    for k, night in enumerate(nights):
        if night.hours <= 0:
            apart.append(Apart(night, "no valid hours"))
        elif not night.fully_worn:
            apart.append(Apart(night, "the appliance was worn for part of the night only"))
        elif k == 0 and not keep_first:
            apart.append(Apart(night, "first night of the study: it may differ by being the first"))
        else:
            kept.append(night)
    return kept, apart


def _pair(nights: Sequence[CountedNight], condition: str, against: str, *,
          counts: bool) -> RateRatio | None:  # fmt: skip
    groups = [[n for n in nights if n.condition == c] for c in (condition, against)]
    values = [part for g in groups for part in ([n.events for n in g], [n.hours for n in g])]
    try:
        return rate_ratio(*values, condition=condition, against=against, counts=counts)
    except UsageError:
        return None


def _blocked(order: Order, nights: Sequence[CountedNight]) -> Order:
    """A block design without blocks in the file is analysed as it came."""
    if order == "randomised blocks" and any(n.block is None for n in nights):
        return "as it came"
    return order


def _rearranged(
    nights: Sequence[CountedNight], found: RateRatio, order: Order
) -> Rearrangement | None:
    pair = [n for n in nights if n.condition in (found.condition, found.against)]
    if not found.counts:
        return None
    return rearrangement_test(
        [n.events for n in pair],
        [n.hours for n in pair],
        [n.condition == found.condition for n in pair],
        order,
        [n.block for n in pair],
    )


def compare_nights(
    nights: Sequence[CountedNight],
    *,
    baseline: str = NO_APPLIANCE,
    order: Order = "as it came",
    outcome: str = "episodes per valid hour",
    counts: bool = True,
    keep_first_night: bool = False,
    rearranged: bool = True,
) -> Comparison:
    """Compare the conditions of one person, nights as units.

    Parameters
    ----------
    nights
        Counted nights; sorted by date where all have one, else taken as given.
    baseline
        The condition that the others are compared with.
    order
        How the order of conditions came about; cause is named only where it was drawn at random.
    outcome
        What is compared, in words with its denominator: the one outcome that was chosen beforehand.
    counts
        False where ``events`` are values of a measure that counts nothing, with ``hours`` of 1.
    keep_first_night
        Compare the first night of the study with the others; else it stands apart.
    rearranged
        Also run the rearrangement tests; they take the most time.

    Raises
    ------
    UsageError
        Fewer than two conditions.

    Examples
    --------
    >>> nights = [CountedNight(f"n{k}", c, e, 7.0) for k, (c, e) in enumerate(
    ...     [("none", 44)] + [("none", e) for e in (40, 35, 45, 50)]
    ...     + [("splint", e) for e in (20, 25, 22, 30)])]
    >>> compare_nights(nights).contrasts[0].verdict
    'lower'
    """
    ordered = in_time(nights)
    names = list(dict.fromkeys(n.condition for n in ordered))
    names = [n for n in names if n == baseline] + [n for n in names if n != baseline]
    if len(names) < 2:
        only = f"only {names[0]!r}" if names else "none"
        raise UsageError(f"a comparison needs nights under two conditions or more; there is {only}")
    stated, order = order, _blocked(order, ordered)
    kept, apart = _set_apart(ordered, keep_first=keep_first_night)
    pairs = [(b, a) for a, b in combinations(names, 2)]
    found = [_pair(kept, *pair, counts=counts) for pair in pairs]
    known = [r for r in found if r is not None]
    adjusted = iter(holm([r.p for r in known]) if known else ())
    found = [r and replace(r, p_holm=next(adjusted)) for r in found]
    first = next((a.night for a in apart if a.reason.startswith("first night")), None)
    again = [n for n in ordered if n in kept or n is first]
    contrasts = []
    for (condition, against), ratio in zip(pairs, found, strict=True):
        if ratio is None:
            rates = tuple(
                tuple(n.rate for n in kept if n.condition == c and n.rate is not None)
                for c in (condition, against)
            )
            text = side_by_side_of(condition, against, (rates[0], rates[1]), outcome)
            contrasts.append(Contrast(condition, against, None, None, "cannot tell yet", text))
            continue
        verdict = verdict_of(ratio)
        touched = first is not None and first.condition in (condition, against)
        contrasts.append(
            Contrast(
                condition, against, ratio, _rearranged(kept, ratio, order) if rearranged else None, verdict,
                sentence_of(ratio, verdict, outcome, order, contrasts=len(known)),
                _pair(again, condition, against, counts=counts) if touched else None,
            )
        )  # fmt: skip
    trend = _trend(kept) if counts else None
    return Comparison(
        outcome=outcome,
        order=order,
        baseline=baseline if baseline in names else names[0],
        conditions=tuple(names),
        nights=tuple(kept),
        apart=tuple(apart),
        contrasts=tuple(contrasts),
        trend=trend,
        cautions=cautions_of(ordered, kept, contrasts, trend, order, stated, baseline),
        counts=counts,
    )


def _trend(nights: Sequence[CountedNight]) -> Trend | None:
    dates = [n.date for n in nights if n.date is not None]
    dated = len(dates) == len(nights)
    when = [d.toordinal() for d in dates] if dated else list(range(len(nights)))
    return trend_over_nights(
        [n.events for n in nights],
        [n.hours for n in nights],
        [n.condition for n in nights],
        [float(v) for v in when],
        unit="days" if dated else "nights in order",
    )
