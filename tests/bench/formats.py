"""The same samples in other formats: what (d) costs a sample, and how fast a table is read."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.edf_writer import EdfSignal, header, write_edf
from tests.bench.measure import median, once
from tests.bench.nights import LABELS, REST_STEPS, noise

RATE = 2000
BLOCK_S = 60
TEXT_BYTES = 24  # a whole number of 24-bit and of 16-bit words
SLOW_HZ = 256  # of the third channel of the night of mixed rates


@dataclass(frozen=True)
class Format:
    """What (d) took for one format: medians.

    Attributes
    ----------
    us_per_kilosample
        Processor microseconds for 1000 samples of all channels together, those that are not scored too.
    """

    format: str
    hours: float
    file_mb: float
    wall_s: float
    cpu_s: float
    peak_mb: float
    us_per_kilosample: float
    mb_per_s: float


def _blocks(seconds: int, *, third: bool = False) -> Iterator[list[NDArray[np.int16]]]:
    """A minute at a time: two channels of noise at rest, and a slow third one."""
    rows = np.round(noise(RATE, 2) * REST_STEPS).astype(np.int16)
    slow = np.round(100 * np.sin(np.arange(BLOCK_S * SLOW_HZ) / 50)).astype(np.int16)
    for _ in range(0, seconds, BLOCK_S):
        yield [*rows, *([slow] if third else [])]


def edf(path: Path, hours: float, *, third: bool = False) -> int:
    """A night of two channels in 16 bits, or with a third one of another rate; its samples."""
    signals = [EdfSignal(label, RATE) for label in LABELS[:2]]
    if third:
        signals.append(EdfSignal("Resp", SLOW_HZ))
    seconds = round(hours * 3600)
    write_edf(path, signals, _blocks(seconds, third=third), onsets=list(range(seconds)))
    return seconds * (2 * RATE + (SLOW_HZ if third else 0))


def bdf(path: Path, hours: float) -> int:
    """The same two channels in 24 bits; its samples."""
    signals = [EdfSignal(label, RATE, bits=24) for label in LABELS[:2]]
    seconds = round(hours * 3600)
    with path.open("wb") as file:
        file.write(header(signals, TEXT_BYTES, n_records=seconds, kind="BDF+C", start=None))
        second = 0
        for block in _blocks(seconds):
            for k in range(BLOCK_S):
                rows = [row[k * RATE : (k + 1) * RATE] for row in block]
                words = np.concatenate(rows).astype("<i4").reshape(-1, 1).view(np.uint8)[:, :3]
                file.write(words.tobytes() + f"+{second}\x14\x14\0".encode().ljust(TEXT_BYTES, b"\0"))
                second += 1
    return seconds * 2 * RATE


def table(path: Path, hours: float) -> int:
    """The same as a table with a time column; its samples."""
    rows = (noise(RATE, 2) * REST_STEPS / 10).T
    with path.open("w", encoding="utf-8") as file:
        file.write(f"time_s,{LABELS[0]} (uV),{LABELS[1]} (uV)\n")
        for minute in range(round(hours * 60)):
            times = minute * BLOCK_S + np.arange(len(rows)) / RATE
            np.savetxt(file, np.column_stack((times, rows)), fmt=("%.4f", "%.1f", "%.1f"), delimiter=",")
    return round(hours * 3600) * 2 * RATE


def run_formats(runs: int) -> list[Format]:
    """Measure each format; each file is made, measured and deleted."""
    nights = (
        ("EDF, 16 bits", "night.edf", 8.0, edf, {}),
        ("BDF, 24 bits", "night.bdf", 8.0, bdf, {}),
        ("EDF, mixed rates", "mixed.edf", 8.0, edf, {"third": True}),
        ("CSV", "night.csv", 0.5, table, {}),
    )
    found = []
    for name, file, hours, make, options in nights:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / file
            samples = make(path, hours, **options)  # type: ignore[operator]
            size = path.stat().st_size / 1e6
            seen = [once("d", path, Path(folder)) for _ in range(runs)]
        cpu, wall = median(seen, "cpu_s"), median(seen)
        found.append(
            Format(name, hours, size, wall, cpu, median(seen, "peak_mb"), 1e9 * cpu / samples, size / wall)
        )
        print(asdict(found[-1]), flush=True)
    return found


def formats_text(found: list[Format]) -> str:
    """The table, each format against the first."""
    lines = [
        f"{'format':<18}{'h':>5}{'MB':>7}{'wall s':>9}{'cpu s':>8}{'peak MB':>9}{'µs / 1000 samples':>19}"
        f"{'x first':>9}{'MB/s':>7}"
    ]
    lines += [
        f"{f.format:<18}{f.hours:>5g}{f.file_mb:>7.0f}{f.wall_s:>9.2f}{f.cpu_s:>8.2f}{f.peak_mb:>9.0f}"
        f"{f.us_per_kilosample:>19.1f}{f.us_per_kilosample / found[0].us_per_kilosample:>9.2f}{f.mb_per_s:>7.0f}"
        for f in found
    ]
    return "\n".join(lines)
