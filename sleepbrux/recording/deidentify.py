"""A recording without what names a person or a device, written beside the original and searched on the way.

EDF, EDF+, BDF and BDF+ are copied record by record; samples keep their bits. Every field of the header is
written anew from what was read: numbers as numbers, units as known units, labels as terms of the trade.
Dates are shifted by a number of days that is the same for every night of one person, and annotation texts
become the word for their kind or go. Each part is searched for the old names, numbers and dates before it
is written; where one is found nothing is left behind and the call is refused.

The shift follows from a key and the pseudonym (HMAC-SHA256): whoever has the key can undo it, nobody
else; nights of one person keep their order, their distances and their time of day. The wave of a
signal may still identify a person to whoever holds another recording of theirs; this is not anonymity.
"""

from __future__ import annotations

import difflib
import hashlib
import hmac
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.core.files import replacing
from sleepbrux.recording.few_values import FewValues, may_be_codes, numbers_of, whole_numbers
from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.formats.edf_annotations import LONGEST_NIGHT_S, Annotations, read_annotations
from sleepbrux.recording.formats.edf_header import (
    FILE_FIELDS,
    HEADER_BYTES,
    SIGNAL_FIELDS,
    Header,
    Signal,
    clean,
    kind_of,
    number_text,
    read_header,
    read_number,
)
from sleepbrux.recording.formats.edf_start import ANONYMISED, MONTHS, Start, read_start
from sleepbrux.recording.labels import ELECTRICAL, recognise
from sleepbrux.recording.neutral import (
    is_term,
    neutral_labels,
    neutral_mark,
    neutral_prefilter,
    neutral_unit,
    vouched,
)
from sleepbrux.recording.searching import Search, codes_of, dates_of, folded, words_of

