"""A person's study compared: archives in, contrasts, distributions and robustness out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from sleepbrux import __version__
from sleepbrux.compare.core import compare_nights
from sleepbrux.compare.model import Comparison
from sleepbrux.compare.records import Reading, counted, under_rule
from sleepbrux.compare.rules import RULES
from sleepbrux.compare.sentences import Verdict
from sleepbrux.errors import UsageError
from sleepbrux.nights import Basis, LeftOut, Missing
from sleepbrux.purpose import PURPOSE
from sleepbrux.study import Study

SCHEMA_VERSION = "1.0"
RATE_WORDS = {
    "episodes_per_hour": "episodes per valid hour",
    "bursts_per_hour": "bursts per valid hour",
}
SDD = (
    "Published smallest detectable differences between two single nights of polysomnography, 1.96 x root 2 x "
    "SEM of van der Zaag 2008 (6 persons with sleep bruxism and 6 without, four nights each; SDDs computed "
    "from the published SEMs): 5.8 and 2.8 episodes/h, 41.3 and 15.8 bursts/h, 1.1 and 0.28 % time index. "
    "Shown for orientation: another recording, other rules, single nights. No sentence here rests on it."
)


@dataclass(frozen=True)
class Alternative:
    """A contrast under another rule."""

    rule: str
    ratio: float | None
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True)
class Holding:
    """Whether a contrast's sentence holds under other rules."""

    condition: str
    against: str
    alternatives: tuple[Alternative, ...]
    sentence: str


@dataclass(frozen=True)
class StudyComparison:
    """All of a study's comparison.

    Attributes
    ----------
    comparison
        The primary outcome.
    robustness
        One a contrast; empty where the archives were not counted again.
    """

    pseudonym: str
    primary_outcome: str
    criterion: str
    night_order: str
    basis: Basis | None
    comparison: Comparison
    robustness: tuple[Holding, ...]
    left_out: tuple[LeftOut, ...]
    missing: tuple[Missing, ...]
    rescored: tuple[str, ...]


def rate_words(name: str) -> str:
    """A measure in words, with its denominator."""
    if name.endswith("_per_hour") and name not in RATE_WORDS:
        return name.removesuffix("_per_hour").replace("_", " ") + " per valid hour"
    return RATE_WORDS.get(name, name.replace("_", " "))


def compare_study(
    study: Study, reading: Reading, *, keep_first_night: bool = False
) -> StudyComparison:
    """Compare the conditions of a study in its primary outcome.

    Raises
    ------
    UsageError
        No night was read, only one condition is left, or the primary outcome is no measure.
    """
    if not reading.records:
        why = "; ".join(m.reason for m in reading.missing[:3])
        raise UsageError(f"no night of the study can be compared: {why or 'the study has none'}")
    nights, counts = counted(reading.records, study.primary_outcome)
    comparison = compare_nights(
        nights,
        baseline=study.baseline,
        order=study.order,
        outcome=rate_words(study.primary_outcome),
        counts=counts,
        keep_first_night=keep_first_night,
    )
    return StudyComparison(
        pseudonym=study.pseudonym,
        primary_outcome=study.primary_outcome,
        criterion=reading.basis.criterion if reading.basis else study.criterion,
        night_order=reading.how,
        basis=reading.basis,
        comparison=comparison,
        robustness=_robustness(study, reading, comparison, keep_first=keep_first_night),
        left_out=reading.left_out,
        missing=reading.missing,
        rescored=tuple(
            f"{r.entry.id}: archived under {r.rescored_from}, scored again by the study's rules"
            for r in reading.records
            if r.rescored_from
        ),
    )


def _robustness(
    study: Study, reading: Reading, comparison: Comparison, *, keep_first: bool
) -> tuple[Holding, ...]:
    rules = list(dict.fromkeys(u.rule for r in reading.records for u in r.under_rules))
    if study.primary_outcome != "episodes_per_hour" or not rules:
        return ()
    others = {}
    for rule in rules:
        nights = under_rule(reading.records, rule)
        if {n.condition for n in nights} == set(comparison.conditions):
            others[rule] = compare_nights(
                nights,
                baseline=study.baseline,
                order=study.order,
                keep_first_night=keep_first,
                rearranged=False,
            )
    found = []
    for k, own in enumerate(comparison.contrasts):
        if own.ratio is None:
            continue
        rows = []
        for rule, other in others.items():
            c = other.contrasts[k]
            r = c.ratio
            rows.append(
                Alternative(rule, r.ratio, r.low, r.high, c.verdict)
                if r
                else Alternative(rule, None, None, None, c.verdict)
            )
        found.append(Holding(own.condition, own.against, tuple(rows), _holds(own.verdict, rows)))
    return tuple(found)


def _holds(verdict: Verdict, rows: Sequence[Alternative]) -> str:
    same = sum(row.verdict == verdict for row in rows)
    known = [row.ratio for row in rows if row.ratio is not None]
    span = f"; the ratio lies between {min(known):.2f} and {max(known):.2f}" if known else ""
    return (
        f"Under {same} of {len(rows)} other thresholds and criteria the verdict is the same "
        f"({verdict}){span}."
    )


def comparison_table(found: StudyComparison) -> dict[str, Any]:
    """A comparison as plain values for JSON."""
    return {
        "schema_version": SCHEMA_VERSION,
        "software": {"name": "sleepbrux", "version": __version__},
        **msgspec.to_builtins(found),
        "rules": [msgspec.to_builtins(rule) for rule in RULES],
        "published_sdd": SDD,
        "purpose": PURPOSE,
    }


def comparison_text(found: StudyComparison) -> str:
    """`comparison_table` as indented JSON with a line feed at the end."""
    return (
        msgspec.json.format(msgspec.json.encode(comparison_table(found)), indent=2).decode() + "\n"
    )
