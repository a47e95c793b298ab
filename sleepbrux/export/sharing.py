"""A night as it may be handed on: nobody is named and no date is given.

What stays of other people's words is what the study file writes to be shown: pseudonym, id of the night and
condition, without dates; and the id of the rule set. Everything else is replaced by what says the same
of the signal: file names by the pseudonym and the night, labels by terms of the trade, texts of marks by the
words for their kind, readers and body positions by numbers, texts of a rule file of one's own by a sentence.
Sentences keep their numbers; what they quote from a file is left out of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import msgspec

from sleepbrux.core.errors import Note
from sleepbrux.core.files import safe_stem
from sleepbrux.core.provenance import Review
from sleepbrux.criteria import Criterion, criterion_ids, load_criterion
from sleepbrux.recording.allowed_words import (
    neutral_labels,
    neutral_mark,
    neutral_prefilter,
    neutral_unit,
    vouched,
)
from sleepbrux.recording.formats.edf_header import FILE_FIELDS, SIGNAL_FIELDS
from sleepbrux.recording.identity_search import Search, dates_of, words_of
from sleepbrux.recording.model import Channel, Mark
from sleepbrux.reference import NATURAL, NOT_STATED, Reference
from sleepbrux.scoring.context.counts import slug
from sleepbrux.scoring.events import AVERAGE_LABEL
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import AlternativeReading, Night
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.surroundings.marks import breathing_events
from sleepbrux.signal.surroundings.model import Surroundings

HIDDEN = "…"
NO_DATE = "[date]"
POSITIONS = ("supine", "prone", "left side", "right side", "upright")
OTHER_APPLIANCE = "an appliance"
GIVEN = "value given by the user"
BREATHING = "respiratory event"
OWN_TITLE = "A rule set of the user's own"
OWN_TEXT = "what the user's rule file says here is not passed on"
_QUOTED = re.compile(r"(?<!\w)(['\"])(.*?)\1(?!\w)")
_DATE = re.compile(
    r"(?<![\w.])(?:\d{1,2}[-./]\d{1,2}[-./](?:\d{4}|\d\d)|\d{4}[-./]\d{1,2}[-./]\d{1,2}|"
    r"\d{1,2}[-. ]*[A-Za-zäéû]{3,9}[-., ]+(?:19|20)\d\d|[A-Za-zäéû]{3,9} \d{1,2}, (?:19|20)\d\d|"
    r"(?:19|20)\d\d(?:0\d|1[0-2])(?:[0-2]\d|3[01]))(?!\w|\.\d)"
)
_CLENCHES = re.compile(r"clenches (?:found by the program, accepted by|marked in this recording).*")
_FIELDS = frozenset(name for name, _ in (*FILE_FIELDS, *SIGNAL_FIELDS))
_FILE_NAME = re.compile(
    r"[^\s'\"]+\.(?:edf|bdf|rec|csv|tsv|txt|wav|h5|hdf5|mat|vhdr|vmrk|eeg|fif|toml|jsonl?)\b",
    re.IGNORECASE,
)
# Notes whose whole text is somebody else's.
_WHOLLY_FOREIGN = {"mne": "while opening, the reader said something about the file"}


@dataclass(frozen=True)
class Shown:
    """What is given that may identify somebody.

    Attributes
    ----------
    names
        File names, labels, texts of marks and names of readers, as they are written.
    dates
        Dates of the night, of the clench and of the review.
    """

    names: bool = False
    dates: bool = False


NOTHING_SHOWN = Shown()


def without_dates(text: str) -> str:
    """A text with every date in it left out.

    Examples
    --------
    >>> without_dates("splint since 2 May 2026"), without_dates("night 2"), without_dates("2026-03-02")
    ('splint since [date]', 'night 2', '[date]')
    """
    return _DATE.sub(NO_DATE, text)


def about_of(night: Night, shown: Shown = NOTHING_SHOWN) -> tuple[tuple[str, str], ...]:
    """What the study says of the night, without dates."""
    if shown.dates:
        return night.about
    return tuple((name, without_dates(text)) for name, text in night.about)


def words_left(night: Night) -> tuple[tuple[str, str], ...]:
    """What of the user's own words a shared night shows: what the study says, and the id of an own rule set."""
    own = () if night.criterion.id in criterion_ids() else (("rule set", night.criterion.id),)
    return (*((name, text) for name, text in about_of(night) if not name.endswith("_sha256")), *own)


