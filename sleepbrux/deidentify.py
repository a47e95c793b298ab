"""A recording without what names a person or a device, written beside the original and then searched.

EDF, EDF+, BDF and BDF+ are copied record by record; samples keep their bits. Identity fields are
written anew, dates are shifted by a number of days that is the same for every night of one person, and
annotation texts are dropped unless they are on a list of allowed kinds. At the end the bytes of the
copy are searched for every old value; if one is found the copy is removed and the call refused.

The shift follows from a key and the pseudonym (HMAC-SHA256): whoever has the key can undo it, nobody
else; nights of one person keep their order, their distances and their time of day. The wave of a
signal may still identify a person to whoever holds another recording of theirs; this is not anonymity.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from io import FileIO
from pathlib import Path
from typing import BinaryIO

from sleepbrux.errors import RecordingError, UsageError
from sleepbrux.files import replacing
from sleepbrux.recording.edf_header import (
    FILE_FIELDS,
    HEADER_BYTES,
    SIGNAL_FIELDS,
    Header,
    clean,
    kind_of,
    read_header,
)
from sleepbrux.recording.edf_start import ANONYMISED, MONTHS, read_start
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.labels import recognise
from sleepbrux.recording.marks import classify

LONGEST_SHIFT_DAYS = 3650
LEAST_KEY_BYTES = 16
KEPT_KINDS = ("lights_off", "lights_on", "clench", "rest", "sync", "stage")
_BATCH_BYTES = 1 << 22
_TAL = re.compile(rb"([+-]\d[\d.]*(?:\x15[\d.]*)?\x14)((?:[^\x14\0]*\x14)*)\0")
# A word of the old header that is as common as these says nothing about anybody.
_COMMON = frozenset(
    ("x", "m", "f", "startdate", "unknown", "none", "emg", "ecg", "eeg", "ekg", "resp", "left", "right",
     "and", "the", "patient", "recording", "male", "female", "active", "electrode", "electrodes", "cup",
     "surface")
)  # fmt: skip
_LEAST_WORD = 4
_FILTER = re.compile(r"\b(HP|LP|N):? ?(\d+(?:[.,]\d+)?) ?(k?Hz)\b", re.IGNORECASE)


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
        Old values that the copy was searched for.
    """

    shift_days: int | None
    texts_kept: int
    texts_dropped: int
    trailing_bytes: int
    searched: int


def shift_of(key: bytes, pseudonym: str) -> int:
    """Days by which the dates of one person move back: 1 to 3650, the same for every night.

    >>> shift_of(b"sixteen bytes...", "P01") == shift_of(b"sixteen bytes...", "P01")
    True
    """
    if len(key) < LEAST_KEY_BYTES:
        raise UsageError(f"the key has {len(key)} bytes; {LEAST_KEY_BYTES} or more are needed")
    digest = hmac.new(key, pseudonym.encode("utf-8"), hashlib.sha256).digest()
    return 1 + int.from_bytes(digest[:8], "big") % LONGEST_SHIFT_DAYS


def _moved(day: date | None, days: int) -> date | None:
    """The shifted date; unknown stays unknown, as does what would fall outside the format."""
    if day is None or day == ANONYMISED:
        return None
    moved = day - timedelta(days=days)
    return moved if moved.year >= 1985 else None


def _cell(text: str, width: int) -> bytes:
    return text.encode("ascii", errors="replace")[:width].ljust(width)


def _label(raw: bytes, place: int, kept: bool) -> bytes:  # noqa: FBT001
    """A label that names a kind of channel stays; another may be a name and goes."""
    text = clean(raw)
    if kept or recognise(text)[0] != "other":
        return _cell(text, 16)
    return _cell(f"ch{place + 1}", 16)


def new_header(
    header: Header, pseudonym: str, days: int, found: Findings, *, keep_labels: bool = False
) -> tuple[bytes, date | None]:
    """The header anew: identity, dates, device and free text replaced; scale and layout kept."""
    old = read_start(header.fields, Fraction(0), found)
    moved = _moved(old.moment.date() if old.moment else None, days)
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
        "header bytes": str(HEADER_BYTES * (len(header.signals) + 1)),
        "reserved": plus or ("24BIT" if header.kind == "BDF" else ""),
        "number of records": str(header.n_records),
        "number of signals": str(len(header.signals)),
    }
    clock = header.fields["start time"] if old.clock is not None else b"00.00.00"
    parts = []
    for field, width in FILE_FIELDS:
        if field in written:
            parts.append(_cell(written[field], width))
        else:
            raw = clock if field == "start time" else header.fields[field]
            parts.append(raw if field == "version" else _cell(clean(raw), width))
    for field, width in SIGNAL_FIELDS:
        for signal in header.signals:
            raw = signal.fields[field]
            if field == "label" and not signal.is_annotations:
                parts.append(_label(raw, signal.position, keep_labels))
            elif field == "dimension":
                parts.append(raw)
            elif field in ("transducer", "reserved"):
                parts.append(_cell("", width))
            elif field == "prefilter":
                parts.append(_cell(_prefilter(clean(raw)), width))
            else:
                parts.append(_cell(clean(raw), width))
    return b"".join(parts), moved