LONGEST_SHIFT_DAYS = 3650
LEAST_KEY_BYTES = 16
KEPT_KINDS = ("lights_off", "lights_on", "clench", "rest", "sync", "stage")
LABEL_CHARACTERS = 16
LIKE = 0.8  # likeness of a pseudonym to a name (0 to 1) from which it is refused; our choice
MARK_PLACES, STAMP_PLACES = 3, 4  # decimals of a mark's seconds, and of a record's own time
OUTSIDE_S = 3600  # marks may lie so far outside the recording
NOT_PROMISED = (
    "not searched: nicknames, initials, names of two letters, misspellings, names in another script, names"
    " that are terms of the trade (Chin, Light), numbers of three signs, what was encoded (base64, cipher),"
    " and among samples words of fewer than eight letters",
    "not seen: numbers that are possible times, durations or ranges; what is hidden in a signal of many"
    " values, in a channel of two values or of heart rate or oximetry, or in up to eight positions",
    "the wave of a signal can still identify a person to whoever has another recording of it",
)
_BATCH_BYTES = 1 << 22
_TAL = re.compile(
    rb"([+-]\d{1,15}(?:\.\d{0,15})?)(?:\x15(\d{1,15}(?:\.\d{0,15})?)?)?\x14((?:[^\x14\0]*\x14)*)\0"
)
_STAMP = re.compile(rb"[+-][\d.]+(?:\x15[\d.]*)?")
_CODE = re.compile(r"(?=.*\d)(?:[A-Za-z]{0,3}[-_]?\d{1,5})")
_TEXT_ENDS = re.compile(rb"[\0\x14\x15]")
_LETTERS = frozenset(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
_IS_LETTER = np.isin(np.arange(256), list(_LETTERS))
_IS_TEXT = np.isin(np.arange(256), [*_LETTERS, *b" .,:;-'()0123456789"])
# Limits of what is taken for text; our choice. Of random bytes 32 in a row are text once in 10^18.
_HALF_RUN = 16
_LEAST_LETTERS, _LEAST_DIFFERENT, _LEAST_SHARE, _LEAST_STEP = 6, 3, 0.7, 4
_ENOUGH = 10_000


@dataclass(frozen=True)
class Report:
    """What was done, for the user; without any of the old values.

    Attributes
    ----------
    shift_days
        Days by which dates were moved; None where there was no date.
    texts_kept, texts_dropped
        Annotation texts.
    searched
        Old names, numbers and dates that the copy was searched for.
    labels_replaced
        Labels that hold other words than terms of the trade.
    fields_emptied
        Units and numbers of the header that were none.
    channels_left_out
        Channels that were to be left out.
    """

    shift_days: int | None
    texts_kept: int
    texts_dropped: int
    trailing_bytes: int
    searched: int
    labels_replaced: int = 0
    fields_emptied: int = 0
    channels_left_out: int = 0


def shift_of(key: bytes, pseudonym: str) -> int:
    """Days by which the dates of one person move back: 1 to 3650, the same for every night.

    >>> shift_of(b"sixteen bytes...", "P01") == shift_of(b"sixteen bytes...", "P01")
    True
    """
    if len(key) < LEAST_KEY_BYTES:
        raise UsageError(f"the key has {len(key)} bytes; {LEAST_KEY_BYTES} or more are needed")
    digest = hmac.new(key, pseudonym.encode("utf-8"), hashlib.sha256).digest()
    return 1 + int.from_bytes(digest[:8], "big") % LONGEST_SHIFT_DAYS


def _moved(day: date | None, days: int | None) -> date | None:
    """The shifted date; unknown stays unknown, as does what would fall outside the format."""
    if day is None or day == ANONYMISED or days is None:
        return None
    moved = day - timedelta(days=days)
    return moved if moved.year >= 1985 else None


def _cell(text: str, width: int) -> bytes:
    return text.encode("ascii", errors="replace")[:width].ljust(width)


def _number_cell(raw: bytes) -> str:
    """A number anew, in its shortest exact form of eight characters; empty where it is none."""
    text = number_text(raw)
    number = read_number(text)
    if number is None:
        return ""
    for written in (f"{float(number.value):.{digits}g}" for digits in range(1, 9)):
        plain = re.sub(r"e([+-])0?", lambda sign: "e" + sign[1].strip("+"), written)
        if len(plain) <= 8 and Fraction(plain) == number.value:
            return plain
    return text.replace(",", ".")  # digits only, and too many to be written shorter


@dataclass(frozen=True)
class Anew:
    """The header of a copy.

    Attributes
    ----------
    head
        Its bytes.
    signals
        Signals that stay.
    moved
        The date that it bears; None where it bears none.
    full_date
        That date as the recording field has it.
    labels_replaced, fields_emptied
        As in `Report`.
    """

    head: bytes
    signals: tuple[Signal, ...]
    moved: date | None
    full_date: str
    labels_replaced: int
    fields_emptied: int


def _clock_cell(start: Start, raw: bytes) -> str:
    """The time of day that the header states, which the first sample may follow by part of a second."""
    if start.clock is None:
        return "00.00.00"
    numbers = [int(n) for n in re.findall(r"\d+", number_text(raw))[:3]]
    hour, minute, second = (*numbers, 0, 0, 0)[:3]
    return f"{hour % 24:02d}.{minute:02d}.{second:02d}"


def labels_anew(header: Header, known: dict[str, str] | None = None) -> list[str]:
    """Label of each signal in a copy: see `neutral_labels`; ``known`` gives those that are settled.

    Labels that are there twice stay so where they are vouched for: whoever reads numbers them.
    """
    raw = [clean(s.fields["label"]) for s in header.signals]
    free = [f"{text}\0{k}" if not vouched(text) else text for k, text in enumerate(raw)]
    settled = dict(known or {})
    names = {text: settled[text] for text in raw if text in settled}
    names |= {each: settled[text] for each, text in zip(free, raw, strict=True) if text in settled}
    found = neutral_labels([each for each in free if each not in names], names)
    return [found[each] for each in free]


def new_header(
    header: Header,
    pseudonym: str,
    days: int | None,
    found: Findings,
    *,
    keep_labels: bool = False,
    without: Sequence[int] = (),
    known: dict[str, str] | None = None,
) -> Anew:
    """The header anew: identity, dates, device and free text replaced, numbers and units as they were read.

    Parameters
    ----------
    days
        Shift of the date; None: no date is given.
    without
        Positions of signals to leave out.
    known
        Labels that are settled, by the label as it is.
    """
    old = read_start(header.fields, Fraction(0), found)
    moved = _moved(old.moment.date() if old.moment else None, days)
    signals = tuple(s for s in header.signals if s.position not in without)
    plus = f"{header.kind}+{header.plus}" if header.plus else ""
    name = re.sub(r"[^\x21-\x7e]", "_", pseudonym)
    if moved is None:
        start, full = "01.01.85", "X"
    else:
        start, full = f"{moved:%d.%m.%y}", f"{moved.day:02d}-{MONTHS[moved.month - 1]}-{moved.year}"
    written = {
        "patient": f"{name} X X X" if header.plus else name,
        "recording": f"Startdate {full} X X X",
        "start date": start,
        "start time": _clock_cell(old, header.fields["start time"]),
        "header bytes": str(HEADER_BYTES * (len(signals) + 1)),
        "reserved": plus or ("24BIT" if header.kind == "BDF" else ""),
        "number of records": str(header.n_records),
        "record duration": _number_cell(header.fields["record duration"]) or "0",
        "number of signals": str(len(signals)),
    }
    version = b"\xffBIOSEMI" if header.kind == "BDF" else b"0".ljust(8)
    parts = [version, *(_cell(written[name], width) for name, width in FILE_FIELDS[1:])]
    raw = [clean(s.fields["label"]) for s in header.signals]
    labels = raw if keep_labels else labels_anew(header, known)
    rows = [_signal_cells(s, labels[s.position], header.sample_bytes) for s in signals]
    for field, width in SIGNAL_FIELDS:
        parts += [_cell(row[field], width) for row in rows]
    emptied = sum(
        bool(s.fields[field].strip(b" \0")) and not row[field]
        for s, row in zip(signals, rows, strict=True)
        for field in ("dimension", *_NUMBERS)
        if not s.is_annotations
    )
    replaced = sum(
        labels[s.position][:LABEL_CHARACTERS] != raw[s.position] and not s.is_annotations for s in signals
    )
    return Anew(b"".join(parts), signals, moved, full, replaced, emptied)


_NUMBERS = ("physical minimum", "physical maximum", "digital minimum", "digital maximum")


def _signal_cells(signal: Signal, label: str, sample_bytes: int) -> dict[str, str]:
    """The fields of one signal, from what they mean."""
    limit = 2 ** (8 * sample_bytes - 1)
    cells = {"transducer": "", "reserved": "", "samples per record": str(signal.samples_per_record)}
    if signal.is_annotations:
        ends = (-1, 1, -limit, limit - 1)
        kind = "EDF" if sample_bytes == 2 else "BDF"
        cells |= {"label": f"{kind} Annotations", "dimension": "", "prefilter": ""}
        return cells | {name: str(value) for name, value in zip(_NUMBERS, ends, strict=True)}
    fields = signal.fields
    cells |= {
        "label": label,
        "dimension": neutral_unit(fields["dimension"]),
        "prefilter": neutral_prefilter(clean(fields["prefilter"])),
    }
    return cells | {name: _number_cell(fields[name]) for name in _NUMBERS}


def _allowed(text: str, allow: Sequence[str]) -> bool:
    plain = text.strip().casefold()
    return any(plain == word.strip().casefold() for word in allow)


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def kept_text(raw: bytes, allow: Sequence[str]) -> bytes | None:
    """What of an annotation text stays: a word for its kind, an allowed text, or nothing (None)."""
    text = _decoded(raw)
    if _allowed(text, allow):
        return text.encode("utf-8")
    return neutral_mark(text).encode("utf-8") or None


def _span(header: Header, annotations: Annotations) -> tuple[Fraction, Fraction]:
    """Time of the first sample and of the last, in seconds from the header's start."""
    onsets = annotations.onsets[np.abs(annotations.onsets) <= LONGEST_NIGHT_S]
    first, last = (float(onsets.min()), float(onsets.max())) if len(onsets) else (0.0, 0.0)
    length = header.n_records * header.record_duration
    return Fraction(first), max(Fraction(last) + header.record_duration, Fraction(first) + length)


def _seconds(value: Fraction, places: int, sign: bytes = b"") -> bytes:
    """A time in seconds, to so many decimals."""
    text = f"{float(round(abs(value), places)):.{places}f}".rstrip("0").rstrip(".")
    return sign + text.encode("ascii")


class _Texts:
    """Rewrites annotation bytes and counts.

    Times keep what a signal can mean and lie in or near the recording; a mark elsewhere goes.
    """

    def __init__(self, allow: Sequence[str], span: tuple[Fraction, Fraction]) -> None:
        self.allow = tuple(allow)
        self.span = span
        self.kept = 0
        self.n_dropped = 0

    def rewritten(self, raw: bytes) -> bytes:
        """The lists of one record with the texts that stay; never longer than before."""
        lists = []
        for parts in _TAL.finditer(raw):
            onset, texts = Fraction(parts[1].decode("ascii")), parts[3].split(b"\x14")[:-1]
            time_keeping = bool(texts) and not texts[0] and abs(onset) <= LONGEST_NIGHT_S
            near = self.span[0] - OUTSIDE_S <= onset <= self.span[1] + OUTSIDE_S
            kept = [new for text in texts if text and (new := self._kept(text if near else b"")) is not None]
            if kept or time_keeping:
                places = STAMP_PLACES if time_keeping else MARK_PLACES
                stamp = _seconds(onset, places, parts[1][:1]) + self._duration(parts[2])
                body = b"".join(text + b"\x14" for text in ([b""] if time_keeping else []) + kept)
                lists.append(stamp + b"\x14" + body + b"\0")
        size = 0
        whole = []
        for each in lists:
            if size + len(each) <= len(raw):
                whole.append(each)
                size += len(each)
        return b"".join(whole).ljust(len(raw), b"\0")

    def _duration(self, stated: bytes | None) -> bytes:
        """A duration no longer than what marks may lie in."""
        if not stated:
            return b""
        duration = min(Fraction(stated.decode("ascii")), self.span[1] - self.span[0] + 2 * OUTSIDE_S)
        return b"\x15" + _seconds(duration, MARK_PLACES)

    def _kept(self, text: bytes) -> bytes | None:
        new = kept_text(text, self.allow)
        if new is None:
            self.n_dropped += 1
        else:
            self.kept += 1
        return new


def search_of(
    header: Header,
    stem: str,
    dropped: Iterable[str] = (),
    *,
    allow: Sequence[str] = (),
    kept: Iterable[str] = (),
) -> Search:
    """What the copy of a file is searched for: names, numbers and dates of its header and its name.

    And labels but for those that are ``kept``, and the annotation texts that were dropped, with their words
    but for those of allowed ones.
    """
    kept = set(kept)
    texts = [clean(header.fields["patient"]), clean(header.fields["recording"]), stem]
    for signal in header.signals:
        texts += [clean(signal.fields[f]) for f in ("transducer", "reserved", "prefilter")]
        label = clean(signal.fields["label"])
        if not vouched(label) and label not in kept:
            texts.append(label)
    moment = read_start(header.fields, Fraction(0), Findings(Path())).moment
    start = {moment.date()} if moment else set()
    telling = [text for text in dropped if words_of(text)]
    search = Search.of(texts, start, telling)
    said = {w for text in telling for w in words_of(text)}
    said -= {w for text in allow for w in words_of(text)}
    return replace(
        search,
        words=search.words | said,
        dates=search.dates - {ANONYMISED},
        codes=_codes(header),
        births=frozenset(dates_of(clean(header.fields["patient"]))),
    )


def _codes(header: Header) -> frozenset[str]:
    """Numbers in the fields for patient and recording."""
    return frozenset(codes_of(clean(header.fields["patient"])) | codes_of(clean(header.fields["recording"])))


def _dropped(annotations: Annotations, allow: Sequence[str]) -> set[str]:
    """Annotation texts that do not stay as they are."""
    texts = {mark.text for mark in annotations.marks}
    return {t for t in texts if kept_text(t.encode("utf-8"), allow) != t.encode("utf-8")}


def refuse_like(pseudonym: str, header: Header, stem: str) -> None:
    """Refuse a pseudonym that says who somebody is.

    Raises
    ------
    UsageError
        It holds, or is like, a word or date of the header or of the file's name. A code such as ``P017``
        may stand in the name of the file.
    """
    who = words_of(f"{clean(header.fields['patient'])} {clean(header.fields['recording'])}")
    named = [w for w in words_of(stem) if w not in who]
    own = [w for w in re.findall(r"[^\W\d_]{3,}|\d{4,}", folded(pseudonym)) if not is_term(w)]
    for word in (*who, *(w for w in named if not _CODE.fullmatch(w))):
        plain = folded(word)
        alike = [
            mine
            for mine in own
            if mine in plain or plain in mine or difflib.SequenceMatcher(None, mine, plain).ratio() >= LIKE
        ]
        if alike or (len(plain) >= 3 and plain in folded(pseudonym)):
            raise UsageError(
                "`pseudonym` holds a word of the header or of the file's name, or one that is like it; choose"
                " one that says nothing of the person, such as P017"
            )
    days = dates_of(clean(header.fields["patient"])) | dates_of(clean(header.fields["recording"]))
    if Search(dates=frozenset(days | dates_of(stem)), codes=_codes(header)).in_text(pseudonym):
        raise UsageError(
            "`pseudonym` holds a date or number of the header or of the file's name; choose another"
        )


def _places(signals: Sequence[Signal], size: int) -> list[tuple[int, int]]:
    """Byte ranges of signals in a record."""
    return [
        (s.first_sample * size, (s.first_sample + s.samples_per_record) * size)
        for s in signals
        if s.samples_per_record
    ]


def _unsigned(raw: bytes, width: int) -> NDArray[np.uint8]:
    return np.frombuffer(raw, dtype=np.uint8).reshape(-1, width)


def _reads_as_text(raw: bytes, width: int) -> bool:
    """Whether samples of a channel of no known kind are letters, packed or one to a sample.

    What changes slowly at one byte of each sample, as the upper half of a signal or a count does, is none.
    """
    columns = _unsigned(raw, width)
    used = columns[(columns != 0) & (columns != 0xFF) & (columns != ord(" "))]
    if _IS_LETTER[used].sum() < _LEAST_LETTERS or _IS_TEXT[used].mean() < _LEAST_SHARE:
        return False
    letters = [column[_IS_LETTER[column]] for column in columns.T]
    varied = [v for v in letters if len(set(v[:_ENOUGH].tolist())) >= _LEAST_DIFFERENT]
    if len(varied) > 1:
        return True
    return any(np.median(np.abs(np.diff(v.astype(int)))) >= _LEAST_STEP for v in varied)


def _holds_long_text(raw: bytes) -> bool:
    """Whether any samples hold a text so long that no signal spells it by chance."""
    is_text = _IS_TEXT[np.frombuffer(raw, dtype=np.uint8)]
    whole = len(is_text) // _HALF_RUN * _HALF_RUN
    if not is_text[:whole].reshape(-1, _HALF_RUN).all(axis=1).any():
        return False
    ends = np.flatnonzero(np.diff(np.concatenate(([False], is_text, [False])).astype(np.int8)))
    for a, b in ends.reshape(-1, 2).tolist():
        if b - a >= 2 * _HALF_RUN:
            halves = (set(raw[a:b:2]) & _LETTERS, set(raw[a + 1 : b : 2]) & _LETTERS)
            if min(map(len, halves)) > _LEAST_DIFFERENT:
                return True
    return False


def _exactly(source: FileIO, n: int) -> bytes:
    parts = []
    while n:
        piece = source.read(n)
        if not piece:
            raise RecordingError("the file has become shorter while it was read; try again")
        parts.append(piece)
        n -= len(piece)
    return b"".join(parts)


class _Copy:
    """The records of a copy, searched a few MB at a time before they are handed on."""

    def __init__(
        self, header: Header, anew: Anew, texts: _Texts, search: Search, vouch: Sequence[str]
    ) -> None:
        self.head = anew.head
        self._header, self._texts, self._search = header, texts, search
        size = header.sample_bytes
        self._said = _places([s for s in anew.signals if s.is_annotations], size)
        self._whole = len(anew.signals) == len(header.signals)
        self._places = _places(anew.signals, size)
        self._signals = [
            (s, *place) for s in anew.signals if not s.is_annotations for place in _places([s], size)
        ]
        self._vouched = {label.casefold() for label in vouch}
        self._seen: set[bytes] = set()
        self._tails: dict[int, bytes] = {}
        dated = anew.head[:168].replace(anew.full_date.encode("ascii"), b"")
        self.found: set[str] = set(search.in_field(dated)) | {
            name
            for s in anew.signals
            for name in search.in_field(_label_of(anew.head, len(anew.signals), anew.signals.index(s)))
        }
        self.texts_in: list[str] = []
        self.numbers_in: list[str] = []

    def look_ahead(self, source: FileIO) -> None:
        """Look at header numbers, and at channels of few values, all of them before the first is copied."""
        of = [s for s, _, _ in self._signals if clean(s.fields["label"]).casefold() not in self._vouched]
        values = _values(source, self._header, of)
        for signal, seen in zip(of, values, strict=True):
            label, role = clean(signal.fields["label"]), recognise(clean(signal.fields["label"]))[0]
            cells = [_number_cell(signal.fields[name]) for name in _NUMBERS]
            told = numbers_of(seen, *_scale(cells)) if role not in ELECTRICAL else ()
            if any(self._search.in_number(cell) for cell in cells) or any(
                self._search.in_number(number, years=True) for number in told
            ):
                self.numbers_in.append(label)
            elif may_be_codes(seen, role):
                self.texts_in.append(label)
        if self._search.in_number(_number_cell(self._header.fields["record duration"])):
            self.found.add("record duration")

    def records(self, source: FileIO, progress: Callable[[float], None] | None) -> Iterator[bytes]:
        """Records of the copy in parts; those in which something is found are not handed on."""
        size, n_records = self._header.record_bytes, self._header.n_records
        source.seek(self._header.data_offset)
        batch = max(1, _BATCH_BYTES // size)
        for first in range(0, n_records, batch):
            n = min(batch, n_records - first)
            block = bytearray(_exactly(source, n * size))
            for at in range(0, n * size, size):
                for a, b in self._said:
                    block[at + a : at + b] = self._texts.rewritten(bytes(block[at + a : at + b]))
            table = np.frombuffer(block, dtype=np.uint8).reshape(n, size)
            self._look(table)
            if self.found or self.texts_in:
                return
            yield (
                bytes(block)
                if self._whole
                else b"".join(table[k, a:b].tobytes() for k in range(n) for a, b in self._places)
            )
            if progress is not None:
                progress((first + n) / n_records)

    def _look(self, table: NDArray[np.uint8]) -> None:
        for a, b in self._said:
            pieces = set(_TEXT_ENDS.split(table[:, a:b].tobytes())) - self._seen
            self._seen |= pieces
            for piece in pieces:
                if piece and not _STAMP.fullmatch(piece):
                    self.found |= self._search.in_field(piece)
        for signal, a, b in self._signals:
            raw = table[:, a:b].tobytes()
            self.found |= self._search.in_bytes(self._tails.get(signal.position, b"") + raw)
            self._tails[signal.position] = raw[-self._search.longest :]
            label = clean(signal.fields["label"])
            unknown = recognise(label)[0] == "other"
            if label.casefold() in self._vouched:
                continue
            if _holds_long_text(raw) or (unknown and _reads_as_text(raw, self._header.sample_bytes)):
                self.texts_in.append(label)


def _values(source: FileIO, header: Header, signals: Sequence[Signal]) -> list[FewValues]:
    """The values of each signal; of the file no more is read than it takes to see that they are many."""
    values = [FewValues() for _ in signals]
    source.seek(header.data_offset)
    batch = max(1, _BATCH_BYTES // header.record_bytes)
    for first in range(0, header.n_records, batch):
        if all(each.many for each in values):
            break
        n = min(batch, header.n_records - first)
        table = np.frombuffer(_exactly(source, n * header.record_bytes), dtype=np.uint8).reshape(n, -1)
        for signal, each in zip(signals, values, strict=True):
            for a, b in _places([signal], header.sample_bytes) if not each.many else ():
                each.add(whole_numbers(table[:, a:b].tobytes(), header.sample_bytes))
    return values


def _scale(cells: Sequence[str]) -> tuple[float, float]:
    """Gain and offset by the four limits of a signal; 1 and 0 where they give none."""
    try:
        low, high, least, most = map(float, cells)
        gain = (high - low) / (most - least)
    except (ValueError, ZeroDivisionError):
        return 1.0, 0.0
    return gain, low - least * gain


def _label_of(head: bytes, count: int, k: int) -> bytes:
    return head[HEADER_BYTES + LABEL_CHARACTERS * k :][:LABEL_CHARACTERS] if k < count else b""


def _positions(header: Header, labels: Sequence[str], found: Findings, field: str) -> list[int]:
    """Signals of these labels."""
    known = {s.position: clean(s.fields["label"]) for s in header.signals if not s.is_annotations}
    chosen = []
    for label in labels:
        fits = [k for k, text in known.items() if text.casefold() == label.strip().casefold()]
        if not fits:
            raise UsageError(
                f"`{field}` {label!r}: {found.file_name} has no such channel; there are"
                f" {listed(known.values())}"
            )
        chosen += fits
    return chosen


@dataclass(frozen=True)
class Kept:
    """What a person answers for in a copy.

    Attributes
    ----------
    allow
        Annotation texts that may stay as they are. Lights, clenches, rest, synchronisation and sleep
        stages stay as these words; every other text is dropped.
    labels
        Keep labels that hold other words than terms of the trade.
    without
        Labels of channels to leave out.
    vouch
        Labels of channels whose samples look like text and are none.
    """

    allow: Sequence[str] = ()
    labels: bool = False
    without: Sequence[str] = ()
    vouch: Sequence[str] = ()


NOTHING_KEPT = Kept()


def deidentify(
    path: str | Path,
    out: str | Path,
    *,
    pseudonym: str,
    key: bytes,
    keep: Kept = NOTHING_KEPT,
    progress: Callable[[float], None] | None = None,
) -> Report:
    """Write a copy of an EDF or BDF recording without what names a person or a device.

    Parameters
    ----------
    path, out
        The recording, and the file to write; the original is not touched.
    pseudonym
        What the copy calls the person.
    key
        At least 16 secret bytes of the study; with the pseudonym they give the shift of the dates.
    keep
        What stays beyond the terms of the trade, and which channels are left out.

    Returns
    -------
    Report

    Raises
    ------
    RecordingError
        The file is no EDF or BDF, an old value was found in the copy, or samples that look like text.
    UsageError
        The output is the input or is there already, its name or the pseudonym holds an old value, or the
        key is too short.
    """
    path, out = Path(path), Path(out)
    found = Findings(path)
    if out.exists() and path.exists() and out.samefile(path):
        raise UsageError(f"`out` {out.name} is the recording itself; name another file")
    if out.exists():
        raise UsageError(
            f"`out` {out.name} is there already, perhaps the copy of another night; name another file, or"
            " delete it first"
        )
    days = shift_of(key, pseudonym)
    try:
        with path.open("rb", buffering=0) as source:
            size = source.seek(0, 2)
            source.seek(0)
            if not kind_of(source.read(HEADER_BYTES)):
                raise found.refusal(
                    "only EDF, EDF+, BDF and BDF+ are de-identified; export the recording as EDF+."
                )
            header = read_header(source, size, record_duration=None, found=found)
            refuse_like(pseudonym, header, path.stem)
            left_out = _positions(header, keep.without, found, "without")
            _positions(header, keep.vouch, found, "vouch")
            kept = [clean(s.fields["label"]) for s in header.signals if keep.labels]
            annotations = read_annotations(source, header, Findings(Path()))
            dropped = _dropped(annotations, keep.allow)
            search = _without_words_of(
                search_of(header, path.stem, dropped, allow=keep.allow, kept=kept), pseudonym
            )
            if search.in_text(out.name):
                raise UsageError(
                    "the name of `out` holds a word of the old header or file name; name it by the pseudonym"
                )
            anew = new_header(header, pseudonym, days, found, keep_labels=keep.labels, without=left_out)
            texts = _Texts(keep.allow, _span(header, annotations))
            copy = _Copy(header, anew, texts, search, keep.vouch)
            _write_copy(source, out, copy, found, progress)
    except OSError as error:
        raise found.refusal(
            f"the file cannot be copied ({error.strerror or type(error).__name__}); check the path."
        ) from error
    trailing = size - header.data_offset - header.n_records * header.record_bytes
    return Report(
        days if anew.moved else None,
        texts.kept,
        texts.n_dropped,
        trailing,
        len(search),
        anew.labels_replaced,
        anew.fields_emptied,
        len(left_out),
    )


def nameless_copy(path: Path, out: Path, *, labels: dict[str, str] | None = None) -> None:
    """Write a copy as `deidentify` does, of nobody and without a date: for data sets that are passed on.

    Parameters
    ----------
    labels
        What channels are called, by their label; the others as in `neutral_labels`.

    Raises
    ------
    RecordingError
        The file is no EDF or BDF, something of its header was found in the copy, or samples that look
        like text.
    """
    found = Findings(path)
    with path.open("rb", buffering=0) as source:
        size = source.seek(0, 2)
        source.seek(0)
        if not kind_of(source.read(HEADER_BYTES)):
            raise found.refusal("only EDF, EDF+, BDF and BDF+ are copied; leave the recording out.")
        header = read_header(source, size, record_duration=None, found=found)
        kept = [old for old, new in (labels or {}).items() if old == new]
        annotations = read_annotations(source, header, Findings(Path()))
        search = search_of(header, path.stem, _dropped(annotations, ()), kept=kept)
        anew = new_header(header, "X", None, found, known=labels)
        texts = _Texts((), _span(header, annotations))
        _write_copy(source, out, _Copy(header, anew, texts, search, ()), found)


def _without_words_of(search: Search, pseudonym: str) -> Search:
    """A search without a code that the name of the file shares with the pseudonym: see `refuse_like`."""
    own = {w for w in search.words if folded(w) in folded(pseudonym)}
    return replace(search, words=search.words - own)


def _write_copy(
    source: FileIO,
    out: Path,
    copy: _Copy,
    found: Findings,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write the copy of a file, each part searched before it is written.

    Raises
    ------
    RecordingError
        Something was found; nothing is left behind.
    """
    copy.look_ahead(source)
    with replacing(out) as temporary:
        if not (copy.found or copy.numbers_in or copy.texts_in):
            with temporary.open("wb") as target:
                target.write(copy.head)
                for part in copy.records(source, progress):
                    target.write(part)
        if copy.found:
            raise found.refusal(
                f"old values were found in the copy ({len(copy.found)}), which was not kept; a channel label,"
                " an allowed text or samples may hold them: do not keep labels, allow fewer texts, or leave"
                " the channel out."
            )
        if copy.numbers_in:
            raise found.refusal(
                f"a limit or a value of {listed(copy.numbers_in)} is a number or date of the header; leave the"
                " channel out (`without`), or vouch that it is chance (`vouch`)."
            )
        if copy.texts_in:
            raise found.refusal(
                f"the samples of {listed(copy.texts_in)} look like text or codes; leave the channel out"
                " (`without`), or vouch that it is a signal (`vouch`)."
            )
