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

from sleepbrux.core.errors import RecordingError, StudyError, UsageError
from sleepbrux.core.files import is_abandoned
from sleepbrux.export.bids import HED, BidsForm, label, labels_of, write_bids
from sleepbrux.export.events import EVENT_TYPES, events
from sleepbrux.export.files import ExportRequest, write_files
from sleepbrux.recording.deidentify import nameless_copy
from sleepbrux.scoring.request import Request, score_file
from sleepbrux.study.dataset import StudyDataset
from sleepbrux.study.file import load_study


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


def named_recording(tmp_path, seed=5, name="named.edf", others=()):
    """A recording whose header and annotations name somebody, scored; ``others`` are labels of more channels."""
    import edfio
    import numpy as np

    from tests.nights import rhythm, signal_of

    signals = [
        edfio.EdfSignal(
            np.clip(signal_of(rhythm(60, 5), seconds=120, seed=seed + k), -3000, 3000),
            1000,
            label=label,
            transducer_type="serial 4711",
            physical_dimension="uV",
            physical_range=(-3000, 3000),
        )
        for k, label in enumerate(("EMG Masseter L", "EMG Masseter R", *others))
    ]
    path = tmp_path / name
    edfio.Edf(
        signals,
        patient=edfio.Patient(code="MRN-77", name="Jane_Doe"),
        recording=edfio.Recording(hospital_administration_code="H-9", investigator_technician_code="Bob"),
        starttime=time(22, 40),
        annotations=[edfio.EdfAnnotation(30, None, "Mrs Doe coughs")],
    ).write(path)
    return path, score_file(path, Request(mvc_uv=200.0))


@pytest.fixture
def named(tmp_path):
    return named_recording(tmp_path)


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
    assert len([p for p in (tmp_path / "set" / "sub-P").iterdir() if p.is_dir()]) == 2


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
        assert all(name.startswith(".set.") and is_abandoned(folder / name) for name in left)


def test_samples_that_spell_text_are_in_no_data_set(tmp_path):
    from tests.recording.test_deidentify import notes_channel

    path = notes_channel(tmp_path, b"Mevrouw Jansen called at night. ")
    with pytest.raises(RecordingError, match="look like text"):
        nameless_copy(path, tmp_path / "copy.edf")
    assert [p.name for p in tmp_path.iterdir()] == ["x.edf"]


STUDY = """
pseudonym = "P-01"
study_id = "a1b2-c3d4"
age_years = 91
sex = "female"

[letter]
recorder = "A recorder"
electrodes = "20 mm over the belly of the masseter, along its fibres"

[dataset]
name = "Nights"
authors = ["A. Author", "B. Author"]
license = "CC0"
manufacturer = "A maker"
reference = "mastoid"
hardware_filters = "band-pass 10-500 Hz"
power_line_hz = 50
interelectrode_distance_mm = 20
"""


def study_in(folder, text=STUDY):
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return load_study(folder / "study.toml")


def owned(night, name, condition):
    about = (("person", "P-01"), ("night", name), ("condition", condition), ("study_id", "a1b2-c3d4"))
    return replace(night, about=about)


def test_what_the_study_file_says_of_set_recorder_and_person_is_in_the_set(tmp_path):
    pairs = [named_recording(tmp_path, seed, f"{seed}.edf", ("ECG", "Resp")) for seed in (5, 50)]
    (first, one), (second, two) = pairs
    nights = [("a", owned(one, "n-1", "none")), ("b", owned(two, "n-2", "splint"))]
    # in the other order, as a user may name them: matched by digest
    recordings = {n.swept.digest: path for path, n in reversed(pairs)}
    write_bids(nights, tmp_path / "set", recordings, form=BidsForm(studies=(study_in(tmp_path),)))
    errors, summary = validated(tmp_path / "set")
    assert errors == []
    assert len(summary["sessions"]) == 2
    for path, session in ((first, "n1"), (second, "n2")):
        folder = tmp_path / "set" / "sub-P01" / f"ses-{session}" / "emg"
        (copy,) = folder.glob("*_emg.edf")
        assert path.read_bytes()[-1000:] == copy.read_bytes()[-1000:]
        said = json.loads(next(folder.glob("*_emg.json")).read_text("utf-8"))
        assert said["Manufacturer"] == "A maker"
        assert said["ManufacturersModelName"] == "A recorder"
        assert said["EMGPlacementSchemeDescription"].startswith("20 mm over")
        assert (said["EMGReference"], said["PowerLineFrequency"]) == ("mastoid", 50)
        assert said["HardwareFilters"] == {"as entered": {"description": "band-pass 10-500 Hz"}}
        assert said["EMGChannelCount"] == 2
        rows = [r.split("\t") for r in next(folder.glob("*_channels.tsv")).read_text("utf-8").splitlines()]
        assert [(r[1], r[-1]) for r in rows[1:]] == [
            ("EMG", "left masseter"),
            ("EMG", "right masseter"),
            ("ECG", "n/a"),
            ("RESP", "n/a"),
        ]
    about = json.loads((tmp_path / "set" / "dataset_description.json").read_text("utf-8"))
    assert (about["Name"], about["Authors"], about["License"]) == (
        "Nights",
        ["A. Author", "B. Author"],
        "CC0",
    )
    people = (tmp_path / "set" / "participants.tsv").read_text("utf-8").splitlines()
    assert people == ["participant_id\tpseudonym\tage\tsex", "sub-P01\tP-01\t89+\tfemale"]
    worn = (tmp_path / "set" / "sub-P01" / "sub-P01_sessions.tsv").read_text("utf-8").splitlines()
    assert worn[1:] == ["ses-n1\tn-1\tnone", "ses-n2\tn-2\tsplint"]


