"""Many persons with and without an appliance; statsmodels does the fitting."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np

from sleepbrux.analysis.comparison.ratio import Floats, arm, estimate, holm, p_text
from sleepbrux.analysis.comparison.rules import VERDICT_P
from sleepbrux.analysis.comparison.trend import ROUNDING
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.core.files import read_cells
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.study.file import NO_APPLIANCE

LEAST_FOR_GEE = 20
Method = Literal["log ratios", "GEE"]
LOG_RATIOS = (
    "each person counts once, with the logarithm of the own ratio; t over persons. The ratio is the "
    "geometric mean of the persons' ratios"
)
GEE = (
    "a Poisson model over all nights with persons as clusters, asked for by name. Its ratio is that of the "
    "mean rates, in which persons with many events weigh most; where the effect depends on the level it is "
    "another number than the mean of the persons' ratios"
)
FEW_FOR_GEE = (
    f"A GEE's covariance depends on the number of persons; with fewer than {LEAST_FOR_GEE} even the "
    "bias-reduced one is too small (our choice, in line with common advice; from memory)."
)
NOT_CONVERGED = (
    "The GEE did not come to a result with this table, so it gives no ratio. Use the log ratios of persons."
)
SCHEMA_VERSION = "2.0"
COLUMNS = ("person", "condition", "events", "valid_hours")
ALSO = {"episode_count": "events"}  # so that the study table of `export` is a cohort table

# What a row of a table may hold; beyond it the columns are others than they seem.
MOST_EVENTS, LEAST_HOURS, MOST_HOURS = 1e6, 1e-3, 1e4
LARGEST_LOG = 300.0


@dataclass(frozen=True)
class PersonNight:
    """One night of one person.

    Attributes
    ----------
    period, sequence
        Of a crossover: in which period the night lies, and in which order this person had the conditions
        (such as ``"AB"``); empty otherwise.
    night
        Name of the night.
    """

    person: str
    condition: str
    events: float
    hours: float
    period: str = ""
    sequence: str = ""
    night: str = ""


@dataclass(frozen=True)
class Effect:
    """A rate ratio over persons.

    Attributes
    ----------
    term
        ``"CONDITION / BASELINE"``; of a crossover also ``"period"`` with its level, and ``"carry-over"``.
    p_holm
        After Holm over the conditions; None for the other terms.
    """

    term: str
    ratio: float
    low: float
    high: float
    p: float
    df: float
    p_holm: float | None = None


@dataclass(frozen=True)
class PersonRatio:
    """One person's rate ratio; interval from the person's own nights, None below two a condition."""

    person: str
    nights: int
    nights_baseline: int
    ratio: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Repeatability:
    """How far nights of one person agree, within a condition.

    Attributes
    ----------
    icc
        One-way random intraclass correlation of single nights on the log rate, ICC(1); None where it cannot
        be had.
    low, high
        Its 95 % interval.
    nights_for
        Wanted reliability of a person's mean to nights, by Spearman-Brown; None where no number gives it.
    """

    condition: str
    persons: int
    nights: int
    icc: float | None
    low: float | None
    high: float | None
    nights_for: dict[str, int | None]


@dataclass(frozen=True)
class Agreement:
    """Bland-Altman of two conditions with repeated nights.

    Attributes
    ----------
    bias
        Mean over persons of the difference of their mean rates, per hour.
    between_sd, within_sd, within_sd_baseline
        SD of true differences between persons, and of nights within a person.
    low, high
        Limits within which 95 % of the differences of single nights lie.
    """

    condition: str
    against: str
    persons: int
    bias: float
    between_sd: float
    within_sd: float
    within_sd_baseline: float
    low: float
    high: float


@dataclass(frozen=True)
class Cohort:
    """A cohort compared.

    Attributes
    ----------
    method
        ``"log ratios"``, or ``"GEE"`` where it was asked for.
    effects
        Each condition against the baseline, once; for a crossover with the period taken out, then period
        and carry-over.
    wilcoxon_p
        Signed-rank test of the persons' log ratios by condition, as well as the t test.
    """

    outcome: str
    baseline: str
    persons: int
    nights: int
    method: str
    why_method: str
    effects: tuple[Effect, ...]
    wilcoxon_p: dict[str, float | None]
    by_person: dict[str, tuple[PersonRatio, ...]]
    repeatability: tuple[Repeatability, ...]
    agreement: tuple[Agreement, ...]
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def read_cohort(path: str | Path) -> list[PersonNight]:
    """Nights of many persons from a CSV table.

    Columns ``person``, ``condition``, ``events`` and ``valid_hours``; ``period``, ``sequence`` and ``night``
    may be there too. Separator comma, semicolon or tab.

    Returns
    -------
    list of PersonNight

    Raises
    ------
    StudyError
        A missing column, or a value that is no number, with its line.
    """
    path = Path(path)
    head, *lines = read_cells(path, StudyError) or [[]]
    rows = [dict(zip_longest(head, line[: len(head)], fillvalue="")) for line in lines]
    head = [ALSO.get(c.strip(), c.strip()) if c and "events" not in head else c for c in head]
    columns = [c.strip() for c in head if c]
    lacking = [c for c in COLUMNS if c not in columns]
    if lacking:
        raise StudyError(
            f"{path.name}: there is no column {' or '.join(lacking)}; the columns are "
            f"{', '.join(columns) or 'none'}"
        )
    return [_row(path.name, k, row) for k, row in enumerate(rows, start=2)]


def _row(name: str, line: int, row: dict[str, str]) -> PersonNight:
    cells = {k.strip(): v.strip() for k, v in row.items()}
    numbers = []
    for column, least, most in (
        ("events", 0.0, MOST_EVENTS),
        ("valid_hours", LEAST_HOURS, MOST_HOURS),
    ):
        try:
            value = float(cells[column].replace(",", "."))
        except ValueError:
            value = math.nan
        if value != 0 and not least <= value <= most:
            raise StudyError(
                f"{name}: line {line}: {column} is {cells[column]!r}; it must be a number of 0 or more, "
                f"{most:g} at most{f' and {least:g} at least where it is not 0' if least else ''}"
            )
        numbers.append(value)
    for column in ("person", "condition"):
        if not cells[column]:
            raise StudyError(f"{name}: line {line}: {column} is empty; every night needs one")
    return PersonNight(
        person=cells["person"],
        condition=cells["condition"],
        events=numbers[0],
        hours=numbers[1],
        period=cells.get("period", ""),
        sequence=cells.get("sequence", ""),
        night=cells.get("night", ""),
    )


def log_ratios(nights: Sequence[PersonNight], condition: str, baseline: str) -> tuple[PersonRatio, ...]:
    """Each person's rate ratio; persons without an event in one condition have half an event added."""
    out = []
    for person in dict.fromkeys(n.person for n in nights):
        own = [n for n in nights if n.person == person and n.hours > 0]
        groups = [[n for n in own if n.condition == c] for c in (condition, baseline)]
        if not all(groups):
            continue
        (ya, ha), (yb, hb) = (
            (np.array([n.events for n in g]), np.array([n.hours for n in g])) for g in groups
        )
        if ya.sum() + yb.sum() == 0:
            continue
        none = 0.5 * (ya.sum() == 0 or yb.sum() == 0)
        log = math.log((ya.sum() + none) / ha.sum()) - math.log((yb.sum() + none) / hb.sum())
        low = high = None
        if min(len(ya), len(yb)) >= 2:
            found = estimate(arm(ya, ha), arm(yb, hb)).limits()
            low, high = (_ratio(v) for v in found)
        out.append(PersonRatio(person, len(ya), len(yb), math.exp(log), low, high))
    return tuple(out)


