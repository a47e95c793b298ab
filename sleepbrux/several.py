"""Several nights under one condition: what they agree on, and how far they differ by themselves."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean, median, stdev
from typing import Literal

import msgspec

from sleepbrux import __version__
from sleepbrux.calibration import Reference
from sleepbrux.criteria import criterion_ids
from sleepbrux.errors import ArchiveError, UsageError
from sleepbrux.export.summary import printed
from sleepbrux.files import safe_stem
from sleepbrux.journal import with_review
from sleepbrux.measures import Measure
from sleepbrux.night import Night
from sleepbrux.purpose import PURPOSE
from sleepbrux.store import load_night
from sleepbrux.study import Study, StudyNight
from sleepbrux.uncertainty import LEVEL, Interval

SCHEMA_VERSION = "1.0"
HALF_WIDTH_PCT = 30.0
LEAST_FOR_OWN_CV = 3
DESCRIPTIVE = (
    "episodes_per_hour",
    "phasic_episodes_per_hour",
    "tonic_episodes_per_hour",
    "mixed_episodes_per_hour",
    "bursts_per_hour",
    "bursts_per_episode",
    "bruxism_time_index_pct",
    "burst_time_index_pct",
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
    "bursts_per_hour": (
        (30.4, "published: Lavigne 2001, 9 persons, 37 nights, first night dropped"),
    ),
}
ONE_NIGHT = "no interval from one night"
ALL_EQUAL = "all nights have the same value, so their spread says nothing"
COUNTING = (
    "counting noise is taken as if events came independently; they cluster, bursts most of all, so part "
    "of what is called night-to-night is clustering inside the nights"
)


@dataclass(frozen=True)
class Basis:
    """What a night's numbers stand on; nights are pooled only where all of it is the same.

    Attributes
    ----------
    criterion, criterion_digest
        Id of the rule set and SHA-256 over its values.
    window
        Whose word the analysed window is.
    channels
        Labels of the scored channels, sorted.
    reference
        Kind of the reference clench: statistic, amplitude, placement and teeth; ``"none"`` without.
    """

    criterion: str
    criterion_digest: str
    window: str
    channels: tuple[str, ...]
    reference: str


@dataclass(frozen=True)
class NightFigures:
    """What a summary needs of one archived night.

    Attributes
    ----------
    input_sha256
        Digest of the recording.
    valid_hours, minimum_valid_hours
        Hours that counted, and those that the rules ask for.
    labelled
        Condition that the archive was written with; empty where it says none.
    scoring
        What a reader has to do with these numbers; empty where no review exists.
    """

    id: str
    condition: str
    basis: Basis
    input_sha256: str
    valid_hours: float
    minimum_valid_hours: float
    measures: dict[str, Measure]
    labelled: str = ""
    scoring: str = ""


@dataclass(frozen=True)
class Missing:
    """A night of the study without a readable archive, and why."""

    id: str
    condition: str
    reason: str


@dataclass(frozen=True)
class LeftOut:
    """A night that was read and is not pooled; every reason is one sentence."""

    id: str
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class NightBrief:
    """A pooled night; ``remarks`` mark it, it is pooled all the same."""

    id: str
    valid_hours: float
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class NightValue:
    """One measure of one night.

    Attributes
    ----------
    value
        In the unit of the measure; None where it could not be computed, and ``reason`` says why.
    count, exposure
        Events, and what they were divided by: valid hours for a rate, 1 (night) for a count. None for
        a measure that does not count events.
    """

    id: str
    value: float | None
    count: int | None = None
    exposure: float | None = None
    reason: str = ""


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
    """

    pseudonym: str
    primary_outcome: str
    criterion: str
    order: str
    conditions: tuple[ConditionSummary, ...]
    missing: tuple[Missing, ...]
    not_comparable: tuple[str, ...]
    counting_noise: str = COUNTING


