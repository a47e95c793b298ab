"""Two scorings of the same nights, compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.agreement.scorings import SLOT_S, Scoring
from sleepbrux.analysis.agreement.statistics import (
    BlandAltman,
    Icc,
    IntervalEstimate,
    Table,
    bland_altman,
    bland_altman_over_persons,
    icc,
    icc_over_persons,
    kappa,
    over_nights,
    ratio,
    specific,
)
from sleepbrux.core.errors import UsageError
from sleepbrux.core.matching import match_events
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.core.texts import count_of

LEAST_SHARE = 0.2
EPOCH_S = 30
RULES = {"any_overlap": 0.0, "iou_0.2": LEAST_SHARE}
NONE = "no event"
CAUTIONS = (
    "Neither scoring is the truth. Two scorings that agree may both be wrong; sensitivity and precision "
    "are those of one against the other.",
    "A scorer who sees the EMG alone cannot tell bruxism from swallowing, speech or movement as audio and "
    "video can; agreement here is agreement about the trace.",
    "Kappa depends on how rare events are: hence agreement on presence and on absence too.",
)
CLASS_CAUTIONS = (
    "The cut-off was stated by the user and is applied to episodes per known hour of this EMG. Published "
    "cut-offs were made in the sleep laboratory with audio and video, per hour of sleep, and do not hold "
    "here.",
    "A class hides how near the cut-off a value lies: two scorings that differ by one episode may fall on "
    "either side. It is no diagnosis and no grade.",
)


@dataclass(frozen=True, eq=False)
class Pair:
    """One night: events of both sides that lie in the time known to both, and their partners.

    Attributes
    ----------
    known
        Time known to both, on a grid of milliseconds.
    events, kinds
        Of A and of B.
    partners
        int64, shape (n, 2) for each rule of matching: positions in A and B.
    left_out
        Events of A and of B that lie outside that time by more than half.
    input_sha256
        Digest of the recording; empty where neither side says it.
    """

    night: str
    person: str
    known: Spans
    events: tuple[NDArray[np.float64], NDArray[np.float64]]
    kinds: tuple[tuple[str, ...], tuple[str, ...]]
    partners: dict[str, NDArray[np.int64]]
    left_out: tuple[int, int]
    input_sha256: str = ""

    @property
    def hours(self) -> float:
        """Hours known to both."""
        return self.known.hours

    def rates(self) -> tuple[float, float]:
        """Events per hour known to both, by A and by B."""
        return len(self.events[0]) / self.hours, len(self.events[1]) / self.hours


@dataclass(frozen=True)
class MatchedEvents:
    """Events of A that B has too, under one rule of matching; B is the reference."""

    rule: str
    matched: int
    only_a: int
    only_b: int
    sensitivity: IntervalEstimate
    precision: IntervalEstimate
    f1: IntervalEstimate


@dataclass(frozen=True)
class Slots:
    """Agreement on time cut into slots.

    Attributes
    ----------
    table
        Counts ((neither, only B), (only A, both)).
    """

    slot_s: int
    rule: str
    table: tuple[tuple[int, int], tuple[int, int]]
    kappa: IntervalEstimate
    agreement: float | None
    on_absence: float | None
    on_presence: float | None


@dataclass(frozen=True)
class Differences:
    """A less B over matched events, seconds."""

    name: str
    n: int
    mean: float
    sd: float | None
    p5: float
    p25: float
    median: float
    p75: float
    p95: float


@dataclass(frozen=True)
class NightLine:
    """One night in figures; ``input_sha256`` is the digest of its recording, empty where no side says it."""

    night: str
    person: str
    hours: float
    a: int
    b: int
    matched: int
    matched_iou: int
    kappa_second: float | None
    left_out_a: int
    left_out_b: int
    input_sha256: str = ""


@dataclass(frozen=True)
class Classes:
    """Persons, or nights where persons are not known, on either side of a stated cut-off."""

    cut_off_per_h: float
    of: str
    both: int
    only_a: int
    only_b: int
    neither: int
    cautions: tuple[str, ...] = CLASS_CAUTIONS


@dataclass(frozen=True)
class ScoringAgreement:
    """All of it.

    Attributes
    ----------
    confusion
        Kind by A (rows) and B (columns) of matched events; the last row and column are events that only
        one side has.
    kinds
        Names of rows and columns.
    indices
        Intraclass correlations of events per known hour over nights; empty with ``no_indices`` saying why.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sb.agree(night, sb.rescore(night, "lavigne1996")).found[0].only_b
    0
    """

    a: str
    b: str
    level: str
    origins: tuple[str, str]
    nights: tuple[NightLine, ...]
    hours: float
    found: tuple[MatchedEvents, ...]
    slots: tuple[Slots, ...]
    kinds: tuple[str, ...]
    confusion: tuple[tuple[int, ...], ...]
    kappa_kinds: float | None
    differences: tuple[Differences, ...]
    indices: tuple[Icc, ...]
    limits: BlandAltman | None
    no_indices: str
    labels: tuple[tuple[str, str, str, int], ...]
    notes: tuple[str, ...] = ()
    classes: Classes | None = None
    cautions: tuple[str, ...] = CAUTIONS


def _inside(scoring: Scoring, known: Spans) -> NDArray[np.bool_]:
    """Events of which at least half lies in known time."""
    bounds = np.round(scoring.events * 1000).astype(np.int64)
    starts, stops = bounds[:, 0], np.maximum(bounds[:, 1], bounds[:, 0] + 1)
    inside: NDArray[np.bool_] = 2 * (_before(known, stops) - _before(known, starts)) >= (stops - starts)
    return inside


def pair(a: Scoring, b: Scoring) -> Pair:
    """Match the events of two scorings over the time known to both.

    Raises
    ------
    UsageError
        No time is known to both.
    """
    n = max(a.known.grid.n_slots, b.known.grid.n_slots)
    grid = Grid(SLOT_S, n)
    known = Spans.of(grid, a.known.bounds) & Spans.of(grid, b.known.bounds)
    if not len(known):
        raise UsageError(f"{a.night}: no time is known to both {a.who} and {b.who}")
    kept = [_inside(s, known) for s in (a, b)]
    events = a.events[kept[0]], b.events[kept[1]]
    kinds = tuple(
        tuple(k for k, keep in zip(s.kinds, mask, strict=True) if keep)
        for s, mask in zip((a, b), kept, strict=True)
    )
    partners = {
        name: match_events(events[0], events[1], least_share=share).pairs for name, share in RULES.items()
    }
    return Pair(
        a.night,
        a.person or b.person,
        known,
        events,
        (kinds[0], kinds[1]),
        partners,
        (int((~kept[0]).sum()), int((~kept[1]).sum())),
        a.input_sha256 or b.input_sha256,
    )


def _persons(pairs: Sequence[Pair]) -> list[str] | None:
    """Whose nights they are; None where that is not known of every one, or all are of one person."""
    persons = [p.person for p in pairs]
    return persons if all(persons) and len(set(persons)) > 1 else None


def _assumed(pairs: Sequence[Pair]) -> str:
    """What the intervals take for granted, in one sentence."""
    persons = [p.person for p in pairs]
    if not all(persons):
        return (
            "The files do not say whose nights these are. Every interval takes each night as that of another "
            "person; where nights are of the same persons it is too short."
        )
    n = len(set(persons))
    if n == 1:
        return "All nights are of one person. The intervals are over nights and say nothing of other persons."
    return f"Intervals are over {n} persons, each with all nights; fewer than ten make them too short."


def _found(pairs: Sequence[Pair], rule: str) -> MatchedEvents:
    counts = [
        (
            len(p.partners[rule]),
            len(p.events[0]) - len(p.partners[rule]),
            len(p.events[1]) - len(p.partners[rule]),
        )
        for p in pairs
    ]
    total = np.sum(counts, axis=0)
    return MatchedEvents(
        rule,
        int(total[0]),
        int(total[1]),
        int(total[2]),
        over_nights(counts, lambda c: ratio(c[0], c[0] + c[2]), _persons(pairs)),
        over_nights(counts, lambda c: ratio(c[0], c[0] + c[1]), _persons(pairs)),
        over_nights(counts, lambda c: ratio(2 * c[0], 2 * c[0] + c[1] + c[2]), _persons(pairs)),
    )


def slot_table(pair_: Pair, slot_s: int, *, least_share: float) -> NDArray[np.int64]:
    """Counts ((neither, only B), (only A, both)) of the slots that are wholly known.

    Parameters
    ----------
    least_share
        A slot holds activity where events cover at least this share of it; 0: any part.
    """
    slot = slot_s * 1000
    n = pair_.known.grid.n_slots // slot
    known = _covered(pair_.known, slot, n) == slot
    need = max(round(least_share * slot), 1)
    grid = pair_.known.grid
    active = []
    for events in pair_.events:
        bounds = np.round(events * 1000).astype(np.int64)
        active.append(_covered(Spans.of(grid, bounds), slot, n) >= need)
    codes = 2 * active[0][known].astype(np.int64) + active[1][known]
    return np.bincount(codes, minlength=4).reshape(2, 2)


def _before(spans: Spans, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """Milliseconds that spans cover before each place."""
    length = spans.stops - spans.starts
    knots = np.concatenate(([0], spans.bounds.ravel(), [spans.grid.n_slots]))
    total = np.repeat(np.concatenate(([0], np.cumsum(length))), 2)
    result: NDArray[np.int64] = np.round(np.interp(at, knots, total)).astype(np.int64)
    return result


def _covered(spans: Spans, slot: int, n: int) -> NDArray[np.int64]:
    """Milliseconds of each slot that spans cover."""
    covered: NDArray[np.int64] = np.diff(_before(spans, np.arange(n + 1) * slot))
    return covered


def _slots(pairs: Sequence[Pair], slot_s: int, least_share: float, rule: str) -> Slots:
    tables = [slot_table(p, slot_s, least_share=least_share) for p in pairs]
    total: Table = np.sum(tables, axis=0).astype(np.float64)
    on_absence, on_presence = specific(total)
    rows = tuple((int(row[0]), int(row[1])) for row in total)
    return Slots(
        slot_s,
        rule,
        (rows[0], rows[1]),
        over_nights(tables, kappa, _persons(pairs)),
        ratio(float(np.trace(total)), float(total.sum())),
        on_absence,
        on_presence,
    )


def _confusion(pairs: Sequence[Pair]) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    order = ("phasic", "tonic", "mixed", "unclassified")
    seen = {k for p in pairs for side in p.kinds for k in side}
    names = tuple(k for k in order if k in seen)
    table = np.zeros((len(names) + 1, len(names) + 1), dtype=np.int64)
    for p in pairs:
        matched = p.partners["any_overlap"]
        for i, j in matched.tolist():
            table[names.index(p.kinds[0][i]), names.index(p.kinds[1][j])] += 1
        for side in (0, 1):
            alone = set(range(len(p.kinds[side]))) - set(matched[:, side].tolist())
            for i in alone:
                k = names.index(p.kinds[side][i])
                table[(k, -1) if side == 0 else (-1, k)] += 1
    return (*names, NONE), table


def _differences(pairs: Sequence[Pair]) -> tuple[Differences, ...]:
    both = [
        (p.events[0][p.partners["any_overlap"][:, 0]], p.events[1][p.partners["any_overlap"][:, 1]])
        for p in pairs
    ]
    a = np.concatenate([x for x, _ in both])
    b = np.concatenate([y for _, y in both])
    if not len(a):
        return ()
    out = []
    for name, values in (
        ("onset", a[:, 0] - b[:, 0]),
        ("offset", a[:, 1] - b[:, 1]),
        ("duration", (a[:, 1] - a[:, 0]) - (b[:, 1] - b[:, 0])),
    ):
        levels = [float(v) for v in np.percentile(values, [5, 25, 50, 75, 95])]
        sd = float(values.std(ddof=1)) if len(values) > 1 else None
        out.append(Differences(name, len(values), float(values.mean()), sd, *levels))
    return tuple(out)


def _indices(pairs: Sequence[Pair]) -> tuple[tuple[Icc, ...], BlandAltman | None, str]:
    rates = np.array([p.rates() for p in pairs])
    if len(pairs) < 3:
        why = f"no index agreement from {count_of(len(pairs), 'night')}; three are the least"
        return (), None, why
    persons = _persons(pairs)
    try:
        if persons is None:
            return icc(rates), bland_altman(rates[:, 0], rates[:, 1]), ""
        limits = bland_altman_over_persons(rates[:, 0], rates[:, 1], persons)
        return icc_over_persons(rates, persons), limits, ""
    except ValueError:
        limits = (
            bland_altman(rates[:, 0], rates[:, 1])
            if persons is None
            else bland_altman_over_persons(rates[:, 0], rates[:, 1], persons)
        )
        return (), limits, "the nights have the same mean rate, so there is no variance to share"


def _classes(pairs: Sequence[Pair], cut_off: float) -> Classes:
    persons = all(p.person for p in pairs)
    groups: dict[str, list[Pair]] = {}
    for p in pairs:
        groups.setdefault(p.person if persons else p.night, []).append(p)
    above = []
    for group in groups.values():
        hours = math.fsum(p.hours for p in group)
        above.append(tuple(sum(len(p.events[side]) for p in group) / hours >= cut_off for side in (0, 1)))
    of = "persons, all nights pooled" if persons else "nights; the files do not say whose they are"
    return Classes(
        cut_off,
        of,
        above.count((True, True)),
        above.count((True, False)),
        above.count((False, True)),
        above.count((False, False)),
    )


def _line(p: Pair) -> NightLine:
    table = slot_table(p, 1, least_share=0.5).astype(np.float64)
    return NightLine(
        p.night,
        p.person,
        p.hours,
        len(p.events[0]),
        len(p.events[1]),
        len(p.partners["any_overlap"]),
        len(p.partners["iou_0.2"]),
        kappa(table),
        *p.left_out,
        p.input_sha256,
    )


def compare(
    scorings: Sequence[tuple[Scoring, Scoring]], *, cut_off_per_h: float | None = None
) -> tuple[ScoringAgreement, tuple[Pair, ...]]:
    """Compare scorings A with scorings B, night by night and pooled.

    Parameters
    ----------
    cut_off_per_h
        Also class persons by this rate; only on request, and with cautions.
    """
    pairs = tuple(pair(a, b) for a, b in scorings)
    kinds, table = _confusion(pairs)
    indices, limits, why = _indices(pairs)
    labels: dict[tuple[str, str, str], int] = {}
    for side, name in ((0, "A"), (1, "B")):
        for both in scorings:
            for label, taken, n in both[side].labels:
                key = (name, label, taken)
                labels[key] = labels.get(key, 0) + n
    first = scorings[0]
    agreement = ScoringAgreement(
        a=_who([a for a, _ in scorings]),
        b=_who([b for _, b in scorings]),
        level=first[0].level,
        origins=(first[0].origin, first[1].origin),
        nights=tuple(_line(p) for p in pairs),
        hours=math.fsum(p.hours for p in pairs),
        found=tuple(_found(pairs, rule) for rule in RULES),
        slots=(
            _slots(pairs, 1, 0.5, "a second is active where events cover half of it or more"),
            _slots(pairs, EPOCH_S, 0.0, "an epoch is active where an event touches it"),
        ),
        kinds=kinds,
        confusion=tuple(tuple(int(v) for v in row) for row in table),
        kappa_kinds=kappa(table[:-1, :-1].astype(np.float64)),
        differences=_differences(pairs),
        indices=indices,
        limits=limits,
        no_indices=why,
        labels=tuple((*key, n) for key, n in labels.items()),
        notes=(_assumed(pairs), *dict.fromkeys(n.text for both in scorings for s in both for n in s.notes)),
        classes=None if cut_off_per_h is None else _classes(pairs, cut_off_per_h),
    )
    return agreement, pairs


def _who(side: Sequence[Scoring]) -> str:
    words = list(dict.fromkeys(s.who for s in side))
    return words[0] if len(words) == 1 else f"{words[0]}; and {len(words) - 1} more like it"
