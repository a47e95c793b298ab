"""The header of an EDF or BDF file, read by tables and bounded by the size of the file.

References: B. Kemp et al., "A simple format for exchange of digitized polygraphic recordings",
1992, doi:10.1016/0013-4694(92)90009-7; B. Kemp and J. Olivan, "European data format 'plus'", 2003,
doi:10.1016/S1388-2457(03)00123-8.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from io import FileIO
from typing import Literal, NamedTuple

from sleepbrux.core.texts import printable
from sleepbrux.recording.findings import Findings, figures, quoted
from sleepbrux.recording.labels import MOST_CHANNELS

FILE_FIELDS = (
    ("version", 8),
    ("patient", 80),
    ("recording", 80),
    ("start date", 8),
    ("start time", 8),
    ("header bytes", 8),
    ("reserved", 44),
    ("number of records", 8),
    ("record duration", 8),
    ("number of signals", 4),
)
SIGNAL_FIELDS = (
    ("label", 16),
    ("transducer", 80),
    ("dimension", 8),
    ("physical minimum", 8),
    ("physical maximum", 8),
    ("digital minimum", 8),
    ("digital maximum", 8),
    ("prefilter", 80),
    ("samples per record", 8),
    ("reserved", 32),
)
HEADER_BYTES = 256
BDF_MAGIC = b"\xffBIOSEMI"
EDF_MAGIC = b"0       "
ANNOTATION_LABELS = ("EDF Annotations", "BDF Annotations")
SHORTEST_RECORD_S, LONGEST_RECORD_S = Fraction(1, 1_000_000), 86_400

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d{1,2})?", re.IGNORECASE)
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d*|[+-]?\d{1,3}(\.\d{3})+,\d*")
_COMMA = re.compile(r"[+-]?(\d*),(\d*)")
_PLUS = re.compile(rb"[EB]DF\+([CD])")
_PATIENT = re.compile(r"\S+ [MFX] (X|\d\d-[A-Z]{3}-\d{4}) \S+( .*)?")
_RECORDING = re.compile(r"Startdate (X|\d\d-[A-Z]{3}-\d{4}) \S+ \S+ \S+( .*)?")

Fields = dict[str, bytes]


class Number(NamedTuple):
    """A number from a header field; ``comma`` says that commas had to be understood."""

    value: Fraction
    comma: bool


@dataclass(frozen=True)
class Signal:
    """Header of one signal.

    Attributes
    ----------
    position
        Number of the signal in the file, from 0.
    fields
        The raw fields by name.
    samples_per_record, first_sample
        Samples in a record, and where they begin in it, in samples.
    is_annotations
        Whether its bytes are annotation lists.
    """

    position: int
    fields: Fields
    samples_per_record: int
    first_sample: int
    is_annotations: bool


@dataclass(frozen=True)
class Header:
    """Header of a file, with what its size says about its records.

    Attributes
    ----------
    kind
        ``"EDF"`` (16 bit) or ``"BDF"`` (24 bit), by the first bytes.
    plus
        ``"C"`` or ``"D"`` for EDF+ and BDF+, else ``""``.
    sample_bytes, data_offset, record_bytes
        Sizes in bytes.
    record_duration
        Seconds, exact; 0 is possible only where no signal holds samples.
    n_records
        Complete records in the file.
    n_records_stated
        Records by the header, None where it gives no count.
    """

    kind: Literal["EDF", "BDF"]
    plus: str
    fields: Fields
    signals: tuple[Signal, ...]
    sample_bytes: int
    data_offset: int
    record_bytes: int
    record_duration: Fraction
    n_records: int
    n_records_stated: int | None

    @property
    def format(self) -> str:
        """Such as ``"EDF"`` or ``"BDF+C"``."""
        return f"{self.kind}+{self.plus}" if self.plus else self.kind


def read_number(text: str) -> Number | None:
    """Number in a header field, None where it is none or a comma leaves two readings.

    Examples
    --------
    >>> read_number("-3276,8"), read_number("3,276")
    (Number(value=Fraction(-16384, 5), comma=True), None)
    """
    if _NUMBER.fullmatch(text):
        return Number(Fraction(text), comma=False)
    if _GROUPED.fullmatch(text):
        decimal = text[max(text.rfind("."), text.rfind(","))]
        digits = text.replace("," if decimal == "." else ".", "")
        return Number(Fraction(digits.replace(",", ".").rstrip(".")), comma=True)
    parts = _COMMA.fullmatch(text)
    if not parts or not parts[1] + parts[2]:
        return None
    before, after = parts[1], parts[2]
    if len(after) == 3 and 1 <= len(before) <= 3 and before.strip("0"):
        return None
    return Number(Fraction(text.replace(",", ".").rstrip(".")), comma=True)


def clean(raw: bytes) -> str:
    """Field as text: UTF-8, else Latin-1; control characters and outer blanks removed."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return printable(text)


