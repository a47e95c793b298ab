"""Full nights in a batch: two workers against one, and memory as nights go by."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import psutil

from tests.bench.measure import ROOT
from tests.bench.nights import realistic

DIFFERENT = 3


@dataclass(frozen=True)
class BatchRun:
    """One batch.

    Attributes
    ----------
    cpu_s
        Of the command and its workers.
    worker_mb
        Highest memory of a worker over the first and over the last third of the nights.
    parent_mb
        Highest memory of the command itself.
    """

    workers: int
    wall_s: float
    cpu_s: float
    worker_mb: tuple[float, float]
    parent_mb: float
    load: float


def _watch(process: subprocess.Popen[bytes], out: Path, seen: list[tuple[int, float, float]]) -> None:
    """(nights done, highest worker, command) in MB, five times a second."""
    parent = psutil.Process(process.pid)
    while process.poll() is None:
        try:
            workers = [p.memory_info().rss / 2**20 for p in parent.children()]
            own = parent.memory_info().rss / 2**20
        except psutil.NoSuchProcess:
            break
        seen.append((len(list(out.glob("*.summary.json"))), max(workers, default=0.0), own))
        time.sleep(0.2)


def one_batch(folder: Path, out: Path, workers: int, nights: int) -> BatchRun:
    """Score the folder afresh."""
    shutil.rmtree(out, ignore_errors=True)
    load, before, begin = os.getloadavg()[0], os.times(), time.perf_counter()
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "sleepbrux",
            "batch",
            str(folder),
            "--out",
            str(out),
            "--workers",
            str(workers),
            "--channel",
            "EMG Masseter L",
            "--channel",
            "EMG Masseter R",
        ],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
    )
    seen: list[tuple[int, float, float]] = []
    watcher = threading.Thread(target=_watch, args=(process, out, seen))
    watcher.start()
    code = process.wait()
    wall, after = time.perf_counter() - begin, os.times()
    watcher.join()
    if code:
        raise SystemExit(f"the batch ended with {code}")
    cpu = (after.children_user - before.children_user) + (after.children_system - before.children_system)
    first = max((mb for n, mb, _ in seen if n <= nights / 3), default=0.0)
    last = max((mb for n, mb, _ in seen if n >= nights * 2 / 3), default=0.0)
    return BatchRun(workers, wall, cpu, (first, last), max(own for *_, own in seen), load)


def run_batches(nights: int, repeats: int, hours: float) -> list[BatchRun]:
    """``repeats`` times one worker, then two, on ``nights`` recordings (three different ones)."""
    found = []
    with tempfile.TemporaryDirectory() as place:
        folder, out = Path(place) / "in", Path(place) / "out"
        folder.mkdir()
        for k in range(nights):
            path = folder / f"night{k:03d}.edf"
            if k < DIFFERENT:
                realistic(path, hours=hours, seed=k + 1)
            else:
                os.link(folder / f"night{k % DIFFERENT:03d}.edf", path)
        for _ in range(repeats):
            for workers in (1, 2):
                found.append(one_batch(folder, out, workers, nights))
                print(found[-1], flush=True)
    return found


def batch_text(found: list[BatchRun], nights: int) -> str:
    """What the runs say."""
    by = {w: [r for r in found if r.workers == w] for w in (1, 2)}
    lines = [
        f"{f'{nights} nights':<19}{'wall s':>9}{'cpu s':>9}{'s a night':>11}"
        f"{'worker MB, first':>20}{'last third':>12}{'command MB':>12}{'load':>7}"
    ]
    lines += [
        f"workers {r.workers:<11}{r.wall_s:>9.1f}{r.cpu_s:>9.1f}{r.wall_s / nights:>11.2f}"
        f"{r.worker_mb[0]:>20.0f}{r.worker_mb[1]:>12.0f}{r.parent_mb:>12.0f}{r.load:>7.1f}"
        for r in found
    ]
    ratios = [a.wall_s / b.wall_s for a, b in zip(by[1], by[2], strict=True)]
    ratio = statistics.median(ratios)
    lines.append(
        f"two workers against one: {ratio:.2f} x (median of {len(ratios)}); "
        f"at least 1.8 wanted: {'reached' if ratio >= 1.8 else 'not reached'}"
    )
    return "\n".join(lines)
