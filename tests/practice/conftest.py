"""Recordings of an invented person, the page over them as a process of its own, and a browser on it."""

import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from sleepbrux.synth.layout import NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.render import write_night
from tests.report.conftest import browser

from .asking import Asking
from .hands import Hands

__all__ = ["browser"]
ROOT = Path(__file__).resolve().parents[2]
NIGHTS = 6


@pytest.fixture(scope="session")
def recorded(tmp_path_factory):
    """Six nights of twelve minutes with lights marked, and a chair recording whose clenches nobody marked."""
    folder = tmp_path_factory.mktemp("recorded")
    for k in range(NIGHTS):
        plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=k + 1)
        lights = replace(plan, cues=tuple(c for c in plan.cues if "Lights" in c.text))
        write_night(
            lights, folder / f"rec{k + 1}.edf", start=datetime(2026, 3, 2, 22, 40) + timedelta(days=k)
        )
    chair = plan_reference([(NATURAL, 1.0)], seed=2, mvc_uv=(215.0, 190.0))
    write_night(replace(chair, cues=()), folder / "chair.edf", start=datetime(2026, 3, 1, 17, 0))
    return folder


class Process:
    """``sleepbrux start`` as a person starts it."""

    def __init__(self, folder, run):
        self.folder, self.environment = (
            folder,
            dict(os.environ, XDG_RUNTIME_DIR=str(run), PYTHONPATH=str(ROOT)),
        )
        begun = time.monotonic()
        self.child = self._start(folder)
        self.address = self.child.stdout.readline().split()[-1]
        self.code = self.child.stdout.readline().split()[-1]
        self.seconds = time.monotonic() - begun
        self.clients = []

    def _start(self, folder):
        words = [sys.executable, "-m", "sleepbrux", "start", str(folder), "--no-open"]
        return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=self.environment)

    def again(self, folder):
        """A second start; what it said and its exit code."""
        words = [sys.executable, "-m", "sleepbrux", "start", str(folder), "--no-open"]
        done = subprocess.run(words, capture_output=True, text=True, env=self.environment, check=False)
        return done.returncode, done.stdout, done.stderr

    @property
    def entry(self):
        """Address with the code, which opens once."""
        return f"{self.address}#pass={self.code}"

    def stop(self, sign=signal.SIGKILL):
        """End it."""
        for client in self.clients:
            client.close()
        if self.child.poll() is None:
            self.child.send_signal(sign)
        code = self.child.wait(20)
        self.child.stdout.close()
        return code


@pytest.fixture
def started(tmp_path):
    """Starts the page over a folder; all that was started is ended."""
    run = tmp_path / "run"
    run.mkdir(mode=0o700)
    pages = []

    def start(folder):
        pages.append(Process(folder, run))
        return pages[-1]

    yield start
    for page in pages:
        if not page.child.stdout.closed:
            page.stop()


@pytest.fixture(scope="session")
def done_study(recorded, tmp_path_factory):
    """A study made by commands alone: drafted, filled in, clenches accepted, scored."""
    from tests.cli.conftest import called

    folder = tmp_path_factory.mktemp("done")
    for path in recorded.iterdir():
        shutil.copy2(path, folder / path.name)
    by_commands(folder, called)
    return folder


def by_commands(folder, called):
    """The way from recordings to scored nights by commands."""
    study = folder / "study.toml"
    for words in (
        ("study", "new", folder, "--nights", 0),
        ("study", "set", study, "pseudonym=P-01"),
        *(("study", "set", study, "--night", f"night-{k:02d}", "condition=none") for k in (1, 2, 3)),
        *(("study", "set", study, "--night", f"night-{k:02d}", "condition=night guard") for k in (4, 5, 6)),
        ("reference", folder / "chair.edf", "--clenches", "1,2,3", "--accept-by", "AB", "--teeth", "natural"),
        ("score", "--study", study),
    ):
        done = called(*words)
        assert done.code == 0, done


@pytest.fixture
def study(done_study, tmp_path):
    """A copy of it, times of the files kept."""
    folder = tmp_path / "study"
    shutil.copytree(done_study, folder)
    return folder


@pytest.fixture
def over(study):
    """The page over a scored study."""
    one = Asking(study)
    yield one
    one.stop()


@pytest.fixture
def hands(browser, over):
    """Somebody at the page over a scored study, in a browser."""
    one = Hands(browser)
    one.come(over.address())
    yield one
    browser.get("about:blank")