def number_text(raw: bytes) -> str:
    """Field as the text of a number: outer blanks and padding removed."""
    return raw.strip(b" \0\t\r\n").decode("latin-1")


def kind_of(first_bytes: bytes) -> Literal["EDF", "BDF"] | None:
    """``"EDF"`` or ``"BDF"`` by the first 8 bytes of a file, None where it is neither."""
    if first_bytes[:8] == BDF_MAGIC:
        return "BDF"
    return "EDF" if re.fullmatch(rb"(?=.{8})0\d?[ \0]+", first_bytes[:8], re.DOTALL) else None


def _cut(block: bytes, layout: tuple[tuple[str, int], ...], count: int) -> Iterator[list[bytes]]:
    position = 0
    for _, width in layout:
        yield [block[position + i * width : position + (i + 1) * width] for i in range(count)]
        position += width * count


def _file_fields(block: bytes) -> Fields:
    columns = _cut(block, FILE_FIELDS, 1)
    return {name: column[0] for (name, _), column in zip(FILE_FIELDS, columns, strict=True)}


def _signal_fields(block: bytes, count: int) -> list[Fields]:
    columns = zip(*_cut(block, SIGNAL_FIELDS, count), strict=True)
    names = [name for name, _ in SIGNAL_FIELDS]
    return [dict(zip(names, column, strict=True)) for column in columns]


def _whole(raw: bytes) -> int | None:
    number = read_number(number_text(raw))
    return int(number.value) if number and number.value.denominator == 1 else None


def _looks_like_signals(signals: list[Fields]) -> bool:
    counts = [_whole(s["samples per record"]) for s in signals]
    return all(count is not None and count >= 0 for count in counts)


def _read_signal_fields(handle: FileIO, size: int, fields: Fields, found: Findings) -> list[Fields]:
    """Signal headers, for the count of signals that the bytes bear out."""
    stated = _whole(fields["number of signals"])
    header_bytes = _whole(fields["header bytes"])
    by_bytes = header_bytes // HEADER_BYTES - 1 if header_bytes is not None else None
    for count in (stated, by_bytes):
        if count is None or not 0 < count <= MOST_CHANNELS or HEADER_BYTES * (count + 1) > size:
            continue
        handle.seek(HEADER_BYTES)
        signals = _signal_fields(handle.read(HEADER_BYTES * count), count)
        if _looks_like_signals(signals):
            _compare_sizes(count, stated, header_bytes, found)
            return signals
    raise found.refusal(_no_signals(fields, size, stated))


def _no_signals(fields: Fields, size: int, stated: int | None) -> str:
    value = quoted(fields["number of signals"])
    if stated is not None and stated > MOST_CHANNELS and size >= HEADER_BYTES * (stated + 1):
        return f"the header names {stated} channels, where up to {MOST_CHANNELS} are read; export fewer."
    if stated is None or not 0 < stated <= MOST_CHANNELS:
        return (
            f"field 'number of signals' is {value}, where 1 to {MOST_CHANNELS} are possible;"
            " is this an EDF or BDF file?"
        )
    if HEADER_BYTES * (stated + 1) > size:
        return (
            f"the header is cut off: {stated} signals need {HEADER_BYTES * (stated + 1)} bytes"
            f" of header, the file has {size}; copy the file again from the recorder."
        )
    return (
        f"field 'samples per record' holds no whole numbers for the {stated} signals that field"
        f" 'number of signals' ({value}) names; the header is damaged, export the file again."
    )


def _compare_sizes(count: int, stated: int | None, header_bytes: int | None, found: Findings) -> None:
    if stated != count:
        found.warn(
            "signal-count",
            f"Field 'number of signals' says {stated}, the header holds {count}; read as {count}.",
        )
    if header_bytes != HEADER_BYTES * (count + 1):
        found.warn(
            "header-bytes",
            f"Field 'header bytes' says {header_bytes}, {count} signals need"
            f" {HEADER_BYTES * (count + 1)}; read with the latter.",
        )