def name_of(night: Night) -> str:
    """What the night is called where its file may not be: by its study, else by its recording's SHA-256.

    Examples
    --------
    ``"P-01_night-1"``, ``"night_1a2b3c4d"``.
    """
    about = dict(about_of(night))
    said = [about[key] for key in ("person", "night") if about.get(key)]
    return safe_stem("_".join(said)) if said else f"night_{night.swept.digest[:8]}"


class _Words:
    """Replaces what others wrote: labels, file names, words of names."""

    def __init__(self, night: Night, aliases: Iterable[str], shown: Shown) -> None:
        swept, surroundings = night.swept, night.swept.surroundings
        told = [
            surroundings.heart,
            surroundings.wake_probability,
            surroundings.wake_estimate,
            surroundings.sound,
            *surroundings.activity_channels,
        ]
        labels = [
            *(f.channel.label for f in swept.frames),
            *(each.label for each in told if each is not None),
            *(level.label for reference in _references(night) for level in reference.levels),
        ]
        labels = [label for label in labels if label and label != AVERAGE_LABEL]
        self.shown = shown
        same = {label: label for label in (*labels, AVERAGE_LABEL, "")}
        self.label = same if shown.names else {**same, **neutral_labels(labels)}
        own = {word for _, text in night.about for word in words_of(text)}
        files = [swept.name, *aliases, *(name for name, _ in surroundings.files)]
        files = [name for name in files if words_of(name) or dates_of(name)]
        foreign = [
            *files,
            *(label for label in labels if not vouched(label)),
            *(night.review.readers if night.review else ()),
            *(r.origin.partition(", ")[0] for r in _references(night) if r.source == "other recording"),
        ]
        self._measure_names = {
            f"episodes_position_{slug(p)}_per_hour": f"episodes_position_{slug(self.position(p, k))}_per_hour"
            for names in _position_words(night)
            for k, p in enumerate(names)
        }
        self._names = Search(frozenset(w for t in foreign for w in words_of(t)) - own)
        teeth = [r.teeth for r in _references(night) if r.teeth not in (NATURAL, NOT_STATED, *own)]
        whole = {text: self.label.get(text, HIDDEN) for text in (*files, *labels, *teeth)}
        whole |= {p: self.position(p, k) for names in _position_words(night) for k, p in enumerate(names)}
        whole = {k: v for k, v in whole.items() if k not in ("", dict(night.about).get("condition", ""))}
        self._whole = [
            (re.compile(rf"(?<!\w){re.escape(text)}(?:\.\w{{1,8}})*(?!\w)"), new)
            for text, new in sorted(whole.items(), key=lambda pair: len(pair[0]), reverse=True)
            if new != text
        ]

    def text(self, text: str) -> str:
        """A sentence without what it quotes, names or dates."""
        if not self.shown.names:
            for pattern, new in self._whole:
                text = pattern.sub(new.replace("\\", r"\\"), text)
            text = _QUOTED.sub(self._quoted, text)
            text = _FILE_NAME.sub(HIDDEN, text)
            if self._names.in_text(text):
                text = re.sub(r"[^\W\d_]+[?\w]*", self._word, text)
        return text if self.shown.dates else without_dates(text)

    def _quoted(self, found: re.Match[str]) -> str:
        known = found[2] in self.label.values() or found[2] in _FIELDS or vouched(found[2])
        return found[0] if known else f"{found[1]}{HIDDEN}{found[1]}"

    def _word(self, found: re.Match[str]) -> str:
        return HIDDEN if self._names.in_text(found[0]) else found[0]

    def notes(self, notes: Iterable[Note]) -> tuple[Note, ...]:
        """Notes with their codes, and sentences that quote nobody."""
        return tuple(
            replace(n, text=n.text if self.shown.names and self.shown.dates else self._note(n)) for n in notes
        )

    def _note(self, note: Note) -> str:
        return (
            _WHOLLY_FOREIGN[note.code]
            if (note.code in _WHOLLY_FOREIGN and not self.shown.names)
            else self.text(note.text)
        )

    def teeth(self, text: str, condition: str) -> str:
        """What was between the teeth, where the study or the program has a word for it."""
        known = (NATURAL, NOT_STATED, condition)
        return text if self.shown.names or text in known else OTHER_APPLIANCE

    def position(self, text: str, k: int) -> str:
        """A word for a position that everybody uses."""
        known = self.shown.names or text in POSITIONS or re.fullmatch(r"code -?\d{1,4}", text)
        return text if known else f"position {k + 1}"

    def measure(self, name: str) -> str:
        """The name of a measure, without a word for a position that is the user's own."""
        return self._measure_names.get(name, name)

    def criterion(self, rule: Criterion) -> Criterion:
        """The rule set; of one of the user's own no text that is not that of its parent in the package."""
        return rule if self.shown.names else _impersonal(rule)


