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

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from io import FileIO
from pathlib import Path

from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import replacing
from sleepbrux.recording.deidentify.annotations import AnnotationTexts, dropped_texts, recorded_span
from sleepbrux.recording.deidentify.header import new_header, shift_of
from sleepbrux.recording.deidentify.old_values import refuse_like, search_of
from sleepbrux.recording.deidentify.records import SearchedCopy
from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.formats.edf_annotations import read_annotations
from sleepbrux.recording.formats.edf_header import HEADER_BYTES, Header, clean, kind_of, read_header
from sleepbrux.recording.identity_search import Search, folded

NOT_PROMISED = (
    "not searched: nicknames, initials, names of two letters, misspellings, names in another script, names"
    " that are terms of the trade (Chin, Light), numbers of three signs, what was encoded (base64, cipher),"
    " and among samples words of fewer than eight letters",
    "not seen: numbers that are possible times, durations or ranges; what is hidden in a signal of many"
    " values, in a channel of two values or of heart rate or oximetry, or in up to eight positions",
    "the wave of a signal can still identify a person to whoever has another recording of it",
)


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
            dropped = dropped_texts(annotations, keep.allow)
            search = _without_words_of(
                search_of(header, path.stem, dropped, allow=keep.allow, kept=kept), pseudonym
            )
            if search.in_text(out.name):
                raise UsageError(
                    "the name of `out` holds a word of the old header or file name; name it by the pseudonym"
                )
            anew = new_header(header, pseudonym, days, found, keep_labels=keep.labels, without=left_out)
            texts = AnnotationTexts(keep.allow, recorded_span(header, annotations))
            copy = SearchedCopy(header, anew, texts, search, keep.vouch)
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
        search = search_of(header, path.stem, dropped_texts(annotations, ()), kept=kept)
        anew = new_header(header, "X", None, found, known=labels)
        texts = AnnotationTexts((), recorded_span(header, annotations))
        _write_copy(source, out, SearchedCopy(header, anew, texts, search, ()), found)


def _without_words_of(search: Search, pseudonym: str) -> Search:
    """A search without a code that the name of the file shares with the pseudonym: see `refuse_like`."""
    own = {w for w in search.words if folded(w) in folded(pseudonym)}
    return replace(search, words=search.words - own)


def _write_copy(
    source: FileIO,
    out: Path,
    copy: SearchedCopy,
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
