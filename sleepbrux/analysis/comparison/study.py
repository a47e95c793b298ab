"""A person's study compared: archives in, contrasts, distributions and robustness out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from sleepbrux.analysis.comparison.contrasts import compare_nights
from sleepbrux.analysis.comparison.fixing import Record as FixingRecord
from sleepbrux.analysis.comparison.fixing import fixing_notes
from sleepbrux.analysis.comparison.model import Comparison
from sleepbrux.analysis.comparison.records import NightRecord, NightStrip, Reading, counted, under_rule
from sleepbrux.analysis.comparison.rules import LOOKS_P, RULES, VERDICT_P
from sleepbrux.analysis.comparison.sentences import DESCRIBED, Verdict, plain_verdict
from sleepbrux.analysis.comparison.spreads import (
    Measured,
    NightSpread,
    QuantileBand,
    bands,
    describe,
    spreads,
)
from sleepbrux.archive.nights import HOURS_OF, Basis, LeftOut, Missing, of_part, unproved_text
from sleepbrux.core.errors import Note, UsageError
from sleepbrux.core.printed import below
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import count_of
from sleepbrux.core.version import __version__
from sleepbrux.scoring.measures import label_of
from sleepbrux.study.file import Study, in_order

SCHEMA_VERSION = "3.1"
RATE_WORDS = {
    "episodes_per_hour": "episodes per valid hour",
    "bursts_per_hour": "bursts per valid hour",
    "episodes_in_probable_sleep_per_hour": "episodes in probable sleep per valid hour for which that is estimated",
    "episodes_outside_wake_per_hour": "episodes outside wake per valid hour scored as sleep",
}
SDD = (
    "Published smallest detectable differences between two single nights of polysomnography, 1.96 x root 2 x "
    "SEM of van der Zaag 2008 (6 persons with sleep bruxism and 6 without, four nights each; SDDs computed "
    "from the published SEMs): 5.8 and 2.8 episodes/h, 41.3 and 15.8 bursts/h, 1.1 and 0.28 % time index. "
    "Shown for orientation: another recording, other rules, single nights. No verdict here uses it."
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
    measured, bands, spreads
        Other measures by condition with ratios, peaks percentile by percentile, and distributions by night:
        no sentence rests on them.
    remarks
        Night to what marks it.
    fixing
        When outcome, criterion, conditions and design were fixed, what was changed, and how often it was
        looked.
    strips
        The nights as the page draws them; not in the JSON.
    reviewed
        Whether a reader decided on every night that is compared.
    input_sha256
        Digest of the recording of each night that is compared, by its id.
    """

    person: str
    primary_outcome: str
    criterion: str
    night_order: str
    basis: Basis | None
    comparison: Comparison
    robustness: tuple[Holding, ...]
    left_out: tuple[LeftOut, ...]
    missing: tuple[Missing, ...]
    rescored: tuple[str, ...]
    measured: tuple[Measured, ...] = ()
    bands: tuple[QuantileBand, ...] = ()
    spreads: tuple[NightSpread, ...] = ()
    remarks: dict[str, tuple[str, ...]] = field(default_factory=dict)
    fixing: tuple[Note, ...] = ()
    strips: tuple[NightStrip, ...] = ()
    reviewed: bool = False
    input_sha256: dict[str, str] = field(default_factory=dict)

    @property
    def per_hour(self) -> bool:
        """Whether events are divided by hours; where not, a night is one of ``hours``."""
        return self.comparison.counts and not self.primary_outcome.endswith("_count")


def rate_words(name: str) -> str:
    """A measure in words, with its denominator."""
    if name not in RATE_WORDS and (name in HOURS_OF or of_part(name)):
        return label_of(name)
    if name.endswith("_per_hour") and name not in RATE_WORDS:
        return name.removesuffix("_per_hour").replace("_", " ") + " per valid hour"
    return RATE_WORDS.get(name, name.replace("_", " "))


def _keep_first(study: Study, reading: Reading, *, asked: bool) -> bool:
    """Whether the first night that was read is compared: only the study's own first one stands apart."""
    return asked or reading.records[0].entry.id != in_order(study)[0][0].id


def compare_counts(study: Study, reading: Reading, *, keep_first_night: bool = False) -> Comparison:
    """`compare_study` without what stands around it: the primary outcome alone.

    Raises
    ------
    UsageError
        No night was read, only one condition is left, or the primary outcome is no measure.
    """
    if not reading.records:
        why = "; ".join(m.reason for m in reading.missing[:3])
        raise UsageError(f"no night of the study can be compared: {why or 'the study has none'}")
    nights, counts = counted(reading.records, study.primary_outcome)
    _check_conditions(reading)
    return compare_nights(
        nights,
        baseline=study.baseline,
        order=study.order,
        outcome=rate_words(study.primary_outcome),
        counts=counts,
        keep_first_night=_keep_first(study, reading, asked=keep_first_night),
        verdict_p=LOOKS_P.value if study.looks else VERDICT_P.value,
    )