def _is_annotations(fields: Fields, found: Findings) -> bool:
    label = clean(fields["label"])
    if fields["label"].decode("latin-1").rstrip(" ") in ANNOTATION_LABELS:
        return True
    misspelt = bool(re.fullmatch(r"[eb]df[ _]?annotations?", label, re.IGNORECASE))
    if misspelt:
        found.warn(
            "annotation-label",
            f"Signal label {label!r} is not written as the standard does; read as annotations.",
        )
    return misspelt


def _signals(all_fields: list[Fields], found: Findings) -> tuple[Signal, ...]:
    signals = []
    first = 0
    for position, fields in enumerate(all_fields):
        n = _whole(fields["samples per record"]) or 0
        signals.append(Signal(position, fields, n, first, _is_annotations(fields, found)))
        first += n
    return tuple(signals)


def _record_duration(
    fields: Fields, *, has_signals: bool, override: Fraction | None, found: Findings
) -> Fraction:
    if override is not None:
        found.note("record-duration-given", f"The record duration of {float(override)} s is given.")
        return override
    number = read_number(number_text(fields["record duration"]))
    value = quoted(fields["record duration"])
    if number is None or number.value < 0 or number.value > LONGEST_RECORD_S:
        if not has_signals:
            return Fraction(0)
        raise found.refusal(
            f"field 'record duration' is {value}, where a number of seconds above 0 and up to"
            f" {LONGEST_RECORD_S} with a decimal point is allowed; give record_duration."
        )
    if number.value == 0 and has_signals:
        raise found.refusal(
            f"field 'record duration' is {value}, so the sampling rate cannot be known;"
            " give record_duration in seconds."
        )
    if number.comma:
        found.warn(
            "comma-decimal",
            f"Field 'record duration' is {value}; read as {float(number.value)} s.",
        )
    return number.value


def _count_records(
    size: int, data_offset: int, record_bytes: int, fields: Fields, found: Findings
) -> tuple[int, int | None]:
    """Complete records in the file, and the stated count, with a note where they differ."""
    n, rest = divmod(size - data_offset, record_bytes)
    value = quoted(fields["number of records"])
    stated = _whole(fields["number of records"])
    if n == 0:
        raise found.refusal(
            f"the file holds no complete data record: field 'number of records' is {value}, a"
            f" record needs {record_bytes} bytes, {rest} follow the header; copy the file again"
            " from the recorder."
        )
    if stated is None or stated < 0:
        found.warn(
            "records-inferred",
            f"Field 'number of records' is {figures(fields['number of records'])}; {n} records follow from the"
            " file's size.",
        )
        return n, None
    if stated != n:
        found.warn(
            "records-differ",
            f"Field 'number of records' says {stated}, the file holds {n} complete records; {n} are read.",
        )
    elif rest:
        found.note("trailing-bytes", f"{rest} bytes after the last record are left out.")
    return n, stated


def _note_cut_record(
    size: int, header: tuple[int, int, Fraction], counts: tuple[int, int | None], found: Findings
) -> None:
    """Say what a cut last record loses: all of it, and the records that never came."""
    data_offset, record_bytes, duration = header
    n, stated = counts
    rest = (size - data_offset) % record_bytes
    if rest and (stated is None or stated > n):
        lost = float(duration * rest / record_bytes)
        found.warn(
            "record-cut",
            f"The last record is cut off after {rest} of {record_bytes} bytes and left out,"
            f" which loses {lost:.3g} s.",
        )


def _note_text(fields: Fields, signals: tuple[Signal, ...], plus: str, found: Findings) -> None:
    """Notes on text that the standard forbids and that changes no number."""
    named = [(name, raw) for name, raw in fields.items() if name != "version"]
    named += [
        (f"{name} of signal {s.position + 1}", raw)
        for s in signals
        for name, raw in s.fields.items()
        if name not in {"label", "dimension"}
    ]
    strange = [name for name, raw in named if any(not 32 <= byte <= 126 for byte in raw)]
    if strange:
        shown = ", ".join(strange[:3]) + (f" and {len(strange) - 3} more" if strange[3:] else "")
        found.note("header-not-ascii", f"Header fields hold other than ASCII text: {shown}.")
    if plus and not _PATIENT.fullmatch(fields["patient"].decode("latin-1").rstrip()):
        found.note("patient-form", "Field 'patient' has not the form that EDF+ asks for.")
    if plus and not _RECORDING.fullmatch(fields["recording"].decode("latin-1").rstrip()):
        found.note("recording-form", "Field 'recording' has not the form that EDF+ asks for.")


