"""What stands in a letter, as plain values: no typesetting here."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from sleepbrux.analysis.comparison import ConditionRow
from sleepbrux.archive.identity import identity_of
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.summary import report_id
from sleepbrux.report.letter import sentences
from sleepbrux.report.letter.answer import one_night, several_nights
from sleepbrux.report.letter.compared import NO_EFFECT, NightsCompared, compared
from sleepbrux.report.letter.drawing import Dot, Figure, Group, nights_figure, strip_figure
from sleepbrux.report.letter.fields import ABOUT, Fields
from sleepbrux.report.letter.how_recorded import how_recorded, note_sentence
from sleepbrux.report.letter.nights import Letter, clean
from sleepbrux.report.letter.rule import rule_words
from sleepbrux.report.letter.shown_nights import MOST_NAMED, ShownNight, shown_nights
from sleepbrux.report.letter.surroundings import around_rows, signals
from sleepbrux.report.letter.tables import cleaned, condition_rows, condition_table, index_table, night_table
from sleepbrux.report.letter.who_looked import status_line, who_looked
from sleepbrux.report.numbers import listed
from sleepbrux.report.wording import condition_words
from sleepbrux.scoring.night import Night, meant_criterion

HISTORY = {
    "snoring": "Snoring",
    "witnessed_apnoea": "Witnessed apnoea",
    "sleepiness_score": "Sleepiness score",
    "known_apnoea_index": "Known apnoea index",
    "blood_pressure": "Blood pressure",
    "medication": "Medication",
    "dental_findings": "Dental findings",
    "pain": "Pain",
    "awake_clenching": "Clenching awake",
    "caffeine": "Caffeine",
    "alcohol": "Alcohol",
    "appliance_type": "Appliance type",
    "appliance_arch": "Appliance arch",
    "trace_looked_at_by": "Trace looked at by",
}
HEAD = {"to": "To", "sender": "From", "date": "Date", "born": "Born", "sex": "Sex"}
BLANKS = {
    "to": ("To", "whom the letter is for"),
    "sender": ("From", "who writes it"),
    "date": ("Date", "of the letter"),
    "question": ("Question", "what the reader is asked"),
}
NOT_DRAWN = "The order of nights was not drawn at random, so a difference does not say why."
EACH_NIGHT = "95 % interval of a night: this night only, not between nights."


def _figure(nights: Sequence[ShownNight], rows: Sequence[ConditionRow], kept: Sequence[str]) -> Figure | None:
    if len(nights) == 1:
        return strip_figure(nights[0].night)
    pooled = {r.condition: r.rate_per_hour for r in rows}
    order = sorted(nights, key=lambda one: str(one.given.night.swept.start or ""))
    groups = []
    for name in dict.fromkeys(one.condition for one in nights):
        own = [one for one in order if one.condition == name]
        dots = [d for one in own if (d := _dot(one.night, left_out=one.id not in kept)) is not None]
        groups.append(Group(clean(condition_words(name)), tuple(dots), pooled.get(name)))
    return nights_figure(groups)


def _dot(night: Night, *, left_out: bool) -> Dot | None:
    index = night.measures["episodes_per_hour"]
    if index.value is None:
        return None
    drawn = index.intervals[-1] if index.intervals else None
    return Dot(index.value, drawn.low if drawn else None, drawn.high if drawn else None, left_out)


def _supersedes(nights: Sequence[ShownNight]) -> list[str]:
    return [
        f"Report {one.report} supersedes {one.night.supersedes}: the same recording, scored again."
        for one in nights
        if one.night.supersedes
    ]


def _replaced(nights: Sequence[ShownNight]) -> list[str]:
    """Which nights were scored by other rules than those meant, as they lack a reference clench."""
    found = [one for one in nights if meant_criterion(one.night)]
    if not found:
        return []
    which = "" if len(nights) == 1 else f" ({listed([one.name for one in found])})"
    return [
        f"Scored relative to the resting level, not in % of maximal clench{clean(which)}: no usable "
        "reference clench. Not comparable with counts in % of maximal clench."
    ]


def _limits_of(said: NightsCompared, odd: Sequence[str]) -> list[str]:
    """What limits a comparison: nights of different kinds, an order that was not drawn."""
    found = [f"{o[:1].upper()}{clean(o[1:])}." for o in odd]
    return found if said.drawn or not said.contrasts else [*found, NOT_DRAWN]


def _limits(nights: Sequence[ShownNight]) -> list[str]:
    """Warnings of the nights, each once, with the nights that it is about."""
    found: dict[str, list[str]] = {}
    for one in nights:
        for note in one.night.notes:
            if note.severity == "warning" and note.code != "criterion-replaced":
                found.setdefault(note_sentence(note.text, one.night), []).append(one.name)

    def where(who: list[str]) -> str:
        if len(nights) == 1:
            return ""
        if len(who) == len(nights):
            return " (every night)"
        more = [f"{len(who) - MOST_NAMED} more"] if len(who) > MOST_NAMED + 1 else []
        return f" ({clean(listed([*(who[:MOST_NAMED] if more else who), *more]))})"

    return [f"{words}{where(who)}." for words, who in found.items()]


def _in_full(said: NightsCompared, nights: Sequence[ShownNight], missing: Sequence[str]) -> list[str]:
    """What the comparison says of each pair, and which nights are not in it."""
    lines = [line for line in said.sentences if line != NO_EFFECT]
    if said.left_out:
        out = "; ".join(f"{night} ({reason.rstrip('.')})" for night, reason in said.left_out)
        it = "it" if len(said.left_out) == 1 else "them"
        lines.append(f"Left out of the comparison: {out}. The table by condition is without {it}.")
    if missing:
        lines.append(f"Not in this letter, as no scoring was found: {listed(list(missing))}.")
    for one in nights:
        if one.name != one.id:
            lines = [line.replace(one.id, one.name) for line in lines]
    return [clean(f"{line[:1].upper()}{line[1:]}") for line in lines]


def letter_id(letters: Sequence[Letter], fields: Fields) -> str:
    """Id of a letter: over its reports and archives, and what was entered."""
    parts = [*(f"{report_id(x.night)} {x.archive_sha256}" for x in letters)]
    parts.append(f"Fields({', '.join(f'{key}={getattr(fields, key)!r}' for key in ABOUT)})")
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()
    return "-".join(digest[i : i + 4] for i in (0, 4, 8))


def _digest(letters: Sequence[Letter]) -> str:
    if len(letters) == 1:
        return letters[0].archive_sha256
    joined = "\n".join(x.archive_sha256 for x in letters)
    return hashlib.sha256(joined.encode()).hexdigest()


def _rules(nights: Sequence[ShownNight]) -> tuple[list[list[str]], str]:
    """Each rule set in words, and which they are in small print."""
    rules = {one.night.criterion.digest(): one.night.criterion for one in nights}
    small = "; ".join(f"{r.id}, SHA-256 {digest}" for digest, r in rules.items())
    return [rule_words(r) for r in rules.values()], f"sleepbrux {__version__}. {small}"


def letter_answer(letters: Sequence[Letter], comparison: NightsCompared | None = None) -> list[str]:
    """The sentences with which a letter begins.

    Parameters
    ----------
    letters, comparison
        As for `content`.
    """
    nights = shown_nights(letters, dates=False)
    if len(nights) == 1:
        return [clean(s) for s in one_night(nights[0].night)]
    said = comparison or compared(letters)
    return [clean(s) for s in several_nights(condition_rows(nights, said.nights)[0], said)]


def content(
    letters: Sequence[Letter],
    fields: Fields,
    *,
    comparison: NightsCompared | None = None,
    missing: Sequence[str] = (),
    dates: bool = False,
    every_night: bool = True,
) -> dict[str, Any]:
    """Everything that the templates print.

    Parameters
    ----------
    comparison
        Nights with and without an appliance compared, as a study has them; None: `compared` makes it from
        the nights alone.
    missing
        Ids of nights of the study that the letter goes without.
    dates
        Give the days of the nights; they are an identifier.
    every_night
        Whether nights stand one by one; else by condition only.
    """
    nights, several = shown_nights(letters, dates=dates), len(letters) > 1
    said = (comparison or compared(letters)) if several else NightsCompared((), (nights[0].id,))
    rows, odd = condition_rows(nights, said.nights) if several else ([], [])
    rules, which = _rules(nights)
    return {
        **_who(letters, fields),
        "title": sentences.TITLE,
        "question": clean(fields.question),
        "answer": [clean(s) for s in (several_nights(rows, said) if several else one_night(nights[0].night))],
        "scoring": who_looked(nights),
        "status": status_line(letters),
        "remarks": [*_replaced(nights), *_supersedes(nights)],
        "figure": _drawn(_figure(nights, rows, said.nights)),
        "table": condition_table(nights, rows, said) if several else index_table(nights[0].night),
        "rules": rules,
        "which_rules": which,
        "recorded": how_recorded(nights, fields, said, dates=dates),
        "surroundings": [clean(s) for s in signals([one.night for one in nights])],
        "around": cleaned(around_rows([one.night for one in nights])),
        "limits": [*_limits_of(said, odd), *_limits(nights)],
        "cannot": list(sentences.CANNOT_TELL),
        "cautions": [list(c) for c in sentences.CAUTIONS],
        "cautions_head": sentences.CAUTIONS_HEAD,
        "in_full": _in_full(said, nights, missing) if several else [],
        "nights": night_table(nights, dates=dates) if several and every_night else None,
        "each_night": EACH_NIGHT,
        "left_out": ""
        if every_night
        else "The nights one by one are in the study table and in their reports.",
        "room": sentences.ROOM,
        "own_words": [clean(line) for line in fields.own_words.splitlines()],
        "id": letter_id(letters, fields),
        "about": letter_about(letters),
        "report": f"Report {nights[0].report}"
        if not several
        else f"{len(letters)} reports, named in the table"
        if every_night
        else f"{len(letters)} reports",
        "archive": _digest(letters),
        "archive_of": "archive SHA-256" if not several else "SHA-256 over the archives' SHA-256",
        "purpose": PURPOSE,
        "version": __version__,
    }


def letter_about(letters: Sequence[Letter]) -> str:
    """Stands for the person of a letter, so that another person's letter is not written over: 16 digits.

    From pseudonym and study id, or from the recording of a night that no study names.
    """
    known = identity_of(letters[0].night)
    own = [known.person, known.study_id] if known.person else [known.input_sha256]
    return hashlib.sha256("|".join(own).encode()).hexdigest()[:16]


def _drawn(figure: Figure | None) -> dict[str, str] | None:
    return (
        {"svg": figure.svg, "alt": figure.alt, "caption": figure.caption, "narrow": figure.narrow}
        if figure
        else None
    )


def _who(letters: Sequence[Letter], fields: Fields) -> dict[str, Any]:
    """Whom the letter is about, to and from whom, and what was entered of the person."""
    person = dict(letters[0].night.about).get("person", "")
    entered = {key: clean(getattr(fields, key)) for key in ABOUT}
    return {
        "who": clean(fields.name or person or "Person not named"),
        "pseudonym": clean(person) if fields.name and person else "",
        "head": [[label, entered[key]] for key, label in HEAD.items() if entered[key]],
        "blanks": [[label, of] for key, (label, of) in BLANKS.items() if not clean(getattr(fields, key))],
        "entered": sentences.ENTERED,
        "history": [[label, entered[key]] for key, label in HISTORY.items() if entered[key]],
        "not_entered": listed([label.lower() for key, label in HISTORY.items() if not entered[key]]),
    }