def _ratio(log: Any) -> float:
    """A ratio from its logarithm; of an interval without bounds one that still is a number."""
    return math.exp(min(max(float(log), -LARGEST_LOG), LARGEST_LOG))


def _effect(term: str, log: float, se: float, df: float) -> Effect:
    """A ratio with its t interval from a logarithm and its standard error."""
    from scipy import stats

    half = float(stats.t.ppf(0.975, df)) * se
    p = float(2 * stats.t.sf(abs(log) / se, df)) if se > 0 else 1.0
    return Effect(term, _ratio(log), _ratio(log - half), _ratio(log + half), p, float(df))


def _by_ratios(
    nights: Sequence[PersonNight], conditions: Sequence[str], baseline: str
) -> tuple[list[Effect], dict[str, float | None]]:
    """One log ratio a person: t interval, and Wilcoxon's signed-rank test."""
    from scipy import stats

    effects, ranks = [], {}
    for condition in conditions:
        logs = np.log([r.ratio for r in log_ratios(nights, condition, baseline)])
        if len(logs) < 2:
            continue
        mean, df = float(logs.mean()), len(logs) - 1
        se = float(stats.sem(logs)) if np.ptp(logs) > ROUNDING else 0.0
        effects.append(_effect(f"{condition} / {baseline}", mean, se, df))
        ranks[condition] = float(stats.wilcoxon(logs).pvalue) if np.any(logs) else None
    return effects, ranks


