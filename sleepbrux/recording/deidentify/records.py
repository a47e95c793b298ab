"""The records of a copy, searched before they are handed on; samples that are letters or numbers are found."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from io import FileIO

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.deidentify.annotations import AnnotationTexts
from sleepbrux.recording.deidentify.header import LABEL_CHARACTERS, LIMITS, Anew, number_cell
from sleepbrux.recording.few_values import FewValues, may_be_codes, numbers_of, whole_numbers
from sleepbrux.recording.formats.edf_header import HEADER_BYTES, Header, Signal, clean
from sleepbrux.recording.identity_search import Search
from sleepbrux.recording.labels import ELECTRICAL, recognise

_BATCH_BYTES = 1 << 22
_STAMP = re.compile(rb"[+-][\d.]+(?:\x15[\d.]*)?")
_TEXT_ENDS = re.compile(rb"[\0\x14\x15]")
_LETTERS = frozenset(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
_IS_LETTER = np.isin(np.arange(256), list(_LETTERS))
_IS_TEXT = np.isin(np.arange(256), [*_LETTERS, *b" .,:;-'()0123456789"])
# Limits of what is taken for text; our choice. Of random bytes 32 in a row are text once in 10^18.
_HALF_RUN = 16
_LEAST_LETTERS, _LEAST_DIFFERENT, _LEAST_SHARE, _LEAST_STEP = 6, 3, 0.7, 4
_ENOUGH = 10_000


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


class SearchedCopy:
    """The records of a copy, searched a few MB at a time before they are handed on."""

    def __init__(
        self, header: Header, anew: Anew, texts: AnnotationTexts, search: Search, vouch: Sequence[str]
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
            cells = [number_cell(signal.fields[name]) for name in LIMITS]
            told = numbers_of(seen, *_scale(cells)) if role not in ELECTRICAL else ()
            if any(self._search.in_number(cell) for cell in cells) or any(
                self._search.in_number(number, years=True) for number in told
            ):
                self.numbers_in.append(label)
            elif may_be_codes(seen, role):
                self.texts_in.append(label)
        if self._search.in_number(number_cell(self._header.fields["record duration"])):
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
