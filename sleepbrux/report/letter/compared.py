"""Nights with an appliance against nights without, as sentences of a letter."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sleepbrux.analysis.comparison import (
    Comparison,
    Contrast,
    CountedNight,
    compare_nights,
    mixed_bases,
    night_row,
)
from sleepbrux.analysis.comparison.fixing import fixing_notes, load_record
from sleepbrux.analysis.comparison.rearrange import RANDOMISED
from sleepbrux.analysis.comparison.records import (
    Reading,
    episodes_by_hour,
    records_of,
    scorings,
    study_rules,
)
from sleepbrux.analysis.comparison.study import compare_counts
from sleepbrux.archive.nights import STATED, ArchivedNight, Due, Missing, archived, unproved_text
from sleepbrux.core.errors import Note, UsageError
from sleepbrux.recording.files import file_digest
from sleepbrux.report.letter.nights import Letter, light
from sleepbrux.scoring.night import Night, with_notes
from sleepbrux.study.file import Study

NO_EFFECT = "No statement about an effect is made: nights vary by themselves."


@dataclass(frozen=True)
class NightsCompared:
    """What a comparison says, and the nights that it is about: the table by condition holds just these.

    Attributes
    ----------
    sentences
        One for each pair of conditions, then the warnings.
    nights
        Ids of the nights compared.
    left_out
        (id, reason) of nights of the letter that are not.
    contrasts, baseline, outcome
        As in the `Comparison`; empty where the nights are side by side only.
    drawn
        Whether the order of the nights was drawn at random, so that a difference may say why.
    """

    sentences: tuple[str, ...]
    nights: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    contrasts: tuple[Contrast, ...] = ()
    baseline: str = ""
    outcome: str = ""
    drawn: bool = False


def night_id(letter: Letter) -> str:
    """A night's id in its study; without one the name of its archive."""
    return dict(letter.night.about).get("night", letter.name)


def counted_nights(letters: Sequence[Letter]) -> list[CountedNight]:
    """The nights as a comparison counts them; their dates where the archives have them."""
    found = []
    for letter in letters:
        night, start = letter.night, letter.night.swept.start
        found.append(
            CountedNight(
                id=night_id(letter),
                condition=dict(night.about).get("condition", ""),
                events=float(len(night.selection.episodes)),
                hours=night.measures["valid_hours"].value or 0.0,
                date=start.date() if start else None,
                by_hour=episodes_by_hour(night),
            )
        )
    return found


def _side_by_side(letters: Sequence[Letter], left_out: Iterable[tuple[str, str]] = ()) -> NightsCompared:
    out = tuple(left_out)
    gone = {night for night, _ in out}
    ids = tuple(name for name in map(night_id, letters) if name not in gone)
    return NightsCompared((NO_EFFECT,), ids, out)


def _said(comparison: Comparison, left_out: Iterable[tuple[str, str]] = ()) -> NightsCompared:
    warned = [f"{c.text.rstrip('.')}." for c in comparison.cautions if c.severity == "warning"]
    return NightsCompared(
        (*(c.sentence for c in comparison.contrasts), *warned),
        tuple(n.id for n in comparison.nights),
        (*((a.night.id, a.reason) for a in comparison.apart), *left_out),
        comparison.contrasts,
        comparison.baseline,
        comparison.outcome,
        comparison.order in RANDOMISED,
    )


def compared(letters: Sequence[Letter]) -> NightsCompared:
    """Nights of which no study file says how their order came about.

    Side by side only where the nights stand on different bases, some are reviewed and others not, or they
    say no condition or have but one.
    """
    nights = counted_nights(letters)
    rows = [night_row(n.id, n.condition, x.night) for n, x in zip(nights, letters, strict=True)]
    reviewed = {x.night.review is not None for x in letters}
    if mixed_bases(rows) or len(reviewed) > 1 or not all(n.condition for n in nights):
        return _side_by_side(letters)
    try:
        return _said(compare_nights(nights, rearranged=False))
    except UsageError:
        return _side_by_side(letters)


def _compared(plan: Study, reading: Reading, letters: Sequence[Letter]) -> NightsCompared:
    """What the study's comparison says; side by side where it has one condition only."""
    known = {night_id(x) for x in letters}
    left_out = [(n.id, "; ".join(n.reasons)) for n in reading.left_out]
    left_out += [(n.id, n.reason) for n in reading.missing if n.id in known]
    if len({r.entry.condition for r in reading.records}) < 2:
        return _side_by_side(letters, left_out)
    return _said(compare_counts(plan, reading), left_out)


def _with_condition(night: Night, condition: str) -> Night:
    """The night, with a warning where it was scored under another condition than the study file now says."""
    before = dict(night.about).get("condition", "")
    if before in ("", condition):
        return night
    text = "the study file named another condition when this night was scored, and was changed since"
    return with_notes(night, Note("condition-changed", "warning", text))


def study_letters(
    plan: Study, folder: Path, *, suffix: str, due: Due = STATED, record: Path | None = None
) -> tuple[list[Letter], NightsCompared, list[Missing], list[str]]:
    """Nights of a study, what its comparison says, which are missing, and what is doubted of their files.

    As in the comparison: scored by the study's rules, and reviewed only where every night is.

    Parameters
    ----------
    record
        Record of what was fixed when (`compare.fixing`), whose warnings the letter repeats.
    """
    found: list[tuple[ArchivedNight, Night, Night | None]] = []
    missing: list[Missing] = []
    doubts: list[str] = []
    rules = study_rules(plan)

    def seen(one: ArchivedNight | Missing) -> None:
        if isinstance(one, Missing):
            missing.append(one)
            return
        doubts.extend(one.doubts)
        try:
            automatic, after = scorings(one, rules)
        except UsageError as error:
            missing.append(Missing(one.entry.id, one.entry.condition, str(error)))
            return
        kept = replace(one, night=light(one.night), reviewed=one.reviewed and light(one.reviewed))
        found.append((kept, light(automatic), after and light(after)))

    def nights() -> Iterator[ArchivedNight | Missing]:
        for one in archived(plan, folder, suffix=suffix, due=due):
            seen(one)
            yield one

    reading = records_of(plan, nights(), robust=False)
    every = all(after is not None for *_, after in found)
    letters = []
    for one, automatic, after in found:
        night = after if every and after is not None else automatic
        about = {
            **dict(night.about),
            "person": plan.pseudonym,
            "night": one.entry.id,
            "condition": one.entry.condition,
        }
        unused = one.reviewed.review if one.reviewed is not None and night is automatic else None
        named = replace(_with_condition(night, one.entry.condition), about=tuple(about.items()))
        letters.append(Letter(one.entry.id, file_digest(one.archive), named, unused))
    said = _compared(plan, reading, letters)
    more: list[str] = []
    if record is not None:
        notes = fixing_notes(load_record(record), plan)
        more += [n.text for n in notes if n.severity == "warning"]
    if unproved := unproved_text([one.entry.id for one, *_ in found if one.unproved]):
        more.append(f"{unproved[:1].upper()}{unproved[1:]}.")
    return letters, replace(said, sentences=(*said.sentences, *more)), missing, doubts
