"""Several nights under one condition: what they agree on, and how far they differ by themselves."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import fmean, median, stdev
from typing import Literal

import msgspec

from sleepbrux.archive.nights import (
    Basis,
    LeftOut,
    Missing,
    NightFigures,
    NightValue,
    night_value,
    pool,
    unproved_text,
    words,
)
from sleepbrux.core.errors import UsageError
from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.printed import below, printed
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.criteria import criterion_ids
from sleepbrux.scoring.uncertainty import LEVEL, Interval
from sleepbrux.study.file import Study, StudyNight, in_order

SCHEMA_VERSION = "2.0"
HALF_WIDTH_PCT = 30.0
LEAST_FOR_OWN_CV = 3
DESCRIPTIVE = (
    "episodes_per_hour",
    "phasic_episodes_per_hour",
    "tonic_episodes_per_hour",
    "mixed_episodes_per_hour",
    "bursts_per_hour",
    "bursts_per_episode",
    "time_in_episodes_pct",
    "time_in_bursts_pct",
    "median_burst_duration_s",
    "median_episode_duration_s",
    "median_burst_peak_pct_mvc",
    "integral_above_background_pct_mvc_s_per_hour",
    "integral_above_background_uv_s_per_hour",
    "background_uv",
    "valid_hours",
)
PUBLISHED_CV_PCT = {
    "episodes_per_hour": (
        (25.3, "published: Lavigne 2001, 9 persons, 37 nights, first night dropped"),
        (50.7, "published: Miettinen 2018, 16 persons, 3 nights at home"),
    ),
    "bursts_per_hour": ((30.4, "published: Lavigne 2001, 9 persons, 37 nights, first night dropped"),),
}
ONE_NIGHT = "no interval from one night"
ALL_EQUAL = "all nights have the same value, so their spread says nothing"
COUNTING = (
    "Poisson variation is taken as if events came independently; they cluster, bursts most of all, so part "
    "of what is called night-to-night is clustering inside the nights"
)


@dataclass(frozen=True)
class NightBrief:
    """A pooled night; ``remarks`` mark it, it is pooled all the same."""

    id: str
    valid_hours: float
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Spread:
    """How far the nights differ, and what part of it counting alone brings about.

    Attributes
    ----------
    sd, cv_pct
        Sample SD in the unit of the measure, and in % of the mean; None below two nights, the CV
        also where the mean is not above 0.
    counting_sd, counting_cv_pct
        Root of the mean of count / exposure²; None for a measure that does not count events.
    nights_sd, nights_cv_pct
        Root of what is left of the variance (method of moments), never below 0.
    counting_explains_all
        Whether the counting variance is no smaller than that of the nights; None where there is no
        split, or no event in any night.
    sentence
        The same in words.
    """

    sentence: str
    sd: float | None = None
    cv_pct: float | None = None
    counting_sd: float | None = None
    counting_cv_pct: float | None = None
    nights_sd: float | None = None
    nights_cv_pct: float | None = None
    counting_explains_all: bool | None = None


@dataclass(frozen=True)
class FirstNight:
    """The first night under the condition beside the mean of the others.

    Attributes
    ----------
    value
        None where the first night is not pooled or has no value; ``reason`` says why.
    first_of_study
        Whether it is the first night of the whole study.
    others, mean_of_others
        Number of the other pooled nights with a value, and their mean; None without any.
    """

    id: str
    value: float | None
    first_of_study: bool
    others: int
    mean_of_others: float | None
    reason: str = ""


@dataclass(frozen=True)
class Needed:
    """Nights until the 95 % half-width of the mean is at most 30 % of it.

    Attributes
    ----------
    cv_pct, source
        Spread between nights that was assumed, and where it comes from.
    nights
        By the t quantile, so for a spread that is estimated from the same nights.
    nights_if_cv_known
        By the normal quantile.
    still_needed
        ``nights`` less those at hand.
    """

    cv_pct: float
    source: str
    nights: int
    nights_if_cv_known: int
    still_needed: int


@dataclass(frozen=True)
class Outcome:
    """One measure over the pooled nights of a condition.

    Attributes
    ----------
    role
        ``"primary"`` for the one that the study file names, else ``"descriptive"``.
    values
        Night by night, in order.
    nights
        How many of them have a value; mean, median and range are over these.
    interval, no_interval
        95 % interval of the person's mean, or why there is none.
    needed, none_needed
        Nights for ± 30 %, or why that cannot be said.
    """

    name: str
    unit: str
    role: Literal["primary", "descriptive"]
    values: tuple[NightValue, ...]
    nights: int
    mean: float | None
    median: float | None
    lowest: float | None
    highest: float | None
    spread: Spread
    interval: Interval | None
    no_interval: str
    first: FirstNight
    needed: tuple[Needed, ...]
    none_needed: str


@dataclass(frozen=True)
class ConditionSummary:
    """The nights under one condition.

    Attributes
    ----------
    basis
        What all pooled nights share; None where no night was read.
    nights, left_out
        Nights that are pooled, and those that are not, with the reasons.
    outcomes
        The primary outcome first; empty where no night was read.
    """

    condition: str
    basis: Basis | None
    nights: tuple[NightBrief, ...]
    left_out: tuple[LeftOut, ...]
    outcomes: tuple[Outcome, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class StudySummary:
    """A study, condition by condition; nothing is tested between conditions.

    Attributes
    ----------
    criterion
        As the study file names it.
    order
        What puts the nights in order.
    not_comparable
        Why conditions cannot be put side by side; empty where they can.
    unproved
        Which archives do not say whose they are; empty where all do.
    input_sha256
        Digest of the recording of each night, by its id.
    """

    person: str
    primary_outcome: str
    criterion: str
    order: str
    conditions: tuple[ConditionSummary, ...]
    missing: tuple[Missing, ...]
    not_comparable: tuple[str, ...]
    counting_noise: str = COUNTING
    unproved: str = ""
    input_sha256: dict[str, str] = field(default_factory=dict)


def t_interval(values: Sequence[float], *, floor: float | None = None) -> Interval | None:
    """95 % interval of the mean of a person's nights by Student's t; None below two nights.

    Parameters
    ----------
    values
        One value a night.
    floor
        Least possible value: the lower end is not given below it.
    """
    from scipy.special import stdtrit

    n = len(values)
    if n < 2:
        return None
    half = float(stdtrit(n - 1, (1 + LEVEL) / 2)) * stdev(values) / math.sqrt(n)
    mean = fmean(values)
    low = mean - half if floor is None else max(mean - half, floor)
    return Interval(
        "t_over_nights",
        low,
        mean + half,
        f"mean of this person over nights of this condition, t over {n} nights taken as independent and "
        "about normally spread; not a range of single nights, and says nothing of other persons",
    )


def split_spread(values: Sequence[NightValue]) -> Spread:
    """Spread between nights split into Poisson variation and the rest, by the method of moments.

    The variance of the nights' values less the mean of their counting variances,
    count / exposure², and not below 0.

    Parameters
    ----------
    values
        Nights; those without a value are passed over.
    """
    known = [v for v in values if v.value is not None]
    numbers = [v.value for v in known if v.value is not None]
    if len(numbers) < 2:
        return Spread(f"no spread from {_nights(len(numbers))}")
    mean, sd = fmean(numbers), stdev(numbers)
    seen = Spread("", sd, _pct(sd, mean))
    variances = [v.count / v.exposure**2 for v in known if v.count is not None and v.exposure is not None]
    if len(variances) < len(known):
        return dataclasses.replace(
            seen, sentence="not a count of events, so its share of Poisson variation is not known"
        )
    counting = fmean(variances)
    rest = max(sd**2 - counting, 0.0)
    return dataclasses.replace(
        seen,
        sentence=_share(sd**2, counting, numbers),
        counting_sd=math.sqrt(counting),
        counting_cv_pct=_pct(math.sqrt(counting), mean),
        nights_sd=math.sqrt(rest),
        nights_cv_pct=_pct(math.sqrt(rest), mean),
        counting_explains_all=sd**2 <= counting if any(numbers) else None,
    )


def _share(variance: float, counting: float, numbers: Sequence[float]) -> str:
    if not any(numbers):
        return "no event in any night, so nothing can be said of the spread"
    if variance <= counting:
        return (
            f"Poisson variation alone explains the spread of these {len(numbers)} nights; a difference "
            "between nights cannot be distinguished from it"
        )
    return f"Poisson variation makes {100 * counting / variance:.0f} % of the variance of these nights"


def _pct(part: float, mean: float) -> float | None:
    return 100 * part / mean if mean > 0 else None


def _nights(n: int) -> str:
    return {0: "no night", 1: "one night"}.get(n, f"{n} nights")


def nights_needed(
    cv_pct: float,
    half_width_pct: float = HALF_WIDTH_PCT,
    *,
    quantile: Literal["t", "normal"] = "t",
) -> int:
    """Least number of nights whose mean has a 95 % half-width of at most this part of itself.

    Nights are taken as independent. With the t quantile the number stands on both sides, so it is
    raised until it fits; at least two nights are needed for it.

    Parameters
    ----------
    cv_pct
        SD between nights, % of the mean.
    half_width_pct
        Wanted half-width, % of the mean.
    """
    from scipy.special import ndtri, stdtrit

    ratio = cv_pct / half_width_pct
    n = max(math.ceil((float(ndtri((1 + LEVEL) / 2)) * ratio) ** 2), 1)
    if quantile == "normal":
        return n
    n = max(n, 2)
    while float(stdtrit(n - 1, (1 + LEVEL) / 2)) * ratio > math.sqrt(n):
        n += 1
    return n


def _needed(name: str, numbers: Sequence[float]) -> tuple[tuple[Needed, ...], str]:
    """Nights for ± 30 %: from the person's own CV, below three nights from published ones."""
    n = len(numbers)
    if n >= LEAST_FOR_OWN_CV:
        cv_pct = _pct(stdev(numbers), fmean(numbers))
        if cv_pct is None:
            return (), "the mean is not above 0, so no part of it can be taken"
        if cv_pct == 0:
            return (), ALL_EQUAL
        known: Iterable[tuple[float, str]] = ((cv_pct, f"own CV, {n} nights"),)
    else:
        known = PUBLISHED_CV_PCT.get(name, ())
        if not known:
            return (), f"only {_nights(n)}, and no published CV of this measure is on file"
    rows = []
    for cv_pct, source in known:
        nights = nights_needed(cv_pct)
        rows.append(
            Needed(cv_pct, source, nights, nights_needed(cv_pct, quantile="normal"), max(nights - n, 0))
        )
    return tuple(rows), ""


