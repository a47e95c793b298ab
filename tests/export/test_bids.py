"""BIDS data sets, held against the validator of the standard's own makers."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sleepbrux.errors import UsageError
from sleepbrux.export.bids import label, write_bids
from sleepbrux.export.events import EVENT_TYPES, events


def validated(folder):
    """Issues of severity error, as the validator prints them."""
    tool = shutil.which("bids-validator-deno", path=str(Path(sys.executable).parent))
    if tool is None:
        pytest.skip("the BIDS validator is not installed")
    done = subprocess.run(
        [tool, str(folder), "--format", "json"], capture_output=True, text=True, check=False
    )
    table = json.loads(done.stdout[done.stdout.index("{") :])
    issues = table["issues"]["issues"]
    return [i for i in issues if i["severity"] == "error"], table["summary"]


def test_archives_alone_make_a_derivative_that_passes(night, other_night, tmp_path):
    write_bids([("a", night), ("b", other_night)], tmp_path / "set")
    errors, summary = validated(tmp_path / "set")
    assert errors == []
    assert summary["subjects"] == ["P01"]


def test_the_validator_can_fail(night, tmp_path):
    write_bids([("a", night)], tmp_path / "set")
    path = next((tmp_path / "set").rglob("*_events.tsv"))
    path.write_text(path.read_text("utf-8").replace("onset\t", "when\t", 1), encoding="utf-8")
    assert validated(tmp_path / "set")[0]


def test_every_event_stands_with_its_meaning(night, tmp_path):
    write_bids([("a", night)], tmp_path / "set")
    path = next((tmp_path / "set").rglob("*_events.tsv"))
    heads, *rows = [line.split("\t") for line in path.read_text("utf-8").splitlines()]
    assert heads[:3] == ["onset", "duration", "trial_type"]
    assert len(rows) == len(events(night))
    assert [float(r[0]) for r in rows] == sorted(float(r[0]) for r in rows)
    sidecar = json.loads(path.with_suffix(".json").read_text("utf-8"))
    assert set(heads) <= sidecar.keys()
    assert {r[2] for r in rows} <= sidecar["trial_type"]["Levels"].keys() == EVENT_TYPES.keys()


def test_names_are_letters_and_digits_and_never_twice(night, hostile, tmp_path):
    assert label("../P 01\n") == "P01"
    write_bids([("x", hostile)], tmp_path / "hostile")
    assert all(p.is_relative_to(tmp_path) for p in tmp_path.rglob("*"))
    assert (tmp_path / "hostile" / "sub-script" / "ses-etc").is_dir()
    with pytest.raises(UsageError, match="two nights would be sub-P01 ses-night1"):
        write_bids([("a", night), ("b", night)], tmp_path / "twice")
    with pytest.raises(UsageError, match="not empty"):
        write_bids([("a", night)], tmp_path)
