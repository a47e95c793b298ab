"""What stands in a letter, as plain values: no typesetting here."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sleepbrux.analysis.comparison import ConditionRow, Contrast, by_condition, mixed_bases, night_row
from sleepbrux.analysis.comparison.sentences import ALIKE, plain_verdict
from sleepbrux.archive.identity import identity_of
from sleepbrux.archive.journal import unused_review
from sleepbrux.core.printed import hours_text
from sleepbrux.core.provenance import Review
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.files import REVIEW_LEFT_OUT
from sleepbrux.export.sharing import Shown, to_share, without_dates
from sleepbrux.export.summary import report_id
from sleepbrux.recording.model import Channel
from sleepbrux.reference import NATURAL
from sleepbrux.reference.model import NOT_STATED
from sleepbrux.report.letter import sentences
from sleepbrux.report.letter.answer import EPISODES, one_night, several_nights
from sleepbrux.report.letter.compared import NO_EFFECT, NightsCompared, compared, night_id
from sleepbrux.report.letter.drawing import Dot, Figure, Group, nights_figure, strip_figure
from sleepbrux.report.letter.fields import ABOUT, Fields
from sleepbrux.report.letter.nights import Letter, clean, initials, shown_review
from sleepbrux.report.letter.rule import rule_words
from sleepbrux.report.letter.surroundings import around_rows, signals
from sleepbrux.report.numbers import count_of, listed, text
from sleepbrux.report.wording import condition_words, widest_interval, window_words
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night, meant_criterion

KINDS = ("phasic", "tonic", "mixed")
EMPTY = "–"
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
PLACEMENTS = {
    "same electrodes": "with the electrodes and recorder of the night",
    "other placement": "with electrodes placed at another time",
    "not stated": "electrodes not stated",
}
RECORDED = {"recorder": "Recorder", "electrodes": "Electrodes", "filters": "Filters"}
HEAD = {"to": "To", "sender": "From", "date": "Date", "born": "Born", "sex": "Sex"}
BLANKS = {
    "to": ("To", "whom the letter is for"),
    "sender": ("From", "who writes it"),
    "date": ("Date", "of the letter"),
    "question": ("Question", "what the reader is asked"),
}
MEANINGS = {
    "scaled_counting": "95 % interval: this night only, with episodes that cluster allowed for.",
    "counting_noise": "* Poisson interval, too narrow because episodes cluster; fewer than 5 events or 4 valid "
    "hours give no better one.",
}
NOT_DRAWN = "The order of nights was not drawn at random, so a difference does not say why."
MOST_NAMED = 4
EACH_NIGHT = "95 % interval of a night: this night only, not between nights."
_COMMANDS = re.compile(r"[:;,]?[^:;,]*?(?<![\w-])(?:--[a-z]|'?sleepbrux [a-z])[^:;.]*")


@dataclass(frozen=True)
class _Shown:
    """A night as a letter shows it: no file name, no label that could name somebody.

    ``id`` is that of its study, ``name`` what the letter calls it, ``report`` that of its page.
    """

    id: str
    name: str
    report: str
    archive: str
    condition: str
    night: Night
    given: Letter


def _shown(letters: Sequence[Letter], *, dates: bool) -> list[_Shown]:
    found = []
    for k, letter in enumerate(letters, start=1):
        about, night = dict(letter.night.about), letter.night
        said = about.get("night", "")
        neutral = to_share(night, Shown(dates=dates), aliases=[letter.name])
        found.append(
            _Shown(
                id=night_id(letter),
                name=clean(said) if said and (dates or without_dates(said) == said) else f"night {k}",
                report=report_id(night),
                archive=letter.archive_sha256,
                condition=about.get("condition", "not stated"),
                night=replace(neutral, review=_review(night.review, dates=dates)),
                given=letter,
            )
        )
    return found


def _review(review: Review | None, *, dates: bool) -> Review | None:
    """A review as a letter may show it; its days, which lie near those of the night, where days are given."""
    return None if review is None else shown_review(review, dates=dates)


def _rate(measure: Measure | None) -> str:
    if measure is None or measure.value is None:
        return EMPTY
    return text(measure.value, measure.unit)


def _date(night: Night) -> str:
    return f"{night.swept.start:%Y-%m-%d}" if night.swept.start else "unknown"


def _night_table(nights: Sequence[_Shown], *, dates: bool) -> dict[str, Any]:
    heads = [
        "night",
        *(["date"] if dates else []),
        "worn",
        "valid h",
        "episodes",
        "per hour",
        "95 % interval",
    ]
    heads += [*KINDS, "report and archive"]
    rows = []
    for one in nights:
        m = one.night.measures
        index = m["episodes_per_hour"]
        rows.append(
            [
                one.name,
                *([_date(one.night)] if dates else []),
                condition_words(one.condition),
                text(m["valid_hours"].value, "h"),
                text(m["episode_count"].value, "1"),
                _rate(index),
                widest_interval(index) or EMPTY,
                *(_rate(m.get(f"{k}_episodes_per_hour")) for k in KINDS),
                f"{one.report} {one.archive[:8]}",
            ]
        )
    return {"heads": heads, "rows": _cleaned(rows), "left": 3 if dates else 2}


def _cleaned(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    return [[clean(cell) for cell in row] for row in rows]


def _index_table(night: Night) -> dict[str, Any]:
    """Rates of one night by kind with their intervals, and what the intervals mean."""
    rows, meanings = [], dict[str, None]()
    for name, label in (
        ("episodes_per_hour", "all episodes"),
        *((f"{k}_episodes_per_hour", f"{k} episodes") for k in KINDS),
        ("bursts_per_hour", "bursts in episodes"),
    ):
        measure = night.measures[name]
        if measure.value is None:
            rows.append([label, EMPTY, EMPTY])
            meanings[f"{label[:1].upper()}{label[1:]}: {measure.reason}."] = None
            continue
        shown = widest_interval(measure) or EMPTY
        for drawn in measure.intervals[-1:]:
            meanings[MEANINGS.get(drawn.name, drawn.meaning)] = None
            shown += "*" if drawn.name == "counting_noise" else ""
        rows.append([label, text(measure.value, measure.unit), shown])
    heads = ["counted", f"per hour {window_words(night.selection.basis)}", "95 % interval"]
    return {"heads": heads, "rows": _cleaned(rows), "left": 1, "small": " ".join(meanings)}


def _muscle(channel: Channel) -> str:
    """Side and muscle of a channel; its neutral label where they are not known."""
    return " ".join(filter(None, (channel.side, channel.muscle))) if channel.muscle else channel.label


def _muscles(night: Night) -> dict[str, str]:
    """Words for each neutral label; the label itself where two channels would have the same words."""
    words = {f.channel.label: _muscle(f.channel) for f in night.swept.frames}
    several = {w for w in words.values() if list(words.values()).count(w) > 1}
    return {label: label if word in several else word for label, word in words.items()}


def _sentence(said: str, night: Night) -> str:
    """A note as a letter says it: muscles for labels, no word of the command line."""
    for label, word in sorted(_muscles(night).items(), key=lambda pair: -len(pair[0])):
        said = re.sub(rf"'?(?<!\w){re.escape(label)}(?!\w)'?", word.replace("\\", r"\\"), said)
    said = re.sub(r"\bMVC\b", "maximal clench", said)
    said = _COMMANDS.sub("", clean(said)).strip(" ,;:.")
    return f"{said[:1].upper()}{said[1:]}"


def _recorded(nights: Sequence[_Shown], fields: Fields, said: NightsCompared, *, dates: bool) -> list[str]:
    """How it was recorded, one sentence for each way in which it was done."""
    groups: dict[tuple[str, str, str], list[Night]] = {}
    for one in nights:
        groups.setdefault(_how(one.night), []).append(one.night)
    lines = [_hours(nights), *_not_compared(nights, said)]
    for (muscles, rates, reference), own in groups.items():
        of = f" ({count_of(len(own), 'night')})" if len(groups) > 1 else ""
        lines.append(f"Surface EMG at home, without attendance{of}: {muscles}, {rates} samples a second.")
        lines.append(f"Reference: {reference}{_levels(own)}.")
    lines += [
        f"{label}: {clean(getattr(fields, key))}." for key, label in RECORDED.items() if getattr(fields, key)
    ]
    if dates:
        days = sorted(_date(one.night) for one in nights)
        lines.insert(
            1, f"Recorded on {days[0]}." if days[0] == days[-1] else f"Recorded {days[0]} to {days[-1]}."
        )
    return lines


def _how(night: Night) -> tuple[str, str, str]:
    frames, reference = night.swept.frames, night.reference
    return (
        clean(listed(list(_muscles(night).values()))),
        listed(sorted({f"{float(f.channel.rate):g}" for f in frames})),
        "none, the threshold follows the resting level"
        if reference is None
        else clean(
            f"{_clenches(reference.source, confirmed=reference.confirmed)}, {_teeth(reference.teeth)}, "
            f"{PLACEMENTS[reference.placement]}"
            f"{'' if reference.source == 'stated levels' else f', {reference.statistic}'}"
        ),
    )


def _clenches(source: str, *, confirmed: bool) -> str:
    said = {
        "own clench": "maximal clenches in the night's own recording",
        "other recording": "maximal clenches of another recording",
        "stated levels": "level of maximal clench as stated by the clinician",
    }[source]
    return said if confirmed else f"{said}, detected automatically, not confirmed"


def _teeth(teeth: str) -> str:
    return {NATURAL: "on natural teeth", NOT_STATED: "teeth not stated"}.get(teeth, f"with {teeth} in")


def _levels(nights: Sequence[Night]) -> str:
    """The level of the clench by muscle: one, or the lowest and highest of the nights."""
    found: dict[str, list[float]] = {}
    kinds = set()
    for night in nights:
        words = _muscles(night)
        for level in night.reference.levels if night.reference else ():
            kinds.add("RMS" if night.reference and night.reference.amplitude == "rms" else "mean rectified")
            if level.label in words:
                found.setdefault(words[level.label], []).append(level.mvc_uv)
    if not found:
        return ""

    def span(values: list[float]) -> str:
        low, high = (text(pick(values), "µV") for pick in (min, max))
        return low if low == high else f"{low}–{high}"

    each = [f"{clean(label)} {span(values)} µV" for label, values in found.items()]
    return f": {listed(each)} {listed(sorted(kinds))}"


def _hours(nights: Sequence[_Shown]) -> str:
    def total(name: str) -> str:
        return hours_text(sum(one.night.measures[name].value or 0.0 for one in nights))

    return (
        f"{count_of(len(nights), 'night')}, {total('valid_hours')} valid of {total('analysed_hours')}; "
        f"{total('excluded_hours')} could not be scored."
    )


def _not_compared(nights: Sequence[_Shown], said: NightsCompared) -> list[str]:
    """Why the table by condition holds fewer nights than were recorded; empty where it holds all."""
    names = {one.id: one.name for one in nights}
    out = [(names[i], reason) for i, reason in said.left_out if i in names]
    if not out:
        return []
    each = [f"{name} left out ({reason.partition(':')[0].rstrip('.')})" for name, reason in out[:MOST_NAMED]]
    more = [f"{len(out) - MOST_NAMED} more"] if len(out) > MOST_NAMED else []
    return [f"{len(nights) - len(out)} of them are compared: {clean(listed([*each, *more]))}."]


def _rows(nights: Sequence[_Shown], kept: Sequence[str]) -> tuple[list[ConditionRow], list[str]]:
    """The nights that are kept, by condition, and why they cannot be put side by side where that is so."""
    rows = [night_row(one.id, one.condition, one.night) for one in nights if one.id in kept]
    return by_condition(rows), mixed_bases(rows)


def _condition_table(
    nights: Sequence[_Shown], rows: Sequence[ConditionRow], said: NightsCompared
) -> dict[str, Any]:
    against = {c.condition: c for c in said.contrasts if c.against == said.baseline}
    heads = ["worn", "nights", "valid h", "episodes", "per hour", "lowest–highest"]
    heads += ["ratio (95 % interval)", "verdict"] if against else []
    table = {r.condition: [condition_words(r.condition), *_condition_cells(r)] for r in rows}
    found = []
    for name in dict.fromkeys(one.condition for one in nights):
        row = table.get(name) or [condition_words(name), "0", EMPTY, EMPTY, EMPTY, "no night compared"]
        found.append(row + (_ratio_cells(against.get(name)) if against else []))
    small = f"Per hour {listed(sorted({window_words(one.night.selection.basis) for one in nights}))}."
    if against:
        what = "" if said.outcome == EPISODES else f" of {said.outcome}"
        weighted = any(c.by_valid_hours is not None for c in against.values())
        hour = ", allowing for the hour of the night" if weighted else ""
        small += f" Ratio{what} to {condition_words(said.baseline)}{hour}."
        if any(c.verdict == ALIKE for c in against.values()):
            small += f" About the same: {ALIKE}."
    return {"heads": heads, "rows": _cleaned(found), "left": 1, "small": clean(small)}


def _condition_cells(row: ConditionRow) -> list[str]:
    return [
        str(row.nights),
        text(row.valid_hours, "h"),
        str(row.episodes),
        text(row.rate_per_hour, "1/h") if row.rate_per_hour is not None else EMPTY,
        f"{text(row.lowest, '1/h')}–{text(row.highest, '1/h')}" if row.nights > 1 else "one night",
    ]


def _ratio_cells(contrast: Contrast | None) -> list[str]:
    if contrast is None:
        return [EMPTY, EMPTY]
    found = contrast.ratio
    ratio = f"{found.ratio:.2f} ({found.low:.2f}–{found.high:.2f})" if found else EMPTY
    return [ratio, plain_verdict(contrast.verdict)]


def _figure(nights: Sequence[_Shown], rows: Sequence[ConditionRow], kept: Sequence[str]) -> Figure | None:
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


def _scoring(nights: Sequence[_Shown]) -> str:
    """Whether a person looked at the scoring, for all nights together, or why not where somebody did."""
    unused = [
        clean(f"{one.name}: {why}.")
        for one in nights
        if one.given.unused_review is None and (why := unused_review(one.given.night))
    ]
    return " ".join([_looked_at(nights), *unused])


def _looked_at(nights: Sequence[_Shown]) -> str:
    seen = [one for one in nights if one.night.review is not None]
    unused = [one for one in nights if one.given.unused_review is not None]
    if not seen and not unused:
        return _unseen([one.given for one in nights])
    if unused:
        return _unused(unused, alone=len(nights) == 1)
    if len(nights) == 1 and nights[0].night.review is not None:
        return f"{clean(nights[0].night.review.sentence)}."
    if len(seen) == len(nights):
        return "Every night was reviewed by a reader; the report of each says how far."
    were = "was" if len(seen) == 1 else "were"
    return (
        f"{len(seen)} of {len(nights)} nights {were} reviewed by a reader; the others are automatic, not "
        "reviewed."
    )


def _unused(nights: Sequence[_Shown], *, alone: bool) -> str:
    """Automatic scorings that are shown although there are reviews: who reviewed which night."""
    readers = {r for one in nights if one.given.unused_review for r in one.given.unused_review.readers}
    who = listed(sorted({initials(r) or "a reader" for r in readers}))
    why = "as it is of another rule set" if alone else "as not every night has one under these rules"
    if alone:
        return f"Automatic scoring. A review by {clean(who)} exists and is not used, {why}."
    names = clean(listed([one.name for one in nights]))
    were, those = ("was", "that review is") if len(nights) == 1 else ("were", "those reviews are")
    return (
        f"Automatic scoring of every night. {names} {were} reviewed by {clean(who)}; {those} not used, {why}."
    )


def _supersedes(nights: Sequence[_Shown]) -> list[str]:
    return [
        f"Report {one.report} supersedes {one.night.supersedes}: the same recording, scored again."
        for one in nights
        if one.night.supersedes
    ]


def _replaced(nights: Sequence[_Shown]) -> list[str]:
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


def _limits(nights: Sequence[_Shown]) -> list[str]:
    """Warnings of the nights, each once, with the nights that it is about."""
    found: dict[str, list[str]] = {}
    for one in nights:
        for note in one.night.notes:
            if note.severity == "warning" and note.code != "criterion-replaced":
                found.setdefault(_sentence(note.text, one.night), []).append(one.name)

    def where(who: list[str]) -> str:
        if len(nights) == 1:
            return ""
        if len(who) == len(nights):
            return " (every night)"
        more = [f"{len(who) - MOST_NAMED} more"] if len(who) > MOST_NAMED + 1 else []
        return f" ({clean(listed([*(who[:MOST_NAMED] if more else who), *more]))})"

    return [f"{words}{where(who)}." for words, who in found.items()]


def _in_full(said: NightsCompared, nights: Sequence[_Shown], missing: Sequence[str]) -> list[str]:
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
    parts = [*(f"{report_id(x.night)} {x.archive_sha256}" for x in letters), repr(fields)]
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()
    return "-".join(digest[i : i + 4] for i in (0, 4, 8))


def _digest(letters: Sequence[Letter]) -> str:
    if len(letters) == 1:
        return letters[0].archive_sha256
    joined = "\n".join(x.archive_sha256 for x in letters)
    return hashlib.sha256(joined.encode()).hexdigest()


def _rules(nights: Sequence[_Shown]) -> tuple[list[list[str]], str]:
    """Each rule set in words, and which they are in small print."""
    rules = {one.night.criterion.digest(): one.night.criterion for one in nights}
    small = "; ".join(f"{r.id}, SHA-256 {digest}" for digest, r in rules.items())
    return [rule_words(r) for r in rules.values()], f"sleepbrux {__version__}. {small}"


def _status(letters: Sequence[Letter]) -> str:
    """The line of every page about who has looked."""
    if any(x.night.review for x in letters):
        return "Reviewed as stated on page 1."
    return (
        "Automatic scoring; reviews as stated on page 1."
        if any(x.unused_review for x in letters)
        else _unseen(letters)
    )


def _unseen(letters: Sequence[Letter]) -> str:
    """Of nights without a reader's decisions: whether nobody decided, or these archives lack it."""
    lacking = any(note.code == REVIEW_LEFT_OUT.code for x in letters for note in x.night.notes)
    return sentences.REVIEW_ELSEWHERE if lacking else sentences.AUTOMATIC


