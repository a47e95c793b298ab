"""BIDS data sets, held against the validator of the standard's own makers."""

import json
import shutil
import subprocess
import sys
from datetime import time
from pathlib import Path

import pytest

from sleepbrux.deidentify import nameless_copy
from sleepbrux.errors import RecordingError, UsageError
from sleepbrux.export.bids import label, write_bids
from sleepbrux.export.events import EVENT_TYPES, events
from sleepbrux.scoring import Request, score_file


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
    with pytest.raises(UsageError, match="two nights would be night 'night-1' of 'P-01'"):
        write_bids([("a", night), ("b", night)], tmp_path / "twice")
    with pytest.raises(UsageError, match="not empty"):
        write_bids([("a", night)], tmp_path)


@pytest.fixture
def named(tmp_path):
    """A recording whose header and annotations name somebody, scored."""
    import edfio
    import numpy as np

    from tests.nights import rhythm, signal_of

    signals = [
        edfio.EdfSignal(np.clip(signal_of(rhythm(60, 5), seconds=120, seed=k), -3000, 3000), 1000,
                        label=label, transducer_type="serial 4711", physical_dimension="uV",
                        physical_range=(-3000, 3000))
        for k, label in enumerate(("EMG Masseter L", "EMG Masseter R"))
    ]  # fmt: skip
    path = tmp_path / "named.edf"
    edfio.Edf(
        signals,
        patient=edfio.Patient(code="MRN-77", name="Jane_Doe"),
        recording=edfio.Recording(
            hospital_administration_code="H-9", investigator_technician_code="Bob"
        ),
        starttime=time(22, 40),
        annotations=[edfio.EdfAnnotation(30, None, "Mrs Doe coughs")],
    ).write(path)
    return path, score_file(path, Request(mvc_uv=200.0))


def test_with_the_recordings_it_is_a_raw_set_that_passes(named, tmp_path):
    path, night = named
    write_bids([("named", night)], tmp_path / "set", {night.swept.digest: path})
    errors, summary = validated(tmp_path / "set")
    assert errors == []
    assert summary["modalities"] == ["EMG"] or "emg" in str(summary["modalities"]).lower()
    copy = next((tmp_path / "set").rglob("*_emg.edf"))
    data = copy.read_bytes()
    for word in (b"Doe", b"MRN", b"H-9", b"Bob", b"4711", b"coughs"):
        assert word in path.read_bytes()
        assert word not in data


def test_the_copy_has_the_same_samples_and_time_of_day(named, tmp_path):
    import edfio
    import numpy as np

    path, night = named
    nameless_copy(path, tmp_path / "copy.edf")
    before, after = edfio.read_edf(path), edfio.read_edf(tmp_path / "copy.edf")
    for a, b in zip(before.signals, after.signals, strict=True):
        assert a.label == b.label
        np.testing.assert_array_equal(a.digital, b.digital)
    assert len(after.annotations) == 0
    assert after.starttime == before.starttime
    again = score_file(tmp_path / "copy.edf", Request(mvc_uv=200.0))
    assert {n: m.value for n, m in again.measures.items()} == {
        n: m.value for n, m in night.measures.items()
    }


def test_a_header_that_cannot_be_followed_gives_no_copy(tmp_path):
    bad = tmp_path / "bad.edf"
    bad.write_bytes(b"0" + b" " * 251 + b"xxxx")
    with pytest.raises(RecordingError, match=r"bad\.edf: field 'number of signals' is 'xxxx'"):
        nameless_copy(bad, tmp_path / "copy.edf")
    assert not (tmp_path / "copy.edf").exists()
