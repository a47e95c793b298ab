"""A small writer of XDF files, by the public specification of the format (version 1.0)."""

import struct
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

FILE, HEADER, SAMPLES, OFFSET, FOOTER = 1, 2, 3, 4, 6
DTYPES = {"float32": "<f4", "double64": "<f8", "int16": "<i2", "int32": "<i4"}


def chunk(tag: int, content: bytes) -> bytes:
    return struct.pack("<BIH", 4, len(content) + 2, tag) + content


@dataclass
class Stream:
    name: str
    values: object  # (n, channels), or texts
    stamps: np.ndarray
    rate: float = 0.0
    labels: tuple[str, ...] = ()
    unit: str = "microvolts"
    type: str = "EMG"
    format: str = "float32"
    offset_s: float | None = None
    footer: bool = True

    def described(self) -> str:
        rows = "".join(
            f"<channel><label>{escape(x)}</label><unit>{self.unit}</unit></channel>" for x in self.labels
        )
        return f"<desc><channels>{rows}</channels></desc>" if self.labels else "<desc/>"

    def header(self) -> bytes:
        n = 1 if self.format == "string" else np.asarray(self.values).shape[1]
        return (
            f'<?xml version="1.0"?><info><name>{escape(self.name)}</name><type>{self.type}</type>'
            f"<channel_count>{n}</channel_count><nominal_srate>{self.rate}</nominal_srate>"
            f"<channel_format>{self.format}</channel_format>{self.described()}</info>"
        ).encode()

    def body(self, first: int, stop: int) -> bytes:
        parts = [struct.pack("<BI", 4, stop - first)]
        for k in range(first, stop):
            parts.append(struct.pack("<Bd", 8, self.stamps[k]))
            if self.format == "string":
                text = self.values[k].encode()
                parts.append(struct.pack("<BI", 4, len(text)) + text)
            else:
                parts.append(np.asarray(self.values)[k].astype(DTYPES[self.format]).tobytes())
        return b"".join(parts)


def xdf(*streams: Stream, opened: str = "2026-11-30T18:02:03") -> bytes:
    parts = [
        b"XDF:",
        chunk(FILE, f"<info><version>1.0</version><datetime>{opened}</datetime></info>".encode()),
    ]
    for number, stream in enumerate(streams, start=1):
        parts.append(chunk(HEADER, struct.pack("<I", number) + stream.header()))
    for number, stream in enumerate(streams, start=1):
        key = struct.pack("<I", number)
        n = len(stream.stamps)
        parts += [chunk(SAMPLES, key + stream.body(k, min(k + 500, n))) for k in range(0, n, 500)]
        if stream.offset_s is not None:
            times = (stream.stamps[0] + at for at in (0.0, 5.0, 10.0))
            parts += [chunk(OFFSET, key + struct.pack("<dd", at, stream.offset_s)) for at in times]
        if stream.footer:
            ends = f"<first_timestamp>{stream.stamps[0]}</first_timestamp><sample_count>{n}</sample_count>"
            parts.append(chunk(FOOTER, key + f"<info>{ends}</info>".encode()))
    return b"".join(parts)