def _note_numbers(fields: Fields, signals: tuple[Signal, ...], found: Findings) -> None:
    """Notes on numbers that are plain to read but not written as the standard asks."""
    counts = ("header bytes", "number of records", "record duration", "number of signals")
    named = [(name, fields[name]) for name in counts]
    numeric = [name for name, _ in SIGNAL_FIELDS[3:7]] + ["samples per record"]
    named += [(name, s.fields[name]) for s in signals for name in numeric]
    padded = [name for name, raw in named if raw[:1] == b" " and raw.strip()]
    if padded:
        found.note("number-padding", f"Field '{padded[0]}' begins with a blank.")
    whole = {"number of records", "digital minimum", "digital maximum", "samples per record"}
    for name, raw in named:
        text = number_text(raw)
        if name in whole and _NUMBER.fullmatch(text) and not text.lstrip("+-").isdigit():
            found.warn("number-form", f"Field '{name}' is {text!r}, where whole numbers belong.")


def _note_annotation_range(signals: tuple[Signal, ...], bits: int, found: Findings) -> None:
    """Note an annotation channel whose range, which nobody uses, is not the one prescribed."""
    limit = 2 ** (bits - 1)
    for fields in (s.fields for s in signals if s.is_annotations):
        rails = (_whole(fields["digital minimum"]), _whole(fields["digital maximum"]))
        low, high = (number_text(fields[f"physical {end}"]) for end in ("minimum", "maximum"))
        if rails != (-limit, limit - 1) or low == high:
            found.note(
                "annotation-range",
                f"The digital range of an annotation channel is not {-limit} to {limit - 1}, or its"
                " physical range is empty; neither is used.",
            )


def read_header(handle: FileIO, size: int, *, record_duration: Fraction | None, found: Findings) -> Header:
    """Read and check the header of an EDF or BDF file.

    Parameters
    ----------
    handle
        The file, open for reading bytes.
    size
        Its size in bytes.
    record_duration
        Seconds of a record where the header's own is not to be used.
    found
        Takes the notes.

    Raises
    ------
    RecordingError
        Where the header leaves no right reading.
    """
    handle.seek(0)
    block = handle.read(HEADER_BYTES)
    kind = kind_of(block)
    if kind is None:
        raise found.refusal(
            f"field 'version' is {quoted(block[:8])}, where '0' (EDF) or the BDF mark is allowed;"
            " this is no EDF or BDF file."
        )
    if len(block) < HEADER_BYTES:
        raise found.refusal(
            f"the header is cut off after {len(block)} of {HEADER_BYTES} bytes;"
            " copy the file again from the recorder."
        )
    fields = _file_fields(block)
    if kind == "EDF" and fields["version"] != EDF_MAGIC:
        found.warn("version", f"Field 'version' is {figures(block[:8])} instead of '0'.")
    signals = _signals(_read_signal_fields(handle, size, fields, found), found)
    plus_mark = _PLUS.match(fields["reserved"])
    plus = plus_mark[1].decode("ascii") if plus_mark else ""
    _note_text(fields, signals, plus, found)
    _note_numbers(fields, signals, found)
    sample_bytes = 2 if kind == "EDF" else 3
    _note_annotation_range(signals, 8 * sample_bytes, found)
    data_offset = HEADER_BYTES * (len(signals) + 1)
    record_bytes = sample_bytes * sum(s.samples_per_record for s in signals)
    if record_bytes == 0:
        raise found.refusal(
            "field 'samples per record' is 0 for every signal, so the file holds no samples; export it again."
        )
    has_signals = any(s.samples_per_record and not s.is_annotations for s in signals)
    duration = _record_duration(fields, has_signals=has_signals, override=record_duration, found=found)
    counts = _count_records(size, data_offset, record_bytes, fields, found)
    _note_cut_record(size, (data_offset, record_bytes, duration), counts, found)
    return Header(kind, plus, fields, signals, sample_bytes, data_offset, record_bytes, duration, *counts)