def _position_words(night: Night) -> list[tuple[str, ...]]:
    position = night.swept.surroundings.position
    return [night.labels.positions, position.names if position else ()]


def _impersonal(rule: Criterion) -> Criterion:
    """The rule set without texts that are in none of the package."""
    ours = [load_criterion(name) for name in criterion_ids()]
    known = {text for each in ours for text in (each.title, each.summary, *each.departures)}
    known |= {note.source for each in ours for note in each.sources.values()}
    known |= {text for each in ours for c in each.cut_offs for text in (c.source, c.measure, c.made_for)}
    known |= {f"changed from {each.id}" for each in ours}

    def said(text: str, instead: str = OWN_TEXT) -> str:
        return text if text in known else instead

    return msgspec.structs.replace(
        rule,
        parent=rule.parent if rule.parent in criterion_ids() else "",
        title=said(rule.title, OWN_TITLE),
        summary=said(rule.summary),
        departures=tuple(map(said, rule.departures)),
        sources={p: msgspec.structs.replace(n, source=said(n.source)) for p, n in rule.sources.items()},
        cut_offs=tuple(
            msgspec.structs.replace(
                c, source=said(c.source), measure=said(c.measure), made_for=said(c.made_for)
            )
            for c in rule.cut_offs
        ),
    )


def _references(night: Night) -> list[Reference]:
    found = [night.reference, *(other.reference for other in night.alternative_readings)]
    return [reference for reference in found if reference is not None]


def to_share(night: Night, shown: Shown = NOTHING_SHOWN, *, aliases: Iterable[str] = ()) -> Night:
    """The night as it may be handed on.

    Parameters
    ----------
    aliases
        Other names of the night's files, which sentences may hold.
    """
    words = _Words(night, aliases, shown)
    condition = dict(night.about).get("condition", "")
    swept = night.swept
    quality = tuple(_quality(q, words) for q in night.quality)
    return replace(
        night,
        criterion=words.criterion(night.criterion),
        swept=replace(
            swept,
            name=swept.name if shown.names else name_of(night),
            start=swept.start if shown.dates else None,
            marks=_marks(swept.marks, words),
            notes=words.notes(swept.notes),
            frames=tuple(replace(f, channel=_channel(f.channel, words)) for f in swept.frames),
            quality=quality,
            surroundings=_surroundings(swept.surroundings, words),
        ),
        quality=quality,
        reference=_reference(night.reference, words, condition),
        window=replace(
            night.window,
            basis=words.text(night.window.basis),
            notes=words.notes(night.window.notes),
        ),
        background_uv={words.label[k]: v for k, v in night.background_uv.items()},
        threshold_uv={words.label[k]: v for k, v in night.threshold_uv.items()},
        bursts=tuple(replace(b, label=words.label[b.label]) for b in night.bursts),
        merged=replace(night.merged, labels=tuple(words.label[v] for v in night.merged.labels)),
        selection=replace(night.selection, basis=words.text(night.selection.basis)),
        labels=replace(
            night.labels,
            positions=tuple(words.position(p, k) for k, p in enumerate(night.labels.positions)),
        ),
        measures=_measures(night.measures, words),
        notes=words.notes(night.notes),
        about=about_of(night, shown),
        review=_review(night.review, shown),
        alternative_readings=tuple(
            AlternativeReading(
                _known(_reference(b.reference, words, condition)), _measures(b.measures, words)
            )
            for b in night.alternative_readings
        ),
    )