def test_no_recommended_field_that_the_study_knows_is_missing(tmp_path):
    """By the standard's own schema: what is required is there, what is recommended where the study says it."""
    import bidsschematools.schema

    path, night = named_recording(tmp_path)
    form = BidsForm(studies=(study_in(tmp_path),))
    write_bids([("a", owned(night, "n", "none"))], tmp_path / "set", {night.swept.digest: path}, form=form)
    said = json.loads(next((tmp_path / "set").rglob("*_emg.json")).read_text("utf-8"))
    rules = bidsschematools.schema.load_schema().rules.sidecars.emg
    levels = {
        name: level if isinstance(level, str) else level["level"]
        for rule in rules.values()
        for name, level in rule.fields.items()
    }
    assert {name for name, level in levels.items() if level == "required"} <= said.keys()
    assert said.keys() <= levels.keys()
    never = {"DeviceSerialNumber"}  # it may point to a person
    fields = {re.sub("_mm$|_hz$", "", name) for name in StudyDataset.__struct_fields__}
    spoken = {re.sub("(?<=[a-z])(?=[A-Z])", "_", name).lower() for name in levels}
    missing = {n for n in spoken if levels.get(n) == "recommended"} - fields
    assert missing - never == set()


def test_two_study_files_with_two_data_sets_are_refused(night, tmp_path):
    first = study_in(tmp_path)
    other = study_in(tmp_path, STUDY.replace('"CC0"', '"CC-BY"'))
    wish = ExportRequest(("bids",), studies=(first, other))
    with pytest.raises(UsageError, match=r"different \[dataset\] tables"):
        write_files([("a", night)], tmp_path / "out", wish)
    assert not (tmp_path / "out").exists()
    with pytest.raises(StudyError, match=r"dataset: there is no field 'licence'; allowed are name, authors"):
        study_in(tmp_path, STUDY.replace("license", "licence"))


@pytest.mark.filterwarnings("ignore")
def test_hed_tags_are_valid_by_their_own_makers_tools(night, tmp_path):
    from hed import Sidecar, TabularInput, get_printable_issue_string, load_schema_version

    write_bids([("a", night)], tmp_path / "set")
    about = json.loads((tmp_path / "set" / "dataset_description.json").read_text("utf-8"))
    schema = load_schema_version(about["HEDVersion"])  # a file of the package, no download
    table = next((tmp_path / "set").rglob("*_events.tsv"))
    sidecar = Sidecar(str(table.with_suffix(".json")))
    said = TabularInput(str(table), sidecar=sidecar)
    issues = sidecar.validate(schema) + said.validate(schema)
    assert issues == [], get_printable_issue_string(issues)
    assert set(HED) == set(EVENT_TYPES)
    wrong = json.loads(table.with_suffix(".json").read_text("utf-8"))
    wrong["trial_type"]["HED"]["Phasic episode"] = "Bruxism"
    (tmp_path / "wrong.json").write_text(json.dumps(wrong), encoding="utf-8")
    assert Sidecar(str(tmp_path / "wrong.json")).validate(schema)


def test_what_a_killed_run_left_of_a_data_set_is_cleared_by_the_next(tmp_path, monkeypatch):
    from sleepbrux.core import files
    from sleepbrux.export.bids import _whole

    with monkeypatch.context() as of_a_dead_run:
        of_a_dead_run.setattr(files, "_RUN", "0" * 8)
        left = files.temporary_name(tmp_path / "bids")
    (left / "sub-P").mkdir(parents=True)
    (left / "sub-P" / "x.tsv").write_text("1", "utf-8")
    with _whole(tmp_path / "bids") as temporary:
        (temporary / "README").write_text("2", "utf-8")
    assert [p.name for p in tmp_path.iterdir()] == ["bids"]
