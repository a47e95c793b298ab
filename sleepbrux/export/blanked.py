"""A copy of an EDF or BDF recording in which nobody is named: for data sets that are passed on.

Samples, labels, scales, record times and the time of day stay. Patient and recording line, date,
transducers and reserved fields are blanked, every annotation is taken out (its text may name somebody)
and what lies behind the last record is dropped.
"""

from __future__ import annotations

from pathlib import Path

from sleepbrux.errors import UsageError
from sleepbrux.files import replacing

PER_SIGNAL = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
LABEL, TRANSDUCER, SAMPLES, RESERVED = 0, 1, 8, 9
BLOCK = 256


def _number(text: bytes, name: str, file: str) -> int:
    try:
        return int(text.decode("latin-1").strip())
    except ValueError as error:
        raise UsageError(
            f"{file}: the header field {name!r} is {text!r}, not a number, so no copy without names was made"
        ) from error


def _fields(header: bytes, n: int) -> list[list[bytes]]:
    """Values of each signal field."""
    found, at = [], 256
    for width in PER_SIGNAL:
        found.append([header[at + k * width : at + (k + 1) * width] for k in range(n)])
        at += n * width
    return found


def _onset_only(text: bytes) -> bytes:
    """The bytes of an annotation signal of one record without any annotation but its own onset."""
    head, mark, _ = text.partition(b"\x14\x14\0")
    kept = head + mark if mark and b"\0" not in head else b""
    return kept.ljust(len(text), b"\0")


def write_blanked(source: Path, target: Path) -> None:
    """Write the copy, to a temporary name first.

    Raises
    ------
    UsageError
        The file has no EDF or BDF header that can be followed.
    """
    with source.open("rb") as file, replacing(target) as temporary, temporary.open("wb") as out:
        first = file.read(256)
        n = _number(first[252:256], "number of signals", source.name)
        rest = file.read(n * 256)
        if len(rest) < n * 256 or not 0 < n <= 4096:
            raise UsageError(f"{source.name} has no whole EDF or BDF header, so no copy was made")
        fields = _fields(first + rest, n)
        width = 3 if first[:1] == b"\xff" else 2
        counts = [_number(v, "samples in a record", source.name) for v in fields[SAMPLES]]
        ends = [sum(counts[: k + 1]) * width for k in range(n)]
        texts = [
            (ends[k] - counts[k] * width, ends[k])
            for k in range(n)
            if fields[LABEL][k].strip() in (b"EDF Annotations", b"BDF Annotations")
        ]
        blank = {TRANSDUCER: [b" " * 80] * n, RESERVED: [b" " * 32] * n}
        table = b"".join(b"".join(blank.get(i, values)) for i, values in enumerate(fields))
        who = b"X X X X".ljust(80) + b"Startdate X X X X".ljust(80) + b"01.01.85"
        out.write(first[:8] + who + first[176:] + table)
        size, left = ends[-1], _number(first[236:244], "number of records", source.name)
        while left != 0 and size > 0:
            block = bytearray(file.read(size * (min(left, BLOCK) if left > 0 else BLOCK)))
            whole = len(block) // size
            for k in range(whole if texts else 0):
                for a, b in texts:
                    block[k * size + a : k * size + b] = _onset_only(
                        bytes(block[k * size + a : k * size + b])
                    )
            out.write(block[: whole * size])
            left -= whole
            if whole == 0:
                break