def _prefilter(text: str) -> str:
    """The parts of a prefilter text that state a filter, in the standard's form; nothing else."""
    parts = _FILTER.findall(text)
    return " ".join(f"{kind.upper()}:{value}{unit}" for kind, value, unit in parts)


def _allowed(text: str, allow: Sequence[str]) -> bool:
    plain = text.strip().casefold()
    return any(plain == word.strip().casefold() for word in allow)


def kept_text(raw: bytes, allow: Sequence[str]) -> bytes | None:
    """What of an annotation text stays: a word for its kind, an allowed text, or nothing (None)."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    if _allowed(text, allow):
        return text.encode("utf-8")
    kind = classify(text.partition("@@")[0])
    if kind == "stage":
        return text.partition("@@")[0].strip().encode("utf-8")
    return _WORDS.get(kind)


_WORDS = {
    "lights_off": b"Lights off", "lights_on": b"Lights on", "clench": b"Clench", "rest": b"Rest",
    "sync": b"Sync",
}  # fmt: skip


class _Texts:
    """Rewrites annotation bytes and counts."""

    def __init__(self, allow: Sequence[str]) -> None:
        self.allow = tuple(allow)
        self.kept = 0
        self.dropped: set[bytes] = set()
        self.n_dropped = 0

    def rewritten(self, raw: bytes) -> bytes:
        """The lists of one record with the texts that stay; never longer than before."""
        lists = []
        for parts in _TAL.finditer(raw):
            texts = parts[2].split(b"\x14")[:-1]
            time_keeping = bool(texts) and not texts[0]
            kept = [new for text in texts if text and (new := self._kept(text)) is not None]
            if kept or time_keeping:
                body = b"".join(text + b"\x14" for text in ([b""] if time_keeping else []) + kept)
                lists.append(parts[1] + body + b"\0")
        size = 0
        whole = []
        for each in lists:
            if size + len(each) <= len(raw):
                whole.append(each)
                size += len(each)
        return b"".join(whole).ljust(len(raw), b"\0")

    def _kept(self, text: bytes) -> bytes | None:
        new = kept_text(text, self.allow)
        if new is None:
            self.n_dropped += 1
        else:
            self.kept += 1
        if new != text:
            self.dropped.add(text)
        return new


def _old_words(header: Header, stem: str) -> set[bytes]:
    """Values of the old file that must not be in the copy: whole fields and the words in them."""
    texts = [clean(header.fields["patient"]), clean(header.fields["recording"]), stem]
    for signal in header.signals:
        texts += [clean(signal.fields[f]) for f in ("transducer", "reserved")]
        texts.append(_FILTER.sub(" ", clean(signal.fields["prefilter"])).strip())
    words: set[bytes] = set()
    for text in texts:
        parts = [w for w in re.split(r"[\s_,;:()/]+", text) if not _is_common(w)]
        for word in (text, *parts) if parts else ():
            words |= {
                word.encode("utf-8", errors="surrogateescape"),
                word.encode("latin-1", errors="ignore"),
            }
    return {word for word in words if len(word) >= _LEAST_WORD}


def _is_common(word: str) -> bool:
    """Whether a word says nothing about anybody: short, in every header, or a short number."""
    return (
        len(word) < _LEAST_WORD or word.casefold() in _COMMON or (word.isdigit() and len(word) < 6)
    )


def _regions(header: Header) -> list[tuple[int, int]]:
    """Byte ranges of the annotations in a record."""
    size = header.sample_bytes
    return [
        (s.first_sample * size, (s.first_sample + s.samples_per_record) * size)
        for s in header.signals
        if s.is_annotations and s.samples_per_record
    ]


def _copy(
    source: FileIO, target: BinaryIO, header: Header, texts: _Texts,
    progress: Callable[[float], None] | None,
) -> None:  # fmt: skip
    """Records one batch after the other; annotation bytes rewritten, the rest as it is."""
    regions = _regions(header)
    batch = max(1, _BATCH_BYTES // header.record_bytes)
    source.seek(header.data_offset)
    for first in range(0, header.n_records, batch):
        n = min(batch, header.n_records - first)
        block = bytearray(_exactly(source, n * header.record_bytes))
        for record in range(n):
            for start, stop in regions:
                a, b = record * header.record_bytes + start, record * header.record_bytes + stop
                block[a:b] = texts.rewritten(bytes(block[a:b]))
        target.write(block)
        if progress is not None:
            progress((first + n) / header.n_records)


def _exactly(source: FileIO, n: int) -> bytes:
    parts = []
    while n:
        piece = source.read(n)
        if not piece:
            raise RecordingError("the file has become shorter while it was read; try again")
        parts.append(piece)
        n -= len(piece)
    return b"".join(parts)


def text_bytes(header: Header, raw: bytes, record_of: int) -> bytes:
    """Bytes of one record that are text."""
    start = record_of * header.record_bytes
    return b"".join(raw[start + a : start + b] for a, b in _regions(header))


def leaks(path: Path, header: Header, words: Iterable[bytes]) -> list[bytes]:
    """Which of the words occur in the header, the annotations or behind the records of a copy.

    Upper and lower case are the same. Samples are numbers: a word of four letters turns up in a
    night of them by chance, so they are searched only for words of eight bytes and more.
    """
    short = [w.lower() for w in words if len(w) < 8]
    long = [w.lower() for w in words if len(w) >= 8]
    longest = max((len(w) for w in long), default=1)
    found: set[bytes] = set()
    with path.open("rb", buffering=0) as handle:
        head = _exactly(handle, header.data_offset).lower()
        found |= {w for w in (*short, *long) if w in head}
        tail = b""
        batch = max(1, _BATCH_BYTES // header.record_bytes)
        for first in range(0, header.n_records, batch):
            n = min(batch, header.n_records - first)
            raw = _exactly(handle, n * header.record_bytes)
            lowered = tail + raw.lower()
            found |= {w for w in long if w in lowered}
            tail = lowered[-longest:]
            if _regions(header):
                said = b"\0".join(text_bytes(header, raw, k) for k in range(n)).lower()
                found |= {w for w in short if w in said}
        if handle.read(1):
            found.add(b"bytes behind the last record")
    return sorted(found)


def deidentify(
    path: str | Path,
    out: str | Path,
    *,
    pseudonym: str,
    key: bytes,
    allow: Sequence[str] = (),
    keep_labels: bool = False,
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
    allow
        Annotation texts that may stay as they are. Lights, clenches, rest, synchronisation and sleep
        stages stay as these words; every other text is dropped.
    keep_labels
        Keep labels that name no known kind of channel.

    Raises
    ------
    RecordingError
        The file is no EDF or BDF, or an old value was found in the copy, which is then removed.
    UsageError
        The output is the input or is there already, its name holds an old value, or the key is too short.
    """
    path, out = Path(path), Path(out)
    found = Findings(path)
    if out.exists() and path.exists() and out.samefile(path):
        raise UsageError(f"--out {out.name} is the recording itself; name another file")
    if out.exists():
        raise UsageError(
            f"--out {out.name} is there already, perhaps the copy of another night; name another file, or"
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
            words = _old_words(header, path.stem)
            words -= {w for w in words if w.lower() in pseudonym.lower().encode()}
            named = [w for w in words if w.lower() in os.fsencode(out.name.lower())]
            if named:
                raise UsageError(
                    "the name of --out holds a word of the old header or file name; name it by the pseudonym"
                )
            head, moved = new_header(header, pseudonym, days, found, keep_labels=keep_labels)
            texts = _Texts(allow)
            with replacing(out) as temporary:
                with temporary.open("wb") as target:
                    target.write(head)
                    _copy(source, target, header, texts, progress)
                said = {t.strip() for t in texts.dropped if len(t.strip()) >= _LEAST_WORD}
                said -= {word for word in said if kept_text(word, allow) == word}
                left = leaks(temporary, header, words | said)
                if left:
                    raise found.refusal(
                        f"old values were found in the copy ({len(left)}), which was removed; a channel"
                        " label or an allowed text may hold them: do not keep labels, allow fewer texts."
                    )
    except OSError as error:
        raise found.refusal(
            f"the file cannot be copied ({error.strerror or type(error).__name__}); check the path."
        ) from error
    trailing = size - header.data_offset - header.n_records * header.record_bytes
    return Report(
        days if moved else None, texts.kept, texts.n_dropped, trailing, len(words) + len(said)
    )
