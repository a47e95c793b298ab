"""Grids: how time and memory of the in-process scoring grow with the night."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.bench.measure import median, once
from tests.bench.nights import plain


@dataclass(frozen=True)
class Point:
    """One night of a grid, and what (d) took for it: medians.

    Attributes
    ----------
    us_per_kilosample
        Processor microseconds for 1000 samples of all channels together.
    """

    grid: str
    channels: int
    rate_hz: int
    hours: float
    episodes: int
    wall_s: float
    cpu_s: float
    peak_mb: float
    us_per_kilosample: float


GRIDS: dict[str, list[tuple[int, int, float, int]]] = {
    "channels and rates": [(c, r, 8, 100) for c in (1, 2, 4) for r in (500, 1000, 2000)],
    "hours": [(2, 1000, h, 100) for h in (4, 8, 24, 72)],
    "episodes": [(2, 1000, 8, n) for n in (0, 100, 500, 2000)],
}


def run_grids(runs: int) -> list[Point]:
    """Measure every night of every grid; each is made, measured and deleted."""
    points = []
    for grid, nights in GRIDS.items():
        for channels, rate, hours, episodes in nights:
            with tempfile.TemporaryDirectory() as folder:
                path = plain(
                    Path(folder) / "night.edf", hours=hours, rate=rate, channels=channels, episodes=episodes
                )
                found = [once("d", path, Path(folder)) for _ in range(runs)]
            cpu = median(found, "cpu_s")
            samples = channels * rate * hours * 3600
            points.append(
                Point(
                    grid,
                    channels,
                    rate,
                    hours,
                    episodes,
                    median(found),
                    cpu,
                    median(found, "peak_mb"),
                    1e9 * cpu / samples,
                )
            )
            print(asdict(points[-1]), flush=True)
    return points


def grid_table(points: list[Point]) -> str:
    """The grids as text."""
    lines = [
        f"{'grid':<20}{'ch':>4}{'Hz':>6}{'h':>5}{'episodes':>10}{'wall s':>9}{'cpu s':>8}"
        f"{'peak MB':>9}{'µs / 1000 samples':>19}"
    ]
    lines += [
        f"{p.grid:<20}{p.channels:>4}{p.rate_hz:>6}{p.hours:>5g}{p.episodes:>10}{p.wall_s:>9.2f}"
        f"{p.cpu_s:>8.2f}{p.peak_mb:>9.0f}{p.us_per_kilosample:>19.1f}"
        for p in points
    ]
    return "\n".join(lines)
