"""Run a task as a process; wall time, processor time and peak memory."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.bench.tasks import IN_PROCESS, command

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Run:
    """One run: of the task itself where it runs inside a process, else of the whole process.

    Attributes
    ----------
    peak_mb
        Resident memory of the whole process at its highest; with (h) of Python, not of the browser.
    load
        Running tasks of the machine over the last minute, as it began.
    """

    wall_s: float
    cpu_s: float
    peak_mb: float
    load: float


def once(name: str, path: Path, out: Path) -> Run:
    """Run one task once."""
    load = os.getloadavg()[0]
    begin = time.perf_counter()
    process = subprocess.Popen(command(name, path, out), stdout=subprocess.PIPE, cwd=ROOT)
    assert process.stdout is not None
    said = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - begin
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    if process.returncode:
        raise SystemExit(f"{name}: the process ended with {process.returncode}")
    peak = usage.ru_maxrss / 1024
    if name in IN_PROCESS:
        times = json.loads(said.splitlines()[-1])
        return Run(times["wall_s"], times["cpu_s"], peak, load)
    return Run(wall, usage.ru_utime + usage.ru_stime, peak, load)


def interleaved(
    names: Sequence[str], path: Path, out: Path, runs: int, *, rare: Iterable[str] = ()
) -> dict[str, list[Run]]:
    """``runs`` rounds of all tasks, so that a busy minute meets them alike; ``rare`` ones twice."""
    found: dict[str, list[Run]] = {name: [] for name in names}
    for k in range(runs):
        for name in names:
            if name not in rare or k < 2:
                found[name].append(once(name, path, out))
        print(f"round {k + 1} of {runs}", flush=True)
    return found


def median(runs: Sequence[Run], field: str = "wall_s") -> float:
    """Median of one figure."""
    return statistics.median(getattr(run, field) for run in runs)