def _first(first: StudyNight, values: Sequence[NightValue], *, first_of_study: bool) -> FirstNight:
    own = next((v for v in values if v.id == first.id), None)
    others = [v.value for v in values if v.id != first.id and v.value is not None]
    reason = "missing or left out" if own is None else own.reason
    return FirstNight(
        first.id,
        own.value if own else None,
        first_of_study,
        len(others),
        fmean(others) if others else None,
        reason,
    )


def _interval(name: str, numbers: Sequence[float]) -> tuple[Interval | None, str]:
    """Interval of the mean, or why there is none; only an integral can lie below 0."""
    if len(numbers) < 2:
        return None, ONE_NIGHT if numbers else "no night has a value"
    if stdev(numbers) == 0:
        return None, f"no interval: {ALL_EQUAL}"
    return t_interval(numbers, floor=None if name.startswith("integral_") else 0.0), ""


def _outcome(
    name: str, study: Study, pooled: Sequence[NightFigures], first: StudyNight, *, of_study: bool
) -> Outcome:
    values = tuple(night_value(night, name) for night in pooled)
    numbers = [v.value for v in values if v.value is not None]
    interval, no_interval = _interval(name, numbers)
    needed, none_needed = _needed(name, numbers)
    return Outcome(
        name=name,
        unit=next((n.measures[name].unit for n in pooled if name in n.measures), ""),
        role="primary" if name == study.primary_outcome else "descriptive",
        values=values,
        nights=len(numbers),
        mean=fmean(numbers) if numbers else None,
        median=median(numbers) if numbers else None,
        lowest=min(numbers, default=None),
        highest=max(numbers, default=None),
        spread=split_spread(values),
        interval=interval,
        no_interval=no_interval,
        first=_first(first, values, first_of_study=of_study),
        needed=needed,
        none_needed=none_needed,
    )


