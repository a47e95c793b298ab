"""What stands in a letter, as plain values: no typesetting here."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from sleepbrux.analysis.comparison import by_condition, mixed_bases, night_row
from sleepbrux.archive.journal import unused_review
from sleepbrux.core.printed import hours_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.summary import report_id
from sleepbrux.report.letter import sentences
from sleepbrux.report.letter.around import around_rows, signals
from sleepbrux.report.letter.compared import NightsCompared, compared, night_id
from sleepbrux.report.letter.fields import ABOUT, Fields
from sleepbrux.report.letter.nights import Letter, clean, initials, told
from sleepbrux.report.numbers import began, count_of, listed, text
from sleepbrux.report.wording import PLACEMENT_WORDS
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night, meant_criterion

KINDS = ("phasic", "tonic", "mixed")
ENTRIES = {
    "question": "Question asked",
    "snoring": "Snoring",
    "witnessed_apnoea": "Witnessed apnoea",
    "sleepiness_score": "Sleepiness score",
    "blood_pressure": "Blood pressure",
    "medication": "Medication",
    "known_apnoea_index": "Known apnoea index",
    "appliance_type": "Appliance, type",
    "appliance_arch": "Appliance, arch",
    "trace_looked_at_by": "Trace looked at by",
}


def interval_text(measure: Measure) -> str:
    """``"2.1-6.9"``: the widest meaning at hand; empty without an interval."""
    if not measure.intervals:
        return ""
    drawn = measure.intervals[-1]
    return f"{text(drawn.low, measure.unit)}-{text(drawn.high, measure.unit)}"


def _rate(measure: Measure | None) -> str:
    if measure is None or measure.value is None:
        return "-"
    return text(measure.value, measure.unit)


def _when(night: Night, *, dates: bool) -> str:
    if dates:
        return began(night.swept.start, night.swept.start_clock).split(",")[0]
    clock = night.swept.start_clock
    return f"begun at {clock:%H:%M}" if clock else "time of day unknown"


def _condition(letter: Letter) -> str:
    return dict(letter.night.about).get("condition", "not stated")


def _night_rows(letters: Sequence[Letter]) -> list[list[str]]:
    rows = []
    for letter in letters:
        night = letter.night
        m, digest = night.measures, letter.archive_sha256
        index = m["episodes_per_hour"]
        rows.append(
            [
                night_id(letter),
                _condition(letter),
                text(m["valid_hours"].value, "h"),
                text(m["episode_count"].value, "1"),
                _rate(index),
                interval_text(index) or "-",
                *(_rate(m.get(f"{k}_episodes_per_hour")) for k in KINDS),
                f"{report_id(night)} {digest[:8]}",
            ]
        )
    return rows


def _index_rows(night: Night) -> tuple[list[list[str]], list[str]]:
    """Index by kind with its interval, and what the intervals mean."""
    rows, meanings = [], []
    for name, label in (
        ("episodes_per_hour", "all episodes"),
        *((f"{k}_episodes_per_hour", f"{k} episodes") for k in KINDS),
        ("bursts_per_hour", "bursts in episodes"),
    ):
        measure = night.measures[name]
        if measure.value is None:
            rows.append([label, "-", measure.reason])
            continue
        rows.append([label, text(measure.value, measure.unit), interval_text(measure) or "-"])
        meanings += [i.meaning for i in measure.intervals[-1:]]
    return rows, list(dict.fromkeys(meanings))


def _recorded(letters: Sequence[Letter]) -> list[str]:
    """What was recorded and how, one sentence for each way in which it was done."""
    groups: dict[tuple[str, ...], list[Night]] = {}
    for letter in letters:
        groups.setdefault(_how(letter.night), []).append(letter.night)
    lines = []
    for (channels, rates, rules, window, reference), nights in groups.items():
        of = f" ({count_of(len(nights), 'night')})" if len(groups) > 1 else ""
        lines.append(
            f"Surface EMG of the jaw muscles ({channels}; {rates} samples a second){of}, at home, "
            f"without attendance, audio or video; scored by sleepbrux {__version__} under the rules "
            f"{rules}; window: {window}; reference: {reference}{_levels(nights)}."
        )
    return lines


def _how(night: Night) -> tuple[str, ...]:
    frames, reference = night.swept.frames, night.reference
    return (
        listed([clean(f.channel.label) for f in frames]),
        listed(sorted({f"{float(f.channel.rate):g}" for f in frames})),
        f"{night.criterion.id} (SHA-256 {night.criterion.digest()[:8]})",
        night.window.basis,
        "none, the threshold follows the background"
        if reference is None
        else clean(
            f"{reference.origin}, {reference.statistic}, {PLACEMENT_WORDS[reference.placement]}, "
            f"teeth: {reference.teeth}"
        ),
    )


def _levels(nights: Sequence[Night]) -> str:
    """The level of the clench by channel: one, or the lowest and highest of the nights."""
    found: dict[str, list[float]] = {}
    for night in nights:
        for level in night.reference.levels if night.reference else ():
            found.setdefault(clean(level.label), []).append(level.mvc_uv)
    parts = [
        f"{label} {text(min(v), 'µV')}" + (f" to {text(max(v), 'µV')}" if max(v) > min(v) else "") + " µV"
        for label, v in found.items()
    ]
    kind = {n.reference.amplitude for n in nights if n.reference}
    return f": {listed(parts)} {'RMS' if kind == {'rms'} else 'mean rectified'}" if parts else ""


def _hours(letters: Sequence[Letter]) -> str:
    def total(name: str) -> float:
        return sum(x.night.measures[name].value or 0.0 for x in letters)

    return (
        f"{count_of(len(letters), 'night')}, {hours_text(total('valid_hours'))} valid of "
        f"{hours_text(total('analysed_hours'))} in the windows; "
        f"{hours_text(total('excluded_hours'))} could not be scored."
    )


def _conditions(letters: Sequence[Letter], kept: Sequence[str]) -> tuple[list[list[str]], list[str]]:
    """The nights that are kept, by condition, and why they cannot be put side by side where that is so."""
    rows = [night_row(night_id(x), _condition(x), x.night) for x in letters if night_id(x) in kept]
    table = {
        r.condition: [
            r.condition,
            str(r.nights),
            text(r.valid_hours, "h"),
            str(r.episodes),
            text(r.rate_per_hour, "1/h") if r.rate_per_hour is not None else "-",
            f"{text(r.lowest, '1/h')}-{text(r.highest, '1/h')}" if r.nights > 1 else "one night",
        ]
        for r in by_condition(rows)
    }
    names = dict.fromkeys(map(_condition, letters))
    empty = ["0", "-", "-", "-", "no night compared"]
    return [table.get(c) or [c, *empty] for c in names], mixed_bases(rows)


def _scoring(letters: Sequence[Letter], *, dates: bool) -> str:
    """Whether a person looked at the scoring, for all nights together, or why not where somebody did."""
    unused = [
        clean(f"{night_id(x)}: {why.partition(':')[0]}; its page says why.")  # the reason names the reader
        for x in letters
        if x.unused_review is None and (why := unused_review(x.night))
    ]
    return " ".join([_looked_at(letters, dates=dates), *unused])


def _looked_at(letters: Sequence[Letter], *, dates: bool) -> str:
    seen = [x for x in letters if x.night.review is not None]
    unused = [x for x in letters if x.unused_review is not None]
    if not seen and not unused:
        return sentences.AUTOMATIC
    if unused:
        return _unused(unused, alone=len(letters) == 1)
    if len(letters) == 1 and letters[0].night.review is not None:
        return f"{clean(told(letters[0].night.review, dates=dates))}."
    if len(seen) == len(letters):
        return "Every night was reviewed by a reader; the report of each says how far."
    were = "was" if len(seen) == 1 else "were"
    return (
        f"{len(seen)} of {len(letters)} nights {were} reviewed by a reader; the others are automatic, not "
        "reviewed."
    )


def _unused(letters: Sequence[Letter], *, alone: bool) -> str:
    """Automatic scorings beside reviews that are not used: who reviewed which night."""
    readers = {r for x in letters if x.unused_review for r in x.unused_review.readers}
    who = listed(sorted({initials(r) or "a reader" for r in readers}))
    why = "as it is of another rule set" if alone else "as not every night has one under these rules"
    if alone:
        return f"Automatic scoring. A review by {clean(who)} exists and is not used, {why}."
    nights = clean(listed([night_id(x) for x in letters]))
    were, those = ("was", "that review is") if len(letters) == 1 else ("were", "those reviews are")
    return (
        f"Automatic scoring of every night. {nights} {were} reviewed by {clean(who)}; {those} not used, "
        f"{why}."
    )


def _supersedes(letters: Sequence[Letter]) -> list[str]:
    return [
        f"Report {report_id(x.night)} supersedes {x.night.supersedes}: the same recording, scored again."
        for x in letters
        if x.night.supersedes
    ]


def _replaced(letters: Sequence[Letter]) -> list[str]:
    """Which nights were scored by other rules than those meant, as they lack a reference clench."""
    found = [x for x in letters if meant_criterion(x.night)]
    if not found:
        return []
    first = found[0].night
    which = "" if len(letters) == 1 else f" ({listed([night_id(x) for x in found])})"
    return [
        f"Scored by {first.criterion.id} instead of {meant_criterion(first)}{clean(which)}: no usable "
        "reference clench. Not comparable with counts in % of maximal clench."
    ]


def _limits(letters: Sequence[Letter]) -> list[str]:
    """Warnings of the nights, each once, with the nights that it is about."""
    found: dict[str, list[str]] = {}
    for letter in letters:
        for note in letter.night.notes:
            if note.severity == "warning":
                found.setdefault(clean(note.text), []).append(night_id(letter))

    def where(who: list[str]) -> str:
        if len(letters) == 1:
            return ""
        return " (every night)" if len(who) == len(letters) else f" ({listed(who)})"

    return [f"{words.rstrip('.')}{where(who)}" for words, who in found.items()]


def _side_by_side(said: NightsCompared | None, missing: Sequence[str]) -> list[str]:
    """Sentences below the table by condition: what they say, and which nights are in neither."""
    lines = list(said.sentences) if said else []
    if said and said.left_out:
        lines.append(
            "Left out of the comparison: "
            + "; ".join(f"{night} ({reason.rstrip('.')})" for night, reason in said.left_out)
            + ". The table and the sentences above are without "
            + ("it." if len(said.left_out) == 1 else "them.")
        )
    if missing:
        lines.append(f"Not in this letter, as no scoring of it was found: {listed(list(missing))}.")
    return lines


def letter_id(letters: Sequence[Letter], fields: Fields) -> str:
    """Id of a letter: over the reports and archives it stands on, and what was entered."""
    parts = [*(f"{report_id(x.night)} {x.archive_sha256}" for x in letters), repr(fields)]
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()
    return "-".join(digest[i : i + 4] for i in (0, 4, 8))


def _digest(letters: Sequence[Letter]) -> str:
    if len(letters) == 1:
        return letters[0].archive_sha256
    joined = "\n".join(x.archive_sha256 for x in letters)
    return hashlib.sha256(joined.encode()).hexdigest()


def content(
    letters: Sequence[Letter],
    fields: Fields,
    *,
    comparison: NightsCompared | None = None,
    missing: Sequence[str] = (),
    dates: bool = False,
    every_night: bool = True,
) -> dict[str, Any]:
    """Everything that the template prints.

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
    first = letters[0].night
    people = list(dict.fromkeys(dict(x.night.about).get("person", "") for x in letters))
    who = fields.name or people[0] or "Person not named"
    index, meanings = _index_rows(first) if len(letters) == 1 else ([], [])
    several = len(letters) > 1
    said = (comparison or compared(letters)) if several else None
    table, odd = _conditions(letters, said.nights) if said else ([], [])
    entered = {k: getattr(fields, k) for k in ABOUT}
    return {
        "title": sentences.TITLE,
        "scoring": _scoring(letters, dates=dates),
        "status": sentences.AUTOMATIC
        if not any(x.night.review or x.unused_review for x in letters)
        else "Automatic scoring; reviews as stated on page 1."
        if not any(x.night.review for x in letters)
        else "Reviewed as stated on page 1.",
        "reviewed": all(x.night.review is not None for x in letters),
        "remarks": [*_replaced(letters), *_supersedes(letters)],
        "who": clean(who),
        "pseudonym": clean(people[0]) if fields.name and people[0] else "",
        "head": [
            [label, clean(entered[k])]
            for k, label in (("to", "To"), ("sender", "From"), ("date", "Date"), ("born", "Born"))
            if entered[k]
        ],
        "entries": [[label, clean(entered[k]) or sentences.NOT_ENTERED] for k, label in ENTRIES.items()],
        "entered": sentences.ENTERED,
        "recorded": [_hours(letters), *_recorded(letters)],
        "nights": [[clean(c) for c in row] for row in _night_rows(letters)]
        if every_night and several
        else [],
        "left_out": ""
        if every_night
        else "The nights one by one stand in the study table and in their reports.",
        "when": [
            "; ".join(
                f"{clean(dict(x.night.about).get('night', x.name))}: {_when(x.night, dates=dates)}"
                for x in letters
            )
        ]
        if dates
        else [],
        "index": index,
        "meanings": [f"95 % interval: {m}." for m in meanings]
        or ["95 % interval of each night: counting and clustering inside the night, not between nights."],
        "basis": f"valid hours of: {listed(sorted({x.night.window.basis for x in letters}))}",
        "conditions": [[clean(c) for c in row] for row in table],
        "side_by_side": [clean(s) for s in _side_by_side(said, missing)],
        "odd": [clean(s) for s in odd],
        "context": [clean(s) for s in signals(letters)],
        "around": [[clean(c) for c in row] for row in around_rows(letters)],
        "limits": _limits(letters),
        "cannot": list(sentences.CANNOT_TELL),
        "cautions": [list(c) for c in sentences.CAUTIONS],
        "fixed": sentences.FIXED,
        "room": sentences.ROOM,
        "own_words": [clean(line) for line in fields.own_words.splitlines()],
        "id": letter_id(letters, fields),
        "report": f"Report {report_id(first)}"
        if len(letters) == 1
        else f"{len(letters)} reports, named in the table"
        if every_night
        else f"{len(letters)} reports",
        "archive": _digest(letters),
        "archive_of": "archive SHA-256" if len(letters) == 1 else "SHA-256 over the archives' SHA-256",
        "purpose": PURPOSE,
        "version": __version__,
    }
