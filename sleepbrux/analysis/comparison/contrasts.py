"""Counts of nights to contrasts of conditions: the one place that knows the order of the steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import get_args

import numpy as np

from sleepbrux.analysis.comparison.cautions import cautions_of
from sleepbrux.analysis.comparison.hours import as_table, common_shape, weighted_hours
from sleepbrux.analysis.comparison.model import Apart, Comparison, Contrast, CountedNight
from sleepbrux.analysis.comparison.prior import PriorLine, prior_line
from sleepbrux.analysis.comparison.ratio import RateRatio, holm, rate_ratio, ratio_of
from sleepbrux.analysis.comparison.rearrange import (
    ASSUMPTIONS,
    RANDOMISED,
    Arrangements,
    Rearrangement,
)
from sleepbrux.analysis.comparison.rules import VERDICT_P
from sleepbrux.analysis.comparison.sentences import sentence_of, side_by_side_of, verdict_of, why_of
from sleepbrux.analysis.comparison.serial import Serial, serial_of
from sleepbrux.analysis.comparison.trend import Trend, trend_over_nights
from sleepbrux.analysis.comparison.verdict import judge
from sleepbrux.core.arguments import FLAG, NUMBER, TEXT, check, each, of, one_of
from sleepbrux.core.errors import UsageError
from sleepbrux.study.file import NO_APPLIANCE, Order

FEWER_DRAWN = 1_999


def in_time(nights: Sequence[CountedNight]) -> list[CountedNight]:
    """By date where every night has one, else as given."""
    dated = [(n.date, k, n) for k, n in enumerate(nights) if n.date is not None]
    return [n for *_, n in sorted(dated)] if len(dated) == len(nights) else list(nights)


def _set_apart(nights: Sequence[CountedNight], *, keep_first: bool) -> tuple[list[CountedNight], list[Apart]]:
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


def _pair(
    nights: Sequence[CountedNight], condition: str, against: str, *, counts: bool, weighted: bool = True
) -> RateRatio | None:
    groups = [[n for n in nights if n.condition == c] for c in (condition, against)]
    values = [
        part
        for g in groups
        for part in ([n.events for n in g], [n.exposure if weighted else n.hours for n in g])
    ]
    try:
        return rate_ratio(*values, condition=condition, against=against, counts=counts)
    except UsageError:
        return None


def _weighted(nights: Sequence[CountedNight]) -> tuple[list[CountedNight], tuple[float, ...]]:
    """Nights with their hours weighted by the common shape of the night, where every hour is known."""
    if not nights or not all(n.by_hour for n in nights):
        return list(nights), ()
    events, hours = as_table([n.by_hour for n in nights])
    weighted = weighted_hours(events, hours)
    shape = common_shape(events, hours)
    return (
        [replace(n, weighted_hours=float(w)) for n, w in zip(nights, weighted, strict=True)],
        tuple(float(v) for v in shape),
    )


def _blocked(order: Order, nights: Sequence[CountedNight]) -> Order:
    """A block design without blocks in the file is analysed as it came."""
    if order == "randomised blocks" and any(n.block is None for n in nights):
        return "as it came"
    return order


@dataclass(frozen=True, eq=False)
class _Found:
    """A contrast before Holm."""

    ratio: RateRatio
    test: Rearrangement | None
    serial: Serial | None
    prior: PriorLine | None


def _found(
    nights: Sequence[CountedNight],
    ratio: RateRatio,
    order: Order,
    *,
    counts: bool,
    rearranged: bool,
    prior: bool,
) -> _Found:
    """Interval, tests and p of a contrast, by the design."""
    pair = [n for n in nights if n.condition in (ratio.condition, ratio.against)]
    y = np.array([[n.events for n in pair]], dtype=np.float64)
    h = np.array([[n.exposure for n in pair]], dtype=np.float64)
    labels = np.array([n.condition == ratio.condition for n in pair])
    run = (rearranged or order in RANDOMISED) and (counts or bool((y > 0).all()))
    places = Arrangements.of(labels, order, [n.block for n in pair]) if run else None
    judged = judge(y, h, labels, order, when_of(pair)[0], counts=counts, places=places)
    test = None
    if places is not None:
        test = Rearrangement(
            float(judged.p_rearranged[0]),
            places.least_p,
            places.count,
            places.exact,
            ASSUMPTIONS[order],
        )
    if ratio.skewed and counts and not ratio.zero:
        inverted = places or Arrangements.of(labels, order, [n.block for n in pair], drawn=FEWER_DRAWN)
        low, high = (ratio_of(v[0]) for v in inverted.interval(y, h))
        ratio = replace(
            ratio,
            low=min(low, ratio.low),
            high=max(high, ratio.high),
            interval="wider of t and rearrangement",
        )
    serial = None if judged.serial is None else serial_of(judged.serial, ratio.low, ratio.high)
    return _Found(
        replace(ratio, p_verdict=float(judged.p[0]), p_equal=float(judged.p_equal[0])),
        test,
        serial,
        prior_line(y, h, labels) if counts and prior else None,
    )


def _after_holm(found: Sequence[_Found | None], baseline: str) -> list[_Found | None]:
    """P after Holm over the contrasts with the baseline; those of the others stay as they are."""
    tested = [f.ratio for f in found if f is not None and f.ratio.against == baseline]
    told, equal = (
        iter(holm([getattr(r, name) for r in tested]) if tested else ()) for name in ("p_verdict", "p_equal")
    )
    out: list[_Found | None] = []
    for f in found:
        if f is None:
            out.append(None)
            continue
        r = f.ratio
        if r.against == baseline:
            r = replace(r, p_holm=next(told), p_equal_holm=next(equal))
        else:
            r = replace(r, p_holm=r.p_verdict, p_equal_holm=r.p_equal)
        out.append(replace(f, ratio=r))
    return out


def compare_nights(
    nights: Sequence[CountedNight],
    *,
    baseline: str = NO_APPLIANCE,
    order: Order = "as it came",
    outcome: str = "episodes per valid hour",
    counts: bool = True,
    keep_first_night: bool = False,
    rearranged: bool = True,
    verdict_p: float = VERDICT_P.value,
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
        Compare the first night of the study with the others; else it is left out.
    rearranged
        Also run what decides no sentence: the rearrangement tests where the order was not drawn, and the
        line under a published prior. Where the order was drawn the rearrangement tests always run.
    verdict_p
        Bound of the p that decides a sentence: `rules.LOOKS_P` where looks were set beforehand.

    Returns
    -------
    Comparison

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
    check(
        nights=(nights, each(of(CountedNight), "a list of CountedNight")),
        baseline=(baseline, TEXT),
        order=(order, one_of(*get_args(Order))),
        outcome=(outcome, TEXT),
        counts=(counts, FLAG),
        keep_first_night=(keep_first_night, FLAG),
        rearranged=(rearranged, FLAG),
        verdict_p=(verdict_p, NUMBER),
    )
    ordered = in_time(nights)
    names = list(dict.fromkeys(n.condition for n in ordered))
    names = [n for n in names if n == baseline] + [n for n in names if n != baseline]
    if len(names) < 2:
        only = f"only {names[0]!r}" if names else "none"
        raise UsageError(f"a comparison needs nights under two conditions or more; there is {only}")
    stated, order = order, _blocked(order, ordered)
    kept, apart = _set_apart(ordered, keep_first=keep_first_night)
    kept, shape = _weighted(kept) if counts else (kept, ())
    pairs = [(b, a) for a, b in combinations(names, 2)]
    first = next((a.night for a in apart if a.reason.startswith("first night")), None)
    ids = {n.id for n in kept}
    again = [n for n in ordered if n.id in ids or n is first]
    again = _weighted(again)[0] if counts else again
    base = baseline if baseline in names else names[0]
    found: list[_Found | None] = []
    for pair in pairs:
        ratio = _pair(kept, *pair, counts=counts)
        found.append(
            None
            if ratio is None
            else _found(kept, ratio, order, counts=counts, rearranged=rearranged, prior=rearranged)
        )
    contrasts = []
    for (condition, against), one in zip(pairs, _after_holm(found, base), strict=True):
        if one is None:
            rates = tuple(
                tuple(n.rate for n in kept if n.condition == c and n.rate is not None)
                for c in (condition, against)
            )
            text = side_by_side_of(condition, against, (rates[0], rates[1]), outcome)
            contrasts.append(Contrast(condition, against, None, None, "cannot tell yet", text))
            continue
        verdict = verdict_of(one.ratio, serial=one.serial, bound=verdict_p, tested=against == base)
        touched = first is not None and first.condition in (condition, against)
        plain = _pair(kept, condition, against, counts=counts, weighted=False) if shape else None
        contrasts.append(
            Contrast(
                condition,
                against,
                one.ratio,
                one.test,
                verdict,
                sentence_of(
                    one.ratio, verdict, outcome, order, serial=one.serial, test=one.test, bound=verdict_p
                ),
                _pair(again, condition, against, counts=counts) if touched else None,
                one.serial,
                plain.ratio if plain else None,
                one.prior,
                why_of(verdict, order, one.test, verdict_p),
            )
        )
    trend = _trend(kept, counts=counts)
    return Comparison(
        outcome=outcome,
        order=order,
        baseline=base,
        conditions=tuple(names),
        nights=tuple(kept),
        apart=tuple(apart),
        contrasts=tuple(contrasts),
        trend=trend,
        cautions=cautions_of(ordered, kept, contrasts, trend, order, stated, baseline),
        counts=counts,
        shape=shape,
        verdict_p=verdict_p,
    )


def when_of(nights: Sequence[CountedNight]) -> tuple[list[float], str]:
    """When nights were, for their distance in time: days where every date is known and none is twice."""
    dates = [n.date for n in nights if n.date is not None]
    if len(set(dates)) == len(nights):
        return [float(d.toordinal()) for d in dates], "days"
    return [float(k) for k in range(len(nights))], "nights in order"


def _trend(nights: Sequence[CountedNight], *, counts: bool) -> Trend | None:
    if not counts and any(n.events <= 0 for n in nights):
        return None
    dates = [n.date for n in nights if n.date is not None]
    dated = len(dates) == len(nights)
    when = [d.toordinal() for d in dates] if dated else list(range(len(nights)))
    return trend_over_nights(
        [n.events for n in nights],
        [n.exposure for n in nights],
        [n.condition for n in nights],
        [float(v) for v in when],
        unit="days" if dated else "nights in order",
        counts=counts,
    )