def compare_study(
    study: Study,
    reading: Reading,
    *,
    keep_first_night: bool = False,
    record: Callable[[Comparison], FixingRecord | None] | None = None,
    progress: Callable[[], None] | None = None,
) -> StudyComparison:
    """Compare the conditions of a study in its primary outcome.

    Parameters
    ----------
    record
        Gives the record of what was fixed when, as `fixing.look` writes it; without it nothing is said.

    Raises
    ------
    UsageError
        No night was read, only one condition is left, or the primary outcome is no measure.
    """
    comparison = compare_counts(study, reading, keep_first_night=keep_first_night)
    keep_first_night = _keep_first(study, reading, asked=keep_first_night)
    if unproved := unproved_text([r.entry.id for r in reading.records if r.figures.unproved]):
        note = Note("identity-unproved", "note", unproved)
        comparison = replace(comparison, cautions=(*comparison.cautions, note))
    return StudyComparison(
        person=study.pseudonym,
        primary_outcome=study.primary_outcome,
        criterion=reading.basis.criterion if reading.basis else study.criterion,
        night_order=reading.how,
        basis=reading.basis,
        comparison=comparison,
        robustness=_robustness(study, reading, comparison, keep_first=keep_first_night),
        left_out=reading.left_out,
        missing=reading.missing,
        rescored=_rescored(reading.records),
        measured=describe(reading.records, comparison, study.primary_outcome, progress=progress),
        bands=bands(reading.records, comparison),
        spreads=spreads(reading.records),
        remarks={r.entry.id: _remarks(r) for r in reading.records},
        fixing=fixing_notes(record(comparison), study) if record is not None else (),
        strips=tuple(r.strip for r in reading.records),
        reviewed=reading.reviewed,
        input_sha256={r.entry.id: r.figures.input_sha256 for r in reading.records},
    )


def _check_conditions(reading: Reading) -> None:
    """Say which nights were left out where their condition is wanted for a comparison."""
    kept = list(dict.fromkeys(r.entry.condition for r in reading.records))
    out = [f"{n.id} was left out: {'; '.join(n.reasons)}" for n in reading.left_out]
    out += [f"{n.id} is missing: {n.reason}" for n in reading.missing]
    if len(kept) < 2 and out:
        more = f"; and {len(out) - 3} more" if len(out) > 3 else ""
        raise UsageError(
            "a comparison needs nights under two conditions or more; of those read, "
            f"{count_of(len(reading.records), 'night')} can be compared, all under {kept[0]!r}; "
            f"{'; '.join(out[:3])}{more}"
        )


def _rescored(records: Sequence[NightRecord]) -> tuple[str, ...]:
    """One sentence for each criterion that nights were archived under."""
    return tuple(
        f"{', '.join(r.entry.id for r in records if r.rescored_from == own)}: archived under {own} or "
        "another version of it, scored again by the study's rules"
        for own in dict.fromkeys(r.rescored_from for r in records if r.rescored_from)
    )


def _remarks(r: NightRecord) -> tuple[str, ...]:
    """What marks a night that is compared all the same."""
    found, remarks = r.figures, []
    if found.valid_hours < found.minimum_valid_hours:
        remarks.append(
            f"{below(found.valid_hours, found.minimum_valid_hours)} valid hours, fewer than the "
            f"{found.minimum_valid_hours:g} h that the rules ask for"
        )
    if found.labelled and found.labelled != found.condition:
        remarks.append(f"was scored as condition {found.labelled!r}")
    if found.scoring:
        remarks.append(found.scoring)
    if r.wear.share is not None and r.wear.share < 1:
        remarks.append(f"appliance in for {100 * r.wear.share:.0f} % of the valid time")
    if r.warnings:
        remarks.append(f"{count_of(r.warnings, 'warning')} in the night's own report")
    remarks += found.doubts
    return tuple(remarks)


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
                verdict_p=comparison.verdict_p,
            )
    found = []
    for own in comparison.contrasts:
        if own.ratio is None:
            continue
        rows = []
        for rule, other in others.items():
            # not by its place: where a night lacks a rule, its condition may come later
            pairs = {(c.condition, c.against): c for c in other.contrasts}
            if (c := pairs.get((own.condition, own.against))) is None:
                continue
            r = c.ratio
            rows.append(
                Alternative(rule, r.ratio, r.low, r.high, c.verdict)
                if r
                else Alternative(rule, None, None, None, c.verdict)
            )
        if rows:
            found.append(Holding(own.condition, own.against, tuple(rows), _holds(own.verdict, rows)))
    return tuple(found)


def _holds(verdict: Verdict, rows: Sequence[Alternative]) -> str:
    """What other thresholds and criteria say of a contrast, in one or two sentences."""
    same = sum(row.verdict == verdict for row in rows)
    known = [row.ratio for row in rows if row.ratio is not None]
    span = f"ratios from {min(known):.2f} to {max(known):.2f}" if known else "no ratio"
    if verdict == DESCRIBED:
        return f"Counted by {len(rows)} other thresholds and criteria: {span}. Not tested."
    each = f"All {same}" if same == len(rows) else f"{same} of {len(rows)}"
    return f"{each} other thresholds and criteria give the same verdict, {plain_verdict(verdict)}: {span}."


def comparison_table(found: StudyComparison) -> dict[str, Any]:
    """A comparison as plain values for JSON."""
    values = msgspec.to_builtins(replace(found, strips=()))
    del values["strips"]
    return {
        "schema_version": SCHEMA_VERSION,
        "software": {"name": "sleepbrux", "version": __version__},
        **values,
        "rules": [msgspec.to_builtins(rule) for rule in RULES],
        "published_sdd": SDD,
        "purpose": PURPOSE,
    }


def comparison_text(found: StudyComparison) -> str:
    """`comparison_table` as indented JSON with a line feed at the end."""
    return msgspec.json.format(msgspec.json.encode(comparison_table(found)), indent=2).decode() + "\n"
