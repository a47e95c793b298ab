"""Memory of ``sleepbrux start`` over a day: ``python -m tests.bench.page_day [--idle SECONDS]``.

Four nights of seven hours, two channels at 1 kHz, and a chair recording: scored, looked at, compared, put into a
letter, then left alone. Resident memory of the server, and of each process that it started.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import psutil

from sleepbrux.synth.layout import NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.render import write_night
from tests.bench.measure import ROOT
from tests.cli.conftest import called

NIGHTS, HOURS = 4, 7.0


def study(folder: Path) -> Path:
    """Recordings, and a study file in which nothing is scored."""
    folder.mkdir()
    for k in range(NIGHTS):
        plan = plan_night(Recipe(hours=HOURS), seed=k + 1)
        write_night(plan, folder / f"rec{k + 1}.edf", start=datetime(2026, 3, 2, 22, 40) + timedelta(days=k))
    chair = plan_reference([(NATURAL, 1.0)], seed=2, mvc_uv=(215.0, 190.0))
    write_night(replace(chair, cues=()), folder / "chair.edf", start=datetime(2026, 3, 1, 17, 0))
    file = folder / "study.toml"
    for words in (
        ("study", "new", folder, "--nights", 0),
        ("study", "set", file, "pseudonym=P-01"),
        *(
            ("study", "set", file, "--night", f"night-{k:02d}", f"condition={'none' if k < 3 else 'guard'}")
            for k in range(1, NIGHTS + 1)
        ),
        ("reference", folder / "chair.edf", "--clenches", "1,2,3", "--accept-by", "AB", "--teeth", "natural"),
    ):
        done = called(*words)
        assert done.code == 0, done
    return folder


class Watched:
    """The page as a process of its own, asked as its script asks."""

    def __init__(self, folder: Path, run: Path) -> None:
        environment = dict(os.environ, XDG_RUNTIME_DIR=str(run), PYTHONPATH=str(ROOT))
        words = [sys.executable, "-m", "sleepbrux", "start", str(folder), "--no-open"]
        self.child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment)
        assert self.child.stdout is not None
        origin = self.child.stdout.readline().split()[-1].rstrip("/")
        code = self.child.stdout.readline().split()[-1]
        self.client = httpx.Client(base_url=origin, timeout=120)
        token = self.client.post("/api/enter", json={"code": code}, headers={"Origin": origin}).json()[
            "token"
        ]
        self.headers = {"X-Review-Token": token, "Origin": origin}

    def get(self, path: str, **given: Any) -> Any:
        """What an address answers."""
        answer = self.client.get(path, params=given, headers=self.headers)
        assert answer.status_code == 200, answer.text
        return answer.json() if answer.headers["content-type"] == "application/json" else answer.content

    def do(self, action: str, **fields: str) -> None:
        """Something that a person does, until the worker is done with it."""
        body = {"action": action, "fields": fields, "at": "files"}
        answer = self.client.post("/api/do", json=body, headers=self.headers)
        assert answer.status_code == 200, answer.text
        while self.get("/api/screen", at="files")["job"] is not None:
            time.sleep(0.1)

    def memory(self) -> str:
        """A row: the server, then each process that it started, in MB; the sum of what no other process shares."""
        server = psutil.Process(self.child.pid)
        others = server.children(recursive=True)
        own = [p.memory_info().rss / 2**20 for p in (server, *others)]
        unshared = sum(p.memory_full_info().uss for p in (server, *others)) / 2**20
        return f"{own[0]:.0f} | {', '.join(f'{v:.0f}' for v in own[1:]) or 'none'} | {unshared:.0f}"


def day(page: Watched, idle_s: float) -> None:
    """The rows of the table."""
    print("| when | server, MB | other processes, MB | unshared, all, MB |\n| --- | --- | --- | --- |")
    print(f"| first screen | {page.memory()} |" if page.get("/api/screen", at="nights") else "")
    page.do("score", all="yes", meant="yes")
    print(f"| four nights scored | {page.memory()} |")
    for k in range(NIGHTS):
        about = page.get("/api/night", night=k)
        while not page.get("/api/progress", night=k)["ready"]:
            time.sleep(0.1)
        for start in (0, 3600, 3600.5):
            stop = about["duration_s"] if not start else start + (300 if start == 3600 else 2)
            page.get("/api/trace", night=k, **{"from": start, "to": stop, "width": 1200})
    print(f"| the four looked at | {page.memory()} |")
    for action in ("compare", "preview", "write-letter"):
        page.do(action)
    print(f"| compared, letter written | {page.memory()} |")
    for at in ("nights", "night/0", "arrival", "clenches/0", "score", "compare", "letter", "files"):
        page.get("/api/screen", at=at)
    while page.get("/api/screen", at="files")["job"] is not None:
        time.sleep(0.1)
    print(f"| every screen shown | {page.memory()} |", flush=True)
    time.sleep(idle_s)
    print(f"| after {idle_s:.0f} s without a request | {page.memory()} |")


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser()
    options.add_argument("--idle", type=float, default=600.0)
    options.add_argument("--study", type=Path, default=None, help="made before and kept")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = given.study or Path(place) / "study"
        if not folder.exists():
            study(folder)
        run = Path(place) / "run"
        run.mkdir(mode=0o700)
        page = Watched(folder, run)
        try:
            day(page, given.idle)
        finally:
            page.child.send_signal(signal.SIGINT)
            page.child.wait(20)


if __name__ == "__main__":
    main()
