"""Nights with an appliance against nights without, as sentences of a letter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sleepbrux.compare import Comparison, CountedNight, compare_nights, mixed_bases, night_row
from sleepbrux.compare.records import read_records, study_rules
from sleepbrux.compare.study import compare_study
from sleepbrux.errors import UsageError
from sleepbrux.letter.nights import Letter
from sleepbrux.night import rescore
from sleepbrux.nights import STATED, Due, Missing, archived, unproved_text
from sleepbrux.recording.files import file_digest
from sleepbrux.study import Study

NO_EFFECT = "Side by side only: no statement about an effect is made. Nights vary by themselves."


def counted_nights(letters: Sequence[Letter]) -> list[CountedNight]:
    """The nights as a comparison counts them; their dates where the archives have them."""
    found = []
    for name, _, night in letters:
        about, start = dict(night.about), night.swept.start
        found.append(
            CountedNight(
                id=about.get("night", name),
                condition=about.get("condition", ""),
                events=float(len(night.chosen.episodes)),
                hours=night.measures["valid_hours"].value or 0.0,
                date=start.date() if start else None,
            )
        )
    return found


def sentences_of(comparison: Comparison) -> list[str]:
    """The sentence of each pair of conditions, what stands apart, and the warnings."""
    apart = [f"Set apart: {a.night.id} ({a.reason})." for a in comparison.apart]
    warned = [f"{c.text.rstrip('.')}." for c in comparison.cautions if c.severity == "warning"]
    return [*(c.sentence for c in comparison.contrasts), *apart, *warned]


def compared(letters: Sequence[Letter]) -> list[str]:
    """Sentences for nights of which no study file says how their order came about.

    Side by side only where the nights stand on different bases, some are reviewed and others not, or they
    say no condition or have but one.
    """
    nights = counted_nights(letters)
    rows = [night_row(n.id, n.condition, x.night) for n, x in zip(nights, letters, strict=True)]
    reviewed = {x.night.review is not None for x in letters}
    if mixed_bases(rows) or len(reviewed) > 1 or not all(n.condition for n in nights):
        return [NO_EFFECT]
    try:
        return sentences_of(compare_nights(nights, rearranged=False))
    except UsageError:
        return [NO_EFFECT]


def study_letters(
    plan: Study, folder: Path, *, suffix: str, due: Due = STATED
) -> tuple[list[Letter], list[str], list[str]]:
    """Nights of a study, what its comparison says of them, and what is to be said of its archives.

    As in the comparison: scored by the study's rules, and reviewed only where every night is.
    """
    found, said, rules = [], [], study_rules(plan)
    for one in archived(plan, folder, suffix=suffix, due=due):
        if isinstance(one, Missing):
            said.append(f"the letter goes without {one.id}: {one.reason}")
        else:
            found.append(one)
            said += one.doubts
    reviewed = all(one.reviewed is not None for one in found)
    letters = []
    for one in found:
        night = one.reviewed if reviewed and one.reviewed is not None else one.night
        if rules is not None and rules.digest() != night.criterion.digest():
            night = rescore(one.night, rules)
        about = {**dict(night.about), "pseudonym": plan.pseudonym, "night": one.entry.id,
                 "condition": one.entry.condition}  # fmt: skip
        letters.append(
            Letter(
                one.entry.id, file_digest(one.archive), replace(night, about=tuple(about.items()))
            )
        )
    reading = read_records(plan, folder, suffix=suffix, due=due, robust=False)
    sentences = sentences_of(compare_study(plan, reading).comparison)
    if unproved := unproved_text([one.entry.id for one in found if one.unproved]):
        sentences.append(f"{unproved[:1].upper()}{unproved[1:]}.")
    return letters, sentences, said
