"""An installation without any extra: the jobs of README run, and each door says what adds the rest."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from tests.recording.xdf_files import Stream, xdf

ROOT = Path(__file__).resolve().parents[1]
EXTRAS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]
FOR_DEVELOPERS = {"test", "lint", "mutation", "coverage", "docs", "notebooks"}
# What each package is imported as; what is asked for without it.
DOORS = {
    "gee": {"statsmodels": "gee"},
    "cloud": {"fsspec": "cloud"},
    "cluster": {"dask": "cluster", "distributed": "cluster"},
    "live": {"pylsl": "live", "pyxdf": "xdf"},
    "plot": {"matplotlib": "plot"},
    "tables": {"pyarrow": "tables"},
}
SCRIPT = """
import importlib.abc, json, sys
from pathlib import Path

blocked, folder = set(json.loads(sys.argv[1])), Path(sys.argv[2])

class Lacking(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in blocked:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Lacking())
import sleepbrux as sb
from sleepbrux.analysis.cohort.gee import by_gee
from sleepbrux.analysis.cohort import PersonNight
from sleepbrux.batch.cluster import run_cluster
from sleepbrux.export.frames import parquet
from sleepbrux.live.source import library
from sleepbrux.report.plots import plot_night
from sleepbrux.cli import cli

night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
doors = {
    "gee": lambda: by_gee([PersonNight("A", "none", 3.0, 7.0)], ["splint"], "none"),
    "cluster": lambda: list(run_cluster([], folder, "tcp://127.0.0.1:1")),
    "cloud": lambda: sb.score_many("memory://nights/n1.edf", out=folder / "many"),
    "live": library,
    "xdf": lambda: sb.open_recording(folder / "s.xdf"),
    "plot": lambda: plot_night(night),
    "tables": lambda: parquet(night),
}
told = {}
for name, door in doors.items():
    try:
        door()
    except sb.SleepbruxError as error:
        told[name] = str(error)
told["score"] = cli(
    ["score", "demo_data/excerpt.edf", "--mvc-uv", "190", "--out", str(folder / "out")], standalone_mode=False
)
told["loaded"] = sorted(blocked & {name.partition(".")[0] for name in sys.modules})
print("@" + json.dumps(told))
"""


@pytest.fixture(scope="module")
def without(tmp_path_factory) -> dict[str, object]:
    """What a process says in which the packages of no extra can be imported."""
    folder = tmp_path_factory.mktemp("lacking")
    stream = Stream("s", np.zeros((100, 1)), np.arange(100) / 100, 100.0, ("EMG",))
    (folder / "s.xdf").write_bytes(xdf(stream))
    blocked = [package for doors in DOORS.values() for package in doors]
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, json.dumps(blocked), str(folder)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout.rpartition("@")[2]))


def test_every_extra_of_the_project_is_tried():
    assert set(DOORS) == set(EXTRAS) - FOR_DEVELOPERS


def test_without_any_extra_a_recording_is_scored(without):
    assert (without["score"], without["loaded"]) == (0, [])


@pytest.mark.parametrize(
    ("extra", "package", "door"),
    [(extra, package, door) for extra, doors in DOORS.items() for package, door in doors.items()],
)
def test_a_missing_package_is_one_sentence_with_the_command_that_adds_it(without, extra, package, door):
    said = str(without[door])
    assert package in said
    assert "which is not installed; add it with: " in said
    assert f"pip install 'sleepbrux[{extra}]'" in said
    assert said.count(". ") == 0
    assert "\n" not in said