def _design(nights: Sequence[PersonNight], conditions: Sequence[str]) -> tuple[Floats, list[str]]:
    """Columns of the model: level, conditions, and of a crossover period and sequence."""
    columns = [np.ones(len(nights))]
    names = [""]
    for condition in conditions:
        columns.append(np.array([n.condition == condition for n in nights], dtype=float))
        names.append(condition)
    for field in ("period", "sequence"):
        values = [getattr(n, field) for n in nights]
        for level in sorted(set(values))[1:] if all(values) else ():
            columns.append(np.array([v == level for v in values], dtype=float))
            names.append(f"{field} {level}")
    return np.column_stack(columns), names


def _by_gee(nights: Sequence[PersonNight], conditions: Sequence[str], baseline: str) -> list[Effect]:
    """GEE: Poisson, log link, log hours as offset, persons as clusters, exchangeable.

    Covariance after Mancl & DeRouen 2001 (Biometrics 57:126-134), t with persons less parameters. Empty
    where it does not converge.
    """
    import statsmodels.api as sm

    used = [n for n in nights if n.hours > 0]
    x, names = _design(used, conditions)
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise UsageError(
            "condition, period and sequence cannot be separated in this table: leave out the column "
            "period or sequence"
        )
    y = np.array([n.events for n in used])
    persons = np.array([n.person for n in used])
    order = np.argsort(persons, kind="stable")
    model = sm.GEE(
        y[order],
        x[order],
        groups=persons[order],
        family=sm.families.Poisson(),
        cov_struct=sm.cov_struct.Exchangeable(),
        offset=np.log([used[i].hours for i in order]),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = model.fit(cov_type="bias_reduced", maxiter=200)
    df = len(set(persons)) - x.shape[1]
    silent = any(y[x[:, k] > 0].sum() == 0 for k in range(x.shape[1]))
    if df < 1 or silent or not fit.converged or not np.isfinite([*fit.params, *fit.bse]).all():
        return []
    effects = []
    for k, name in enumerate(names):
        if name:
            term = f"{name} / {baseline}" if name in conditions else name
            effects.append(_effect(term, float(fit.params[k]), float(fit.bse[k]), df))
    return effects


def crossover(
    nights: Sequence[PersonNight], condition: str, baseline: str
) -> tuple[Effect, Effect, Effect | None] | None:
    """Two-period crossover: effect free of the period, the period's own, and carry-over.

    Each person's log ratio; the mean of the two sequences' means is free of a period effect, half their
    difference is it. Carry-over is the ratio of the sequences' mean levels (Jones & Kenward, Design and
    Analysis of Cross-over Trials; from memory); persons differ, so it is known badly. None where the table
    is no crossover of two sequences with two persons or more in each.
    """
    sequences = {n.person: n.sequence for n in nights}
    names = sorted(set(sequences.values()))
    periods = {n.period for n in nights}
    if len(names) != 2 or not all(names) or len(periods) != 2 or not all(periods):
        return None
    ratios = log_ratios(nights, condition, baseline)
    groups = [np.log([r.ratio for r in ratios if sequences[r.person] == s]) for s in names]
    if min(len(g) for g in groups) < 2:
        return None
    middle, half, se, df = _two_groups(*groups)
    late = sorted(periods)[1]
    first = next(n.condition for n in nights if n.sequence == names[0] and n.period == late)
    sign = 1.0 if first == condition else -1.0
    levels = [np.array([_level(nights, r.person) for r in ratios if sequences[r.person] == s]) for s in names]
    _, carried, of_level, _ = _two_groups(*levels)
    carry = _effect(f"carry-over ({names[0]} / {names[1]})", 2 * carried, 2 * of_level, df)
    return (
        _effect(f"{condition} / {baseline}", middle, se, df),
        _effect(f"period {late}", sign * half, se, df),
        carry,
    )


def _two_groups(a: Floats, b: Floats) -> tuple[float, float, float, float]:
    """Mean of two groups' means, half their difference, its standard error, degrees of freedom."""
    df = len(a) + len(b) - 2
    pooled = ((len(a) - 1) * a.var(ddof=1) + (len(b) - 1) * b.var(ddof=1)) / df
    se = math.sqrt(pooled * (1 / len(a) + 1 / len(b))) / 2
    return float(a.mean() + b.mean()) / 2, float(a.mean() - b.mean()) / 2, se, float(df)


def _level(nights: Sequence[PersonNight], person: str) -> float:
    """Mean over the conditions of a person's log rates; half an event added."""
    own = [n for n in nights if n.person == person and n.hours > 0]
    logs = []
    for condition in dict.fromkeys(n.condition for n in own):
        group = [n for n in own if n.condition == condition]
        logs.append(math.log((sum(n.events for n in group) + 0.5) / sum(n.hours for n in group)))
    return sum(logs) / len(logs)


def spearman_brown(icc: float, nights: float) -> float:
    """Reliability of the mean of so many nights.

    Examples
    --------
    >>> round(spearman_brown(0.74, 1.4), 2)
    0.8
    """
    return nights * icc / (1 + (nights - 1) * icc)


def nights_for_reliability(icc: float, wanted: float) -> float | None:
    """Nights until the mean has this reliability (Spearman-Brown turned round); None for an ICC of 0.

    Examples
    --------
    >>> [round(nights_for_reliability(v, w), 1) for v in (0.74, 0.69, 0.53) for w in (0.8, 0.9)]
    [1.4, 3.2, 1.8, 4.0, 3.5, 8.0]
    """
    if icc <= 0:
        return None
    return wanted * (1 - icc) / (icc * (1 - wanted))


def icc_one_way(groups: Sequence[Floats]) -> tuple[float, float, float] | None:
    """ICC(1) of single nights with a 95 % interval (Shrout & Fleiss 1979, Psychol Bull 86:420-428).

    For unequal numbers of nights with their mean number after Searle; the interval is then approximate.

    Parameters
    ----------
    groups
        One array a person. None where fewer than two persons have two nights, or nobody's nights differ.
    """
    from scipy import stats

    groups = [np.asarray(g, dtype=float) for g in groups if len(g)]
    n = np.array([len(g) for g in groups])
    total, k = int(n.sum()), len(groups)
    if k < 2 or total - k < 1 or (n > 1).sum() < 2:
        return None
    grand = sum(g.sum() for g in groups) / total
    between = sum(len(g) * (g.mean() - grand) ** 2 for g in groups) / (k - 1)
    within = sum(((g - g.mean()) ** 2).sum() for g in groups) / (total - k)
    size = (total - (n**2).sum() / total) / (k - 1)
    if within <= ROUNDING**2:
        return None
    f = between / within
    upper = f / stats.f.ppf(0.025, k - 1, total - k)
    lower = f / stats.f.ppf(0.975, k - 1, total - k)
    return tuple(float((v - 1) / (v + size - 1)) for v in (f, lower, upper))  # type: ignore[return-value]


def _repeatability(nights: Sequence[PersonNight], condition: str) -> Repeatability:
    own = [n for n in nights if n.condition == condition and n.hours > 0]
    groups = [
        np.log([(n.events + 0.5) / n.hours for n in own if n.person == p])
        for p in dict.fromkeys(n.person for n in own)
    ]
    found = icc_one_way(groups)
    icc, low, high = found or (None, None, None)
    wanted = {}
    for target in (0.8, 0.9):
        needed = nights_for_reliability(icc, target) if icc is not None else None
        wanted[f"{target:g}"] = None if needed is None else max(math.ceil(needed), 1)
    return Repeatability(condition, len(groups), len(own), icc, low, high, wanted)


def nested_limits(
    first: Sequence[Floats], second: Sequence[Floats]
) -> tuple[float, float, float, float, float, float] | None:
    """Bland-Altman with repeated values in each person, true value not constant over them.

    Bland & Altman 1999 (Stat Methods Med Res 8:135-160), section 5.2: variance of single differences =
    variance of the persons' mean differences + (1 - mean of 1/m) x within-variance of each condition.

    Parameters
    ----------
    first, second
        Values of each person under the two conditions, in the same order of persons.

    Returns
    -------
    Bias, between-person SD of true differences, the two within-person SDs, and both limits; None below
    two persons, or where nobody has two values.
    """
    means = np.array([a.mean() - b.mean() for a, b in zip(first, second, strict=True)])
    if len(means) < 2:
        return None
    within, shrink = [], []
    for groups in (first, second):
        df = sum(len(g) - 1 for g in groups)
        if df < 1:
            return None
        within.append(sum(((g - g.mean()) ** 2).sum() for g in groups) / df)
        shrink.append(float(np.mean([1 / len(g) for g in groups])))
    seen = float(means.var(ddof=1))
    single = seen + sum((1 - m) * w for m, w in zip(shrink, within, strict=True))
    true = max(seen - sum(m * w for m, w in zip(shrink, within, strict=True)), 0.0)
    bias, sd = float(means.mean()), math.sqrt(single)
    return (
        bias,
        math.sqrt(true),
        math.sqrt(within[0]),
        math.sqrt(within[1]),
        bias - 1.96 * sd,
        bias + 1.96 * sd,
    )


def _agreement(nights: Sequence[PersonNight], condition: str, baseline: str) -> Agreement | None:
    first, second = [], []
    for person in dict.fromkeys(n.person for n in nights):
        own = [n for n in nights if n.person == person and n.hours > 0]
        a, b = ([n.events / n.hours for n in own if n.condition == c] for c in (condition, baseline))
        if a and b:
            first.append(np.array(a))
            second.append(np.array(b))
    found = nested_limits(first, second)
    if found is None:
        return None
    bias, between, sd_a, sd_b, low, high = found
    return Agreement(condition, baseline, len(first), bias, between, sd_a, sd_b, low, high)


def compare_cohort(
    nights: Sequence[PersonNight],
    *,
    baseline: str = NO_APPLIANCE,
    outcome: str = "episodes per valid hour",
    method: Method = "log ratios",
) -> Cohort:
    """Compare conditions over persons.

    Parameters
    ----------
    method
        ``"GEE"`` for a population-averaged model, which asks another question (`GEE`); never chosen by the
        number of persons.

    Returns
    -------
    Cohort

    Raises
    ------
    UsageError
        No night of the baseline, only one condition, or fewer than two persons.
    """
    names = list(dict.fromkeys(n.condition for n in nights))
    persons = list(dict.fromkeys(n.person for n in nights))
    if baseline not in names:
        raise UsageError(
            f"there is no night under the baseline {baseline!r}; there are {', '.join(names) or 'none'}"
        )
    conditions = [n for n in names if n != baseline]
    if not conditions or len(persons) < 2:
        raise UsageError(
            f"a cohort needs two persons or more and two conditions or more; there are {len(persons)} and "
            f"{len(names)}"
        )
    effects, ranks = _by_ratios(nights, conditions, baseline)
    crossed = {c: found for c in conditions if (found := crossover(nights, c, baseline))}
    if method == "GEE":
        effects = _by_gee(nights, conditions, baseline)
    else:
        effects = [_crossed(e, crossed, baseline) for e in effects]
        effects = [*effects, *(e for found in crossed.values() for e in found[1:] if e is not None)]
    effects = _after_holm(effects)
    return Cohort(
        outcome=outcome,
        baseline=baseline,
        persons=len(persons),
        nights=len(nights),
        method=method,
        why_method=GEE if method == "GEE" else LOG_RATIOS,
        effects=tuple(effects),
        wilcoxon_p=ranks,
        by_person={c: log_ratios(nights, c, baseline) for c in conditions},
        repeatability=tuple(_repeatability(nights, c) for c in (baseline, *conditions)),
        agreement=tuple(a for c in conditions if (a := _agreement(nights, c, baseline))),
        sentences=_sentences(effects, conditions, baseline, outcome, method),
        notes=_notes(nights, conditions, baseline, method, crossed),
    )


Crossed = dict[str, tuple[Effect, Effect, Effect | None]]


def _crossed(effect: Effect, crossed: Crossed, baseline: str) -> Effect:
    """The effect with the period taken out, where the table is a crossover."""
    condition = effect.term.removesuffix(f" / {baseline}")
    return crossed[condition][0] if condition in crossed else effect


def _after_holm(effects: Sequence[Effect]) -> list[Effect]:
    tested = [e for e in effects if " / " in e.term and not e.term.startswith("carry-over")]
    adjusted = iter(holm([e.p for e in tested]) if tested else ())
    return [replace(e, p_holm=next(adjusted)) if e in tested else e for e in effects]


def _sentences(
    effects: Sequence[Effect],
    conditions: Sequence[str],
    baseline: str,
    outcome: str,
    method: Method,
) -> tuple[str, ...]:
    """One sentence a condition; where nothing came out, that."""
    out = []
    for condition in conditions:
        term = f"{condition} / {baseline}"
        effect = next((e for e in effects if e.term == term), None)
        if effect is not None:
            out.append(_sentence(effect, outcome))
        elif method == "GEE":
            out.append(f"{term}: cannot tell. {NOT_CONVERGED}")
        else:
            out.append(f"{term}: cannot tell; fewer than two persons have a ratio.")
    return tuple(out)


def _sentence(e: Effect, outcome: str) -> str:
    told = e.p_holm is not None and e.p_holm <= VERDICT_P.value
    side = "lower" if told and e.high < 1 else "higher" if told and e.low > 1 else ""
    said = f"{side} on average over these persons" if side else "cannot tell yet"
    corrected = f"; p {p_text(e.p_holm)} after Holm" if e.p_holm is not None and e.p_holm != e.p else ""
    return (
        f"{e.term}: the rate ({outcome}) was {e.ratio:.2f} times as high (95 % interval {e.low:.2f} to "
        f"{e.high:.2f}{corrected}): {said}."
    )


def _notes(
    nights: Sequence[PersonNight],
    conditions: Sequence[str],
    baseline: str,
    method: Method,
    crossed: Crossed,
) -> tuple[str, ...]:
    notes = [
        "An average over persons says little of one person: in a randomised trial of 21 persons, 19–29 % "
        "fell and 33–48 % rose (van der Zaag 2005).",
        "Whether an appliance is the cause depends on how persons and nights were assigned, which this table "
        "does not say.",
    ]
    persons = {n.person for n in nights}
    if method == "GEE" and len(persons) < LEAST_FOR_GEE:
        notes.append(f"{len(persons)} persons: {FEW_FOR_GEE}")
    if len(conditions) > 1:
        notes.append(
            f'{len(conditions)} conditions are compared with the baseline; "lower" and "higher" need a p '
            "after Holm of at most 0.05. The intervals stand each for itself."
        )
    notes += _crossover_notes(nights, conditions, method, crossed)
    ratios = {c: log_ratios(nights, c, baseline) for c in conditions}
    lacking = persons - {r.person for found in ratios.values() for r in found}
    if lacking:
        notes.append(
            f"without nights under two conditions, or without any event: {', '.join(sorted(lacking))}"
        )
    single = sorted(
        {r.person for found in ratios.values() for r in found if min(r.nights, r.nights_baseline) == 1}
    )
    if single:
        weight = "counts" if len(single) == 1 else "count each"
        notes.append(
            f"one night only under some condition: {', '.join(single)}. Such a person {weight} as much as "
            "one with many nights."
        )
    return tuple(notes)


def _crossover_notes(
    nights: Sequence[PersonNight], conditions: Sequence[str], method: Method, crossed: Crossed
) -> list[str]:
    """What a crossover cannot keep apart; said too where its columns are there and it could not be used."""
    if crossed:
        carry = next((c[2] for c in crossed.values() if c[2] is not None), None)
        seen = (
            f" The ratio of the sequences' levels is {carry.ratio:.2f} ({carry.low:.2f} to {carry.high:.2f})."
            if carry and method == "log ratios"
            else ""
        )
        return [
            "Crossover: the ratio has the period taken out, and the period's own ratio is given too. "
            "What lasts from one period into the next (carry-over) cannot be separated from the effect and draws "
            f"the ratio to 1; only nights without an appliance between the periods help.{seen}"
        ]
    if any(n.period or n.sequence for n in nights):
        return [
            "The table has period or sequence, but is no crossover of two periods and two sequences with two "
            "persons or more in each. Period and carry-over are not taken out and may stand behind a "
            "difference."
        ]
    return []


def cohort_text(found: Cohort) -> str:
    """A cohort as indented JSON with a line feed at the end."""
    table: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "software": {"name": "sleepbrux", "version": __version__},
        **msgspec.to_builtins(found),
        "purpose": PURPOSE,
    }
    return msgspec.json.format(msgspec.json.encode(table), indent=2).decode() + "\n"