def read_nights(
    study: Study, folder: Path, *, suffix: str
) -> tuple[list[NightFigures], list[Missing]]:
    """Figures of every archived night of a study, one archive in memory at a time.

    Reviewed scorings count only where every night that was found has one, so that nights that a reader
    has corrected are never pooled with nights that nobody has seen.

    Parameters
    ----------
    folder
        Where the archives lie, named after the night's id or else after its recording; or the folder
        above, in which a batch has one folder a pseudonym.
    suffix
        Ending of an archive's name.
    """
    own = folder / safe_stem(study.pseudonym)
    folder = own if own.is_dir() else folder
    nights: list[tuple[NightFigures, NightFigures | None]] = []
    missing = []
    for entry in study.night:
        stems = dict.fromkeys((safe_stem(entry.id), safe_stem(Path(entry.recording).stem)))
        names = [f"{stem}{suffix}" for stem in stems]
        try:
            found = next((name for name in names if (folder / name).is_file()), None)
            if found is None:
                raise ArchiveError(f"no archive {' or '.join(names)} in {folder.name or folder}")
            night = load_night(folder / found)
            said = dict(night.about).get("night", entry.id)
            if said != entry.id:
                raise ArchiveError(f"{found} is the archive of night {said!r}")
        except ArchiveError as error:
            missing.append(Missing(entry.id, entry.condition, str(error)))
            continue
        after = with_review(night, folder / found)
        nights.append((figures(entry, night), figures(entry, after) if after.review else None))
    if nights and all(after for _, after in nights):
        return [after for _, after in nights if after], missing
    unused = "automatic scoring: its review is not used, as not every night has one"
    return [
        dataclasses.replace(night, scoring=unused if after else "") for night, after in nights
    ], missing


def figures(entry: StudyNight, night: Night) -> NightFigures:
    """What a summary needs of a scored night."""
    return NightFigures(
        id=entry.id,
        condition=entry.condition,
        basis=Basis(
            criterion=night.criterion.id,
            criterion_digest=night.criterion.digest(),
            window=night.window.basis,
            channels=tuple(sorted(frames.channel.label for frames in night.swept.frames)),
            reference=_kind(night.reference),
        ),
        input_sha256=night.swept.digest,
        valid_hours=night.measures["valid_hours"].value or 0.0,
        minimum_valid_hours=night.criterion.window.minimum_valid_hours,
        measures=night.measures,
        labelled=dict(night.about).get("condition", ""),
        scoring=night.review.sentence if night.review else "",
    )


def _kind(reference: Reference | None) -> str:
    """How a reference came about; not its level, and not which of several recordings it was."""
    if reference is None:
        return "none"
    return f"{reference.statistic}; {reference.amplitude}; {reference.placement}; {reference.teeth}"


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
        "t_over_nights", low, mean + half,
        f"mean of this person over nights of this condition, t over {n} nights taken as independent and "
        "about normally spread; not a range of single nights, and says nothing of other persons",
    )  # fmt: skip