def _known(reference: Reference | None) -> Reference:
    assert reference is not None  # noqa: S101
    return reference


def _channel(channel: Channel, words: _Words) -> Channel:
    if words.shown.names:
        return channel
    unit = neutral_unit(channel.unit.encode("utf-8", "replace")) or "a.u."
    return replace(
        channel,
        label=words.label[channel.label],
        unit=unit,
        prefilter=neutral_prefilter(channel.prefilter),
        fault=words.text(channel.fault),
    )


def _marks(marks: Iterable[Mark], words: _Words) -> tuple[Mark, ...]:
    """Marks of a kind, each with the word for it."""
    if words.shown.names:
        return tuple(marks)
    found = []
    for mark in marks:
        text = neutral_mark(mark.text) or (BREATHING if len(breathing_events([mark])) else "")
        if text:
            found.append(replace(mark, text=text, channel=words.label.get(mark.channel, "")))
    return tuple(found)


def _quality(quality: Quality, words: _Words) -> Quality:
    return replace(quality, notes=words.notes(quality.notes))


def _surroundings(surroundings: Surroundings, words: _Words) -> Surroundings:
    if words.shown.names:
        return replace(surroundings, notes=words.notes(surroundings.notes))
    position, stages, sound = surroundings.position, surroundings.stages, surroundings.sound
    return replace(
        surroundings,
        heart=surroundings.heart and replace(surroundings.heart, label=words.label[surroundings.heart.label]),
        wake_probability=surroundings.wake_probability
        and replace(surroundings.wake_probability, label=words.label[surroundings.wake_probability.label]),
        wake_estimate=surroundings.wake_estimate
        and replace(surroundings.wake_estimate, label=words.label[surroundings.wake_estimate.label]),
        sound=sound and replace(sound, label=words.label[sound.label]),
        activity_channels=tuple(
            replace(r, label=words.label[r.label]) for r in surroundings.activity_channels
        ),
        position=position
        and replace(
            position,
            names=tuple(words.position(p, k) for k, p in enumerate(position.names)),
            origin=words.text(position.origin),
        ),
        stages=stages and replace(stages, origin=words.text(stages.origin)),
        files=tuple((f"file {k}", digest) for k, (_, digest) in enumerate(surroundings.files, start=1)),
        notes=words.notes(surroundings.notes),
    )


def _reference(reference: Reference | None, words: _Words, condition: str) -> Reference | None:
    if reference is None:
        return None
    return replace(
        reference,
        levels=tuple(replace(v, label=words.label[v.label]) for v in reference.levels),
        statistic=words.text(reference.statistic),
        origin=words.text(reference.origin if words.shown.names else _origin(reference)),
        teeth=words.teeth(reference.teeth, condition),
        notes=words.notes(reference.notes),
        date=reference.date if words.shown.dates else None,
    )


def _origin(reference: Reference) -> str:
    """Where a clench was made and on whose word, without file, id and name."""
    told = _CLENCHES.search(reference.origin)
    said = re.sub(r"accepted by (?!nobody$).*", "accepted by a person", told[0]) if told else ""
    stated = " of the study file" in reference.origin
    place = "reference of the study file" if stated else "another recording"
    if reference.source == "other recording" or (stated and not said):
        return f"{place}, {said}" if said else place
    return said or (GIVEN if reference.origin == GIVEN else reference.source)


def _measures(measures: dict[str, Measure], words: _Words) -> dict[str, Measure]:
    return {
        words.measure(name): replace(
            m,
            basis=words.text(m.basis),
            reason=words.text(m.reason),
            intervals=tuple(
                replace(i, name=words.text(i.name), meaning=words.text(i.meaning)) for i in m.intervals
            ),
        )
        for name, m in measures.items()
    }


def _review(review: Review | None, shown: Shown) -> Review | None:
    if review is None:
        return None
    if not shown.names:
        readers = tuple(f"{k}" for k in range(1, len(review.readers) + 1))
        review = replace(review, readers=readers)
    return review if shown.dates else replace(review, first="", last="")