def letter_answer(letters: Sequence[Letter], comparison: NightsCompared | None = None) -> list[str]:
    """The sentences with which a letter begins.

    Parameters
    ----------
    letters, comparison
        As for `content`.
    """
    nights = _shown(letters, dates=False)
    if len(nights) == 1:
        return [clean(s) for s in one_night(nights[0].night)]
    said = comparison or compared(letters)
    return [clean(s) for s in several_nights(_rows(nights, said.nights)[0], said)]


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
    nights, several = _shown(letters, dates=dates), len(letters) > 1
    said = (comparison or compared(letters)) if several else NightsCompared((), (nights[0].id,))
    rows, odd = _rows(nights, said.nights) if several else ([], [])
    rules, which = _rules(nights)
    return {
        **_who(letters, fields),
        "title": sentences.TITLE,
        "question": clean(fields.question),
        "answer": [clean(s) for s in (several_nights(rows, said) if several else one_night(nights[0].night))],
        "scoring": _scoring(nights),
        "status": _status(letters),
        "remarks": [*_replaced(nights), *_supersedes(nights)],
        "figure": _drawn(_figure(nights, rows, said.nights)),
        "table": _condition_table(nights, rows, said) if several else _index_table(nights[0].night),
        "rules": rules,
        "which_rules": which,
        "recorded": _recorded(nights, fields, said, dates=dates),
        "surroundings": [clean(s) for s in signals([one.night for one in nights])],
        "around": _cleaned(around_rows([one.night for one in nights])),
        "limits": [*_limits_of(said, odd), *_limits(nights)],
        "cannot": list(sentences.CANNOT_TELL),
        "cautions": [list(c) for c in sentences.CAUTIONS],
        "cautions_head": sentences.CAUTIONS_HEAD,
        "in_full": _in_full(said, nights, missing) if several else [],
        "nights": _night_table(nights, dates=dates) if several and every_night else None,
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
    return {"svg": figure.svg, "alt": figure.alt, "caption": figure.caption} if figure else None


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