def _brief(night: NightFigures) -> NightBrief:
    remarks = []
    if night.valid_hours < night.minimum_valid_hours:
        remarks.append(
            f"{below(night.valid_hours, night.minimum_valid_hours)} valid hours, fewer than the "
            f"{night.minimum_valid_hours:g} h that the rules ask for"
        )
    if night.labelled and night.labelled != night.condition:
        remarks.append(f"was scored as condition {night.labelled!r}")
    if night.scoring:
        remarks.append(night.scoring)
    remarks += night.doubts
    return NightBrief(night.id, night.valid_hours, tuple(remarks))


def _condition(
    condition: str,
    study: Study,
    order: Sequence[StudyNight],
    nights: Sequence[NightFigures],
    seen: dict[str, str],
) -> ConditionSummary:
    basis, pooled, left = pool([n for n in nights if n.condition == condition], seen)
    first = next(entry for entry in order if entry.condition == condition)
    names = dict.fromkeys((study.primary_outcome, *DESCRIPTIVE)) if pooled else {}
    remarks = []
    if basis and study.criterion in criterion_ids() and basis.criterion != study.criterion:
        remarks.append(f"scored by {basis.criterion}, while the study file names {study.criterion}")
    return ConditionSummary(
        condition=condition,
        basis=basis,
        nights=tuple(_brief(night) for night in pooled),
        left_out=tuple(left),
        outcomes=tuple(_outcome(name, study, pooled, first, of_study=first is order[0]) for name in names),
        remarks=tuple(remarks),
    )


