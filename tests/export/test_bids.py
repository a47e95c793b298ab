"""BIDS data sets, held against the validator of the standard's own makers."""

import json
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import time
from pathlib import Path

import pytest

from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.export.bids import label, labels_of, write_bids
from sleepbrux.export.events import EVENT_TYPES, events
from sleepbrux.export.files import ExportRequest, write_files
from sleepbrux.recording.deidentify import nameless_copy
from sleepbrux.scoring.request import Request, score_file


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
        edfio.EdfSignal(
            np.clip(signal_of(rhythm(60, 5), seconds=120, seed=k), -3000, 3000),
            1000,
            label=label,
            transducer_type="serial 4711",
            physical_dimension="uV",
            physical_range=(-3000, 3000),
        )
        for k, label in enumerate(("EMG Masseter L", "EMG Masseter R"))
    ]
    path = tmp_path / "named.edf"
    edfio.Edf(
        signals,
        patient=edfio.Patient(code="MRN-77", name="Jane_Doe"),
        recording=edfio.Recording(hospital_administration_code="H-9", investigator_technician_code="Bob"),
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
    assert {n: m.value for n, m in again.measures.items()} == {n: m.value for n, m in night.measures.items()}


def test_a_header_that_cannot_be_followed_gives_no_copy(tmp_path):
    bad = tmp_path / "bad.edf"
    bad.write_bytes(b"0" + b" " * 251 + b"xxxx")
    with pytest.raises(RecordingError, match=r"bad\.edf: field 'number of signals' is 'xxxx'"):
        nameless_copy(bad, tmp_path / "copy.edf")
    assert not (tmp_path / "copy.edf").exists()


def of(night, person, name):
    return replace(night, about=(("person", person), ("night", name), ("condition", "none")))


@pytest.mark.shows("nights-swapped")
def test_pseudonyms_that_share_their_letters_and_digits_are_two_persons(night, tmp_path):
    people = ["P-01", "P0-1", "p01", "Петр", "李", "P 02"]
    write_bids([(str(k), of(night, p, "n-1")) for k, p in enumerate(people)], tmp_path / "set")
    rows = (tmp_path / "set" / "participants.tsv").read_text("utf-8").splitlines()[1:]
    named = dict(reversed(row.split("\t")) for row in rows)
    assert named.keys() == set(people)
    assert named["P 02"] == "sub-P02"
    folders = {p.name for p in (tmp_path / "set").iterdir() if p.is_dir()}
    assert folders == set(named.values())
    assert len({f.casefold() for f in folders}) == len(people)
    assert all(re.fullmatch("sub-[A-Za-z0-9]+", f) for f in folders)


def test_nights_of_one_person_whose_ids_share_their_letters_stay_two(night, tmp_path):
    write_bids([("a", of(night, "P", "n-1")), ("b", of(night, "P", "n1"))], tmp_path / "set")
    assert len(list((tmp_path / "set" / "sub-P").iterdir())) == 2


def test_names_are_the_same_whatever_else_is_in_the_set():
    assert labels_of(["P-01"]) == {"P-01": "P01"}
    assert labels_of(["x", "P-01", "P0-1"])["P-01"] == labels_of(["P0-1", "P-01"])["P-01"]


def test_no_cell_of_a_table_runs_as_a_formula(hostile, tmp_path):
    night = replace(hostile, about=(("person", "=1+1"), ("night", "@SUM(A1)"), ("condition", "-")))
    write_bids([("x", night)], tmp_path / "set")
    for path in (tmp_path / "set").rglob("*.tsv"):
        for line in path.read_text("utf-8").splitlines():
            for cell in line.split("\t"):
                if cell.startswith(("=", "+", "-", "@")):
                    float(cell)


def test_recordings_of_some_of_the_nights_are_refused_and_nothing_is_written(named, night, tmp_path):
    path, first = named
    pair = [("named", first), ("other", night)]
    with pytest.raises(UsageError, match=r"recordings of 1 of 2 nights; not that of other"):
        write_bids(pair, tmp_path / "set", {first.swept.digest: path})
    wish = ExportRequest(("csv", "bids"), recordings=(path,))
    with pytest.raises(UsageError, match=r"1 of 2 nights"):
        write_files(pair, tmp_path / "out", wish)
    assert not (tmp_path / "set").exists()
    assert not (tmp_path / "out").exists()


KILLED = """
import os, sys
from pathlib import Path
from sleepbrux.export import bids
from sleepbrux.archive.file import load_night

real, left = bids.write_text, [int(sys.argv[3])]

def writing(*arguments):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), 9)
    real(*arguments)

bids.write_text = writing
night = load_night(sys.argv[1])
bids.write_bids([("a", night)], Path(sys.argv[2]) / "set")
"""


@pytest.mark.shows("stale-result")
@pytest.mark.parametrize("files", [0, 2, 5, 100])
def test_a_killed_export_leaves_no_half_under_the_name_of_the_set(archive, tmp_path, files):
    folder = tmp_path / "out"
    folder.mkdir()
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(archive), str(folder), str(files)],
        check=False,
        cwd=Path(__file__).resolve().parents[2],
    )
    left = [p.name for p in folder.iterdir()]
    if done.returncode == 0:
        assert left == ["set"]
    else:
        assert done.returncode == -9
        assert all(re.fullmatch(r"\.set\.[0-9a-f]{8}\.partial", name) for name in left)


def test_samples_that_spell_text_are_in_no_data_set(tmp_path):
    from tests.recording.test_deidentify import notes_channel

    path = notes_channel(tmp_path, b"Mevrouw Jansen called at night. ")
    with pytest.raises(RecordingError, match="look like text"):
        nameless_copy(path, tmp_path / "copy.edf")
    assert [p.name for p in tmp_path.iterdir()] == ["x.edf"]
