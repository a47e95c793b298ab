"""The page of ``sleepbrux start``: until it can be used, a study of sixty nights, processor and memory when idle."""

from __future__ import annotations

import os
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import httpx
import psutil

from tests.bench.measure import ROOT

NIGHTS, IDLE_S, LISTS = 60, 20.0, 7


@dataclass(frozen=True)
class PageRun:
    """One start.

    Attributes
    ----------
    usable_s, usable_cpu_s
        From the command to the first screen with the nights of the study; processor time of the same.
    list_s
        The screen of the nights, asked for again: median.
    idle_cpu_s
        Processor time in ``IDLE_S`` seconds with one window that waits.
    memory_mb
        Of the program after the first screen; with a night under review; and of the process in which that is open.
    """

    usable_s: float
    usable_cpu_s: float
    list_s: float
    idle_cpu_s: float
    memory_mb: tuple[float, float, float]
    load: float


def sixty(folder: Path) -> Path:
    """A study of sixty scored nights: one short night, scored, and its files under sixty names."""
    from sleepbrux.synth.layout import Recipe, plan_night
    from sleepbrux.synth.render import write_night
    from tests.cli.conftest import called

    folder.mkdir(parents=True)
    write_night(plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=1), folder / "rec01.edf")
    for words in (
        ("study", "new", folder, "--nights", 0),
        ("study", "set", folder / "study.toml", "pseudonym=P-01"),
        ("study", "set", folder / "study.toml", "--night", "night-01", "condition=none"),
        ("score", "--study", folder / "study.toml"),
    ):
        done = called(*words)
        assert done.code == 0, done
    file = folder / "study.toml"
    text = file.read_text("utf-8")
    head, entry = text[: text.index("[[night]]")], text[text.index("[[night]]") :]
    entries = []
    for k in range(1, NIGHTS + 1):
        name = f"night-{k:02d}"
        entries.append(entry.replace("night-01", name).replace("rec01.edf", f"rec{k:02d}.edf"))
        if k > 1:
            os.link(folder / "rec01.edf", folder / f"rec{k:02d}.edf")
        for path in sorted((folder / "results").glob("night-01.*")) if k > 1 else ():
            shutil.copy2(path, path.with_name(path.name.replace("night-01", name)))
    file.write_text(head + "\n".join(entries), "utf-8")
    return folder


def one_page(folder: Path, run: Path) -> PageRun:
    """Start the page over a study and measure it."""
    environment = dict(os.environ, XDG_RUNTIME_DIR=str(run), PYTHONPATH=str(ROOT))
    words = [sys.executable, "-m", "sleepbrux", "start", str(folder), "--no-open"]
    begun = time.perf_counter()
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment) as child:
        assert child.stdout is not None
        killed = threading.Timer(120, child.kill)  # a page that hangs must not hold the measurement
        killed.start()
        address = child.stdout.readline().split()[-1]
        code = child.stdout.readline().split()[-1]
        origin = address.rstrip("/")
        process = psutil.Process(child.pid)
        with httpx.Client(base_url=origin, timeout=60) as client:
            assert client.get("/").status_code == 200
            token = client.post("/api/enter", json={"code": code}, headers={"Origin": origin}).json()["token"]
            headers = {"X-Review-Token": token, "Origin": origin}

            def screen() -> dict[str, object]:
                answer = client.get("/api/screen", params={"at": "nights"}, headers=headers)
                assert answer.status_code == 200
                found: dict[str, object] = answer.json()
                return found

            first = screen()
            usable = time.perf_counter() - begun
            assert f"night-{NIGHTS}" in str(first["html"])
            cpu = sum(process.cpu_times()[:2])
            times = []
            for _ in range(LISTS):
                at = time.perf_counter()
                screen()
                times.append(time.perf_counter() - at)
            before, memory = sum(process.cpu_times()[:2]), process.memory_info().rss / 2**20
            end = time.perf_counter() + IDLE_S
            client.get(
                "/api/changes", params={"since": str(screen()["count"])}, headers=headers
            )  # returns after 25 s at most
            time.sleep(max(0.0, end - time.perf_counter()))
            idle = sum(process.cpu_times()[:2]) - before
            answer = client.get("/api/night", params={"night": "0"}, headers=headers)
            assert answer.status_code == 200, answer.text
            time.sleep(2)
            reviewed = process.memory_info().rss / 2**20
            desk = max(p.memory_info().rss / 2**20 for p in process.children())
        child.send_signal(signal.SIGINT)
        child.wait(20)
        killed.cancel()
    load = os.getloadavg()[0]
    return PageRun(usable, cpu, statistics.median(times), idle, (memory, reviewed, desk), load)


def run_pages(rounds: int) -> list[PageRun]:
    """Some starts, one after the other; the first warms the files."""
    with tempfile.TemporaryDirectory() as place:
        folder = sixty(Path(place) / "study")
        run = Path(place) / "run"
        run.mkdir(mode=0o700)
        return [one_page(folder, run) for _ in range(rounds + 1)][1:]


def page_text(runs: list[PageRun]) -> str:
    """The table, in markdown."""
    lines = [
        "| usable, s | processor, s | 60 nights listed, s | idle processor in 20 s, s | memory, MB | "
        "with a night under review, MB | the process of the review, MB | load |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {r.usable_s:.2f} | {r.usable_cpu_s:.2f} | {r.list_s:.3f} | {r.idle_cpu_s:.2f} | "
        f"{r.memory_mb[0]:.0f} | {r.memory_mb[1]:.0f} | {r.memory_mb[2]:.0f} | {r.load:.1f} |"
        for r in runs
    ]
    return "\n".join(lines)
