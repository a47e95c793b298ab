"""Nights of many persons, and what a comparison over them holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sleepbrux.core.arguments import NUMBER, TEXT, check

Method = Literal["log ratios", "GEE"]


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

    Examples
    --------
    >>> from sleepbrux import PersonNight
    >>> PersonNight("P1", "none", 35, 7.0).condition
    'none'
    """

    person: str
    condition: str
    events: float
    hours: float
    period: str = ""
    sequence: str = ""
    night: str = ""

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            person=(self.person, TEXT),
            condition=(self.condition, TEXT),
            events=(self.events, NUMBER),
            hours=(self.hours, NUMBER),
            period=(self.period, TEXT),
            sequence=(self.sequence, TEXT),
            night=(self.night, TEXT),
        )


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


Crossed = dict[str, tuple[Effect, Effect, Effect | None]]


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

    Examples
    --------
    >>> from sleepbrux import PersonNight, compare_cohort
    >>> nights = [
    ...     PersonNight(f"P{p}", c, 10 * p + k + n, 7.0)
    ...     for p in (1, 2, 3) for k, c in ((4, "none"), (0, "splint")) for n in (0, 1)
    ... ]
    >>> compare_cohort(nights).effects[0].term
    'splint / none'
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