def _across(conditions: Sequence[ConditionSummary]) -> tuple[str, ...]:
    """Why the conditions cannot be put side by side."""
    bases = [c.basis for c in conditions if c.basis]
    reasons = []
    for name, what in (
        ("criterion", "criteria"),
        ("window", "windows"),
        ("channels", "channels"),
        ("reference", "kinds of reference"),
    ):
        found = sorted({words(getattr(basis, name)) for basis in bases})
        if len(found) > 1:
            reasons.append(f"the conditions have different {what}: {'; '.join(found)}")
    ids = {basis.criterion for basis in bases}
    if len(ids) < len({(basis.criterion, basis.criterion_digest) for basis in bases}):
        reasons.append("the conditions have different versions of one criterion")
    return tuple(reasons)


def summarise(study: Study, nights: Sequence[NightFigures], missing: Sequence[Missing] = ()) -> StudySummary:
    """Condition by condition, what the nights of a study say and how far they differ.

    Raises
    ------
    UsageError
        The primary outcome is the name of no measure.
    """
    known = dict.fromkeys(name for night in nights for name in night.measures)
    if nights and study.primary_outcome not in known:
        raise UsageError(
            f"primary_outcome {study.primary_outcome!r} is no measure; there are {', '.join(known)}"
        )
    order, how = in_order(study)
    place = {entry.id: k for k, entry in enumerate(order)}
    ordered = sorted(nights, key=lambda night: place[night.id])
    seen: dict[str, str] = {}
    conditions = tuple(
        _condition(condition, study, order, ordered, seen)
        for condition in dict.fromkeys(entry.condition for entry in order)
    )
    return StudySummary(
        person=study.pseudonym,
        primary_outcome=study.primary_outcome,
        criterion=study.criterion,
        order=how,
        conditions=conditions,
        missing=tuple(missing),
        not_comparable=_across(conditions),
        unproved=unproved_text([night.id for night in ordered if night.unproved]),
        input_sha256={night.id: night.input_sha256 for night in ordered},
    )


def several_text(summary: StudySummary) -> str:
    """A study's summary as indented JSON with a line feed at the end."""
    table = {
        "schema_version": SCHEMA_VERSION,
        "software": SOFTWARE,
        **printed(msgspec.to_builtins(summary)),
        "half_width_wanted_pct": HALF_WIDTH_PCT,
        "purpose": PURPOSE,
    }
    return json_text(table)
