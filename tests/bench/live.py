"""``python -m tests.bench.live``: a live stream received, kept, shown and served, beside its goals.

A process of its own sends 8 channels of 4 kHz on loopback; this one receives them, keeps the file, serves the
page, and a headless Chromium draws it. Measured: processor time of this process as a share of one core, samples
sent and received, resident memory, and the delay from the time stamp of the newest sample to the moment at
which the page has drawn it (its own clock, ``Date.now``, in whole ms).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil

ROOT = Path(__file__).resolve().parents[2]
SIDES = [f"EMG Masseter {s}{k}" for k in (1, 2) for s in "LR"]
LABELS = (*SIDES, *(label.replace("Masseter", "Temp") for label in SIDES))
GOALS = {"delay_p95_ms": 50.0, "cpu_pct": 15.0, "lost": 0.0}
AFTER_S, ASK_S = 3.0, 30.0


def send(name: str, rate: int, seconds: float) -> None:
    """The sender: noise, the same minute again and again."""
    from sleepbrux.synth.stream import Manner, Player

    minute = np.random.default_rng(1).normal(0, 20, (60 * rate, len(LABELS))).astype(np.float32)
    uv = np.tile(minute, (int(seconds // 60) + 1, 1))[: round(seconds * rate)]
    player = Player(uv, LABELS, rate, Manner(name))
    while not player.wait(1.0):
        pass
    time.sleep(1.0)
    player.run()
    time.sleep(AFTER_S)
    print(player.sent)


def measured(rate: int, seconds: float, *, browser: bool) -> dict[str, float]:
    """One run; the figures by name."""
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.live.engine import Engine
    from sleepbrux.live.keeper import Keeper
    from sleepbrux.live.protocol import Protocol
    from sleepbrux.live.screen import Screen
    from sleepbrux.live.server import application
    from sleepbrux.live.session import Session
    from sleepbrux.live.source import chosen_channels, found
    from sleepbrux.review.access import Entrance
    from sleepbrux.review.serving import listening, patient_for, server_of

    load_kernels()
    name = f"bench-{os.getpid()}"
    sender = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tests.bench.live",
            "--send",
            name,
            "--rate",
            str(rate),
            "--seconds",
            str(seconds),
        ],
        stdout=subprocess.PIPE,
        cwd=ROOT,
    )
    inlet = None
    while inlet is None:
        inlet = next((i for i in found(1.0) if i.info.name == name), None)
    chosen = chosen_channels(inlet.info)
    folder = Path(tempfile.mkdtemp())
    forced: list[float] = []
    os.fsync = _timed(forced)
    keeper = Keeper(folder / "bench.bdf", chosen.labels, inlet.info.rate, find_ends=True)
    session = Session(
        Engine(inlet, chosen, keeper, Screen(chosen.labels, inlet.info.rate)), Protocol(["splint"])
    )
    entrance = Entrance()
    with listening() as socket:
        port = socket.getsockname()[1]
        server = server_of(application(session, port=port, entrance=entrance), patient_for(10.0))
        served = threading.Thread(target=server.run, kwargs={"sockets": [socket]})
        served.start()
        driver = _driver(folder) if browser else None
        if driver is not None:
            driver.get(f"http://127.0.0.1:{port}/#pass={entrance.once()}")
        process, memory, arrivals = psutil.Process(), [], []
        drawn, over = [], threading.Event()
        asking = threading.Thread(target=_ask, args=(driver, drawn, over))
        asking.start()
        inlet.start()
        begun = cpu = 0.0
        taken = 0
        while sender.poll() is None:
            session.step()
            if session.engine.received and not begun:
                begun, cpu = time.monotonic(), time.process_time()
            if session.engine.received > taken:
                taken = session.engine.received
                arrivals.append(session.engine.newest[0] - session.engine.newest[1])
                if len(arrivals) % 250 == 0:
                    memory.append(process.memory_info().rss / 2**20)
        cpu = time.process_time() - cpu
        wall = time.monotonic() - begun
        over.set()
        asking.join()
        if driver is not None:
            driver.quit()
        session.finish()
        server.should_exit = True
        served.join()
    assert sender.stdout is not None
    sent = int(sender.stdout.read())
    from sleepbrux.recording.opening import open_recording

    stored = open_recording(keeper.path).channels[0].n_stored
    late = np.array(drawn[100:] or [np.nan])
    quarter = len(memory) // 4
    return {
        "minutes": round(wall / 60, 2),
        "sent": sent,
        "received": session.engine.received,
        "lost": sent - session.engine.received,
        "not_in_file": session.engine.received - stored,
        "gaps": len(session.engine.clock.gaps),
        "cpu_pct": round(100 * cpu / wall, 1),
        "memory_first_quarter_mb": round(float(np.mean(memory[:quarter])), 1),
        "memory_last_quarter_mb": round(float(np.mean(memory[-quarter:])), 1),
        "arrival_p50_ms": round(1000 * float(np.percentile(arrivals, 50)), 1),
        "arrival_p95_ms": round(1000 * float(np.percentile(arrivals, 95)), 1),
        "delay_p50_ms": float(np.percentile(late, 50)),
        "delay_p95_ms": float(np.percentile(late, 95)),
        "delay_max_ms": float(late.max()),
        "drawn": len(drawn),
        "fsync_max_ms": round(1000 * max(forced, default=0.0), 1),
        "fsync_p50_ms": round(1000 * float(np.median(forced or [0.0])), 1),
        "load": round(os.getloadavg()[0], 1),
    }


def _ask(driver, drawn: list[float], over: threading.Event) -> None:
    """Fetch the page's delays now and then, because it holds those of some minutes only."""
    while driver is not None:
        last = over.wait(ASK_S)
        drawn += driver.execute_script("return window.chairDelays.splice(0)")
        if last:
            return


def _timed(forced: list[float]):
    """The system's own call that forces a file onto the disk, timed."""
    real = os.fsync

    def fsync(number: int) -> None:
        begun = time.perf_counter()
        real(number)
        forced.append(time.perf_counter() - begun)

    return fsync


def _driver(folder: Path):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}"):
        options.add_argument(flag)
    own = Path("/usr/bin/chromedriver")
    return webdriver.Chrome(options=options, service=Service(str(own)) if own.exists() else Service())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--rate", type=int, default=4000)
    parser.add_argument("--no-browser", action="store_true")
    parser.add_argument("--send", default="")
    asked = parser.parse_args()
    if asked.send:
        send(asked.send, asked.rate, asked.seconds)
        return
    found = measured(asked.rate, asked.seconds, browser=not asked.no_browser)
    print(json.dumps(found, indent=1))
    for goal, most in GOALS.items():
        print(f"{goal}: {found[goal]:g}, at most {most:g}: {'met' if found[goal] <= most else 'not met'}")


if __name__ == "__main__":
    main()