def split_spread(values: Sequence[NightValue]) -> Spread:
    """Spread between nights split into counting noise and the rest, by the method of moments.

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
    variances = [
        v.count / v.exposure**2 for v in known if v.count is not None and v.exposure is not None
    ]
    if len(variances) < len(known):
        return dataclasses.replace(
            seen, sentence="not a count of events, so its share of counting noise is not known"
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
            f"counting noise alone explains the spread of these {len(numbers)} nights; a difference "
            "between nights cannot be told from it"
        )
    return f"counting noise makes {100 * counting / variance:.0f} % of the variance of these nights"


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
            return (), f"{_nights(n)} at hand, and no published CV of this measure is on file"
    rows = []
    for cv_pct, source in known:
        nights = nights_needed(cv_pct)
        rows.append(
            Needed(cv_pct, source, nights, nights_needed(cv_pct, quantile="normal"),
                   max(nights - n, 0))
        )  # fmt: skip
    return tuple(rows), ""


def night_value(night: NightFigures, name: str) -> NightValue:
    """One measure of a night; for rates and counts of events with the count behind it."""
    measure = night.measures.get(name)
    if measure is None:
        return NightValue(night.id, None, reason="not in the archive")
    value = measure.value
    if value is None:
        return NightValue(night.id, None, reason=measure.reason)
    exposure = night.valid_hours if measure.unit == "1/h" else 1.0
    if measure.unit != "1/h" and not name.endswith("_count"):
        return NightValue(night.id, value)
    return NightValue(night.id, value, round(value * exposure), exposure)


def _first(first: StudyNight, values: Sequence[NightValue], *, first_of_study: bool) -> FirstNight:
    own = next((v for v in values if v.id == first.id), None)
    others = [v.value for v in values if v.id != first.id and v.value is not None]
    reason = "missing or left out" if own is None else own.reason
    return FirstNight(
        first.id, own.value if own else None, first_of_study, len(others),
        fmean(others) if others else None, reason,
    )  # fmt: skip


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


def unlike(basis: Basis, pooled: Basis) -> tuple[str, ...]:
    """Why a night cannot be pooled with others: one sentence each, empty where it can."""
    reasons = []
    if basis.criterion != pooled.criterion:
        reasons.append(f"criterion {basis.criterion}, the pooled nights have {pooled.criterion}")
    elif basis.criterion_digest != pooled.criterion_digest:
        reasons.append(f"criterion {basis.criterion} with other values or another version of it")
    for what in ("window", "channels", "reference"):
        own, theirs = (_words(getattr(b, what)) for b in (basis, pooled))
        if own != theirs:
            reasons.append(f"{what} {own!r}, the pooled nights have {theirs!r}")
    return tuple(reasons)


def _words(value: str | tuple[str, ...]) -> str:
    return value if isinstance(value, str) else " + ".join(value)


def _pool(
    nights: Sequence[NightFigures], seen: dict[str, str]
) -> tuple[Basis | None, list[NightFigures], list[LeftOut]]:
    """The nights on the commonest basis (of equals, the one met first), and the rest with reasons.

    ``seen`` maps recordings to the night that has each: a recording counts once in a study.
    """
    fresh, left = [], []
    for night in nights:
        twin = seen.setdefault(night.input_sha256, night.id)
        if twin != night.id:
            left.append(LeftOut(night.id, (f"the same recording as night {twin}",)))
        else:
            fresh.append(night)
    if not fresh:
        return None, [], left
    basis = Counter(night.basis for night in fresh).most_common(1)[0][0]
    left += [
        LeftOut(night.id, unlike(night.basis, basis)) for night in fresh if night.basis != basis
    ]
    return basis, [night for night in fresh if night.basis == basis], left


def _brief(night: NightFigures) -> NightBrief:
    remarks = []
    if night.valid_hours < night.minimum_valid_hours:
        remarks.append(
            f"{night.valid_hours:.2f} valid hours, fewer than the {night.minimum_valid_hours:g} h that "
            "the rules ask for"
        )
    if night.labelled and night.labelled != night.condition:
        remarks.append(f"was scored as condition {night.labelled!r}")
    if night.scoring:
        remarks.append(night.scoring)
    return NightBrief(night.id, night.valid_hours, tuple(remarks))


def _condition(
    condition: str,
    study: Study,
    order: Sequence[StudyNight],
    nights: Sequence[NightFigures],
    seen: dict[str, str],
) -> ConditionSummary:
    basis, pooled, left = _pool([n for n in nights if n.condition == condition], seen)
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
        outcomes=tuple(
            _outcome(name, study, pooled, first, of_study=first is order[0]) for name in names
        ),
        remarks=tuple(remarks),
    )


def _in_order(study: Study) -> tuple[list[StudyNight], str]:
    """Nights by date where every one has a date, else as the study file lists them."""
    dates = {night.id: night.date for night in study.night if night.date is not None}
    if len(dates) == len(study.night):
        return sorted(study.night, key=lambda night: dates[night.id]), "by date"
    return list(study.night), "as listed in the study file (not every night has a date)"


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
        found = sorted({_words(getattr(basis, name)) for basis in bases})
        if len(found) > 1:
            reasons.append(f"the conditions have different {what}: {'; '.join(found)}")
    ids = {basis.criterion for basis in bases}
    if len(ids) < len({(basis.criterion, basis.criterion_digest) for basis in bases}):
        reasons.append("the conditions have different versions of one criterion")
    return tuple(reasons)


def summarise(
    study: Study, nights: Sequence[NightFigures], missing: Sequence[Missing] = ()
) -> StudySummary:
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
    order, how = _in_order(study)
    place = {entry.id: k for k, entry in enumerate(order)}
    ordered = sorted(nights, key=lambda night: place[night.id])
    seen: dict[str, str] = {}
    conditions = tuple(
        _condition(condition, study, order, ordered, seen)
        for condition in dict.fromkeys(entry.condition for entry in order)
    )
    return StudySummary(
        pseudonym=study.pseudonym,
        primary_outcome=study.primary_outcome,
        criterion=study.criterion,
        order=how,
        conditions=conditions,
        missing=tuple(missing),
        not_comparable=_across(conditions),
    )


def several_text(summary: StudySummary) -> str:
    """A study's summary as indented JSON with a line feed at the end."""
    table = {
        "schema_version": SCHEMA_VERSION,
        "software": {"name": "sleepbrux", "version": __version__},
        **printed(msgspec.to_builtins(summary)),
        "half_width_wanted_pct": HALF_WIDTH_PCT,
        "purpose": PURPOSE,
    }
    return msgspec.json.format(msgspec.json.encode(table), indent=2).decode() + "\n"
