"""Annotation texts of a copy: a word for their kind, an allowed text, or nothing; times in or near the recording."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from sleepbrux.recording.allowed_words import neutral_mark
from sleepbrux.recording.formats.edf_annotations import LONGEST_NIGHT_S, Annotations
from sleepbrux.recording.formats.edf_header import Header

MARK_PLACES, STAMP_PLACES = 3, 4  # decimals of a mark's seconds, and of a record's own time
OUTSIDE_S = 3600  # marks may lie so far outside the recording
_TAL = re.compile(
    rb"([+-]\d{1,15}(?:\.\d{0,15})?)(?:\x15(\d{1,15}(?:\.\d{0,15})?)?)?\x14((?:[^\x14\0]*\x14)*)\0"
)


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


def recorded_span(header: Header, annotations: Annotations) -> tuple[Fraction, Fraction]:
    """Time of the first sample and of the last, in seconds from the header's start."""
    onsets = annotations.onsets[np.abs(annotations.onsets) <= LONGEST_NIGHT_S]
    first, last = (float(onsets.min()), float(onsets.max())) if len(onsets) else (0.0, 0.0)
    length = header.n_records * header.record_duration
    return Fraction(first), max(Fraction(last) + header.record_duration, Fraction(first) + length)


def _seconds(value: Fraction, places: int, sign: bytes = b"") -> bytes:
    """A time in seconds, to so many decimals."""
    text = f"{float(round(abs(value), places)):.{places}f}".rstrip("0").rstrip(".")
    return sign + text.encode("ascii")


class AnnotationTexts:
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


def dropped_texts(annotations: Annotations, allow: Sequence[str]) -> set[str]:
    """Annotation texts that do not stay as they are."""
    texts = {mark.text for mark in annotations.marks}
    return {t for t in texts if kept_text(t.encode("utf-8"), allow) != t.encode("utf-8")}
