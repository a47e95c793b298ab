"""What is dropped: taken once, asked about, or not kept; and the code under which a person goes."""

import io
import re

import h5py
import numpy as np
import pytest

from sleepbrux.study.checking import check
from sleepbrux.study.file import load_study
from tests.cli.conftest import called
from tests.recording.build import edf, emg

from .asking import Asking
from .test_odd_files import sound

NIGHT = edf(emg(10, 200, label="EMG Masseter L", dimension="uV")).to_bytes()


@pytest.fixture
def page(tmp_path):
    one = Asking(tmp_path)
    yield one
    one.stop()


@pytest.fixture
def empty(page):
    """The page over an empty study."""
    page.do("start", pseudonym="P-01", where="here")
    return page


def named(page):
    study = load_study(page.practice.study_file)
    return [n.recording for n in study.night] + [r.recording for r in study.reference]


def test_the_same_recording_under_another_name_is_taken_once(empty):
    home = empty.practice.home
    assert empty.send("one.edf", NIGHT).json() == {"name": "one.edf", "twin": False}
    assert empty.send("two.edf", NIGHT).json() == {"name": "one.edf", "twin": True}
    empty.arrive()
    assert named(empty) == ["one.edf"]
    (home / "by-hand.edf").write_bytes(NIGHT)
    told = empty.do("add")["told"]
    assert "by-hand.edf: the same recording as one.edf, byte for byte" in told
    assert named(empty) == ["one.edf"]
    # and by command: the same sentence, and nothing written
    said = called("study", "add", empty.practice.study_file, home / "by-hand.edf")
    assert "by-hand.edf: the same recording as one.edf, byte for byte" in said.err + said.out
    assert named(empty) == ["one.edf"]


def test_a_study_that_names_one_recording_twice_under_two_names_says_so(empty):
    home, file = empty.practice.home, empty.practice.study_file
    for name in ("one.edf", "two.edf"):
        (home / name).write_bytes(NIGHT)
    nights = "".join(
        f'\n[[night]]\nid = "n{k}"\nrecording = "{name}"\ncondition = "none"\n'
        for k, name in enumerate(("one.edf", "two.edf"))
    )
    file.write_text(file.read_text("utf-8") + nights, "utf-8")
    found = [f for f in check(load_study(file), home) if "byte for byte" in f.text]
    assert [(f.severity, f.where) for f in found] == [("missing", "night[1] (n1).recording")]


NONE = {
    "cut.edf": NIGHT[:300],
    "gz.edf": b"\x1f\x8b" + NIGHT[:2000],
    "text.edf": b"not a recording at all",
    "zero.edf": b"",
    "empty.csv": b"",
    "table.csv": b"a;b\n1;2\n",
    "note.txt": b"dear colleague",
    "archive.zip": b"PK\x03\x04" + bytes(50),
    "picture.png": b"\x89PNG\r\n\x1a\n" + bytes(50),
}


def test_what_is_no_recording_gets_one_sentence_of_the_command_and_is_not_kept(empty, tmp_path_factory):
    home = empty.practice.home
    for name, data in NONE.items():
        assert empty.send(name, data).status_code == 200
    assert empty.send("good.edf", NIGHT).status_code == 200
    told = empty.arrive()["told"]
    assert named(empty) == ["good.edf"]
    assert sorted(p.name for p in home.iterdir()) == ["good.edf", "study.toml"]
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    for name, data in NONE.items():
        assert f"Not kept: {name}: " in told
        (elsewhere / name).write_bytes(data)
        if name.endswith(".edf"):
            said = called("inspect", elsewhere / name)
            assert said.err.strip().removeprefix("sleepbrux: ") in told


def test_a_file_that_lay_there_before_is_never_deleted_but_can_be_set_aside(empty):
    home = empty.practice.home
    (home / "zero.edf").write_bytes(b"")
    (home / "notes.txt").write_bytes(b"mine")
    assert "zero.edf" in empty.do("add")["told"]
    assert 'data-do="aside" data-name="zero.edf"' in empty.screen("nights")
    assert 'data-do="aside" data-name="zero.edf"' in empty.screen("arrival")
    assert (home / "zero.edf").exists()
    for name in ("study.toml", "notes.txt", "../x.edf", "", "."):
        assert empty.answer("aside", name=name).status_code == 422
    empty.do("aside", name="zero.edf")
    assert not (home / "zero.edf").exists()
    assert (home / "set aside" / "zero.edf").exists()
    assert (home / "notes.txt").read_bytes() == b"mine"
    assert "zero.edf" not in empty.screen("nights")


def test_a_table_without_a_rate_waits_for_it_and_is_taken_once_it_is_said(empty):
    rows = "".join(f"{v},{-v}\n" for v in range(3000))
    assert empty.send("n.csv", f"masseter left uV,masseter right uV\n{rows}".encode()).status_code == 200
    assert "no rate is given" in empty.arrive()["told"]
    assert named(empty) == []
    html = empty.screen("arrival")
    assert "a table without a time column, and no rate is given" in html
    assert 'name="rate_hz"' in html
    assert "1 recording added" in empty.do("study", rate_hz="1000")["told"]
    assert named(empty) == ["n.csv"]


def test_what_the_study_says_of_its_files_has_them_looked_at_again_and_a_remark_has_not(empty):
    empty.send("one.edf", NIGHT)
    empty.arrive()
    practice = empty.practice
    file = practice.study_file
    text = file.read_text("utf-8")
    if "[[night]]" not in text:  # a short recording is taken for one of clenches
        file.write_text(text + '\n[[night]]\nid = "n0"\nrecording = "one.edf"\ncondition = "none"\n', "utf-8")
    empty.screen("arrival")
    empty.wait()
    night = practice.study.night[0]
    assert practice.verdict(practice.study, night) is not None
    empty.do("night", n=0, note="slept badly", condition="splint", morning_jaw_pain="2")
    assert practice.verdict(practice.study, practice.study.night[0]) is not None
    asked = practice.worker.last.id
    assert empty.answer("study", unit="mV").status_code == 200
    empty.wait()
    assert practice.worker.last.id > asked
    assert practice.verdict(practice.study, practice.study.night[0]) is not None


@pytest.mark.parametrize("code", ["Anna Müller", "Anna", "Müller", "Anna M.", "Äbc1", "a" * 41 + "1", "a/1"])
def test_a_code_that_may_be_a_name_is_refused_or_asked_about(page, code):
    answer = page.answer("start", pseudonym=code, where="here")
    if code == "Anna":
        assert "may be a name" in answer.json()["ask"]
        assert not (page.practice.home / "study.toml").exists()
        page.do("start", **answer.json()["answers"][0][1])
        assert load_study(page.practice.study_file).pseudonym == "Anna"
        return
    assert answer.status_code == 422
    assert "write a code such as P-01" in answer.json()["error"]
    assert not (page.practice.home / "study.toml").exists()


def test_a_code_out_of_the_header_of_a_recording_is_refused_and_asked_about_later(page):
    home = page.practice.home
    whose = edf(emg(10, 200, label="EMG Masseter L", dimension="uV"), patient="7 F 02-MAY-1970 Huber_Anna")
    (home / "one.edf").write_bytes(whose.to_bytes())
    answer = page.answer("start", pseudonym="Huber-01", where="here")
    assert (
        "'Huber-01' holds a word by which the header of a recording names its person"
        in answer.json()["error"]
    )
    page.do("start", pseudonym="P-01", where="here")
    assert not [f for f in check(page.practice.study, home) if f.where == "pseudonym"]
    file = page.practice.study_file
    file.write_text(file.read_text("utf-8").replace('"P-01"', '"Huber-01"'), "utf-8")
    assert [f.severity for f in check(page.practice.study, home) if f.where == "pseudonym"] == ["question"]


def test_data_sets_and_scales_that_are_typed_stand_in_the_study_file_as_by_command(empty, tmp_path_factory):
    held = io.BytesIO()
    with h5py.File(held, "w") as file:
        for name, n in (("raw/left", 3000), ("raw/right", 3000), ("other", 20)):
            file[name] = np.arange(n, dtype=np.int16)
    assert empty.send("n.h5", held.getvalue()).status_code == 200
    assert "name the data sets with `datasets`" in empty.arrive()["told"]
    assert named(empty) == []
    html = empty.screen("arrival")
    assert 'name="data_sets"' in html
    assert 'name="scaled"' in html
    assert 'name="scale"' in html
    aside = tmp_path_factory.mktemp("aside") / "study.toml"
    aside.write_bytes(empty.practice.study_file.read_bytes())

    fields = {"rate_hz": "1000", "data_sets": "raw/left, raw/right"}
    told = empty.do("study", **fields, scaled="left", scale="0.5")["told"]
    assert "1 recording added" in told
    assert named(empty) == ["n.h5"]
    empty.do("study", scaled="right", scale="0.25")
    study = load_study(empty.practice.study_file)
    assert study.datasets == ("raw/left", "raw/right")
    assert study.scale_uv == {"left": 0.5, "right": 0.25}
    (aside.parent / "n.h5").write_bytes(held.getvalue())
    for words in (
        ("set", aside, "rate_hz=1000", 'datasets=["raw/left", "raw/right"]', 'scale_uv={"left" = 0.5}'),
        ("add", aside),
        ("set", aside, 'scale_uv={"left" = 0.5, "right" = 0.25}'),
    ):
        said = called("study", *words)
        assert said.code == 0, said
    assert empty.practice.study_file.read_bytes() == aside.read_bytes()
    before = empty.practice.study_file.read_bytes()
    for wrong in ("half", "1} # ", "", "nan"):
        answer = empty.answer("study", scaled="left", scale=wrong)
        assert answer.status_code == 422 or wrong == "", wrong
        assert empty.practice.study_file.read_bytes() == before


STAGES = b"onset,duration,stage\n0,30,W\n30,30,N2\n60,30,REM\n"
MARKS = b"onset;text\n12,5;lights off\n"
HYPNOGRAM = b"W\nN2\nREM\n"


def test_stages_marks_and_sound_are_kept_and_chosen_on_the_screen_of_their_night(empty, tmp_path_factory):
    home = empty.practice.home
    given = {"stages.csv": STAGES, "marks.csv": MARKS, "list.txt": HYPNOGRAM, "sound.wav": sound(44100)}
    for name, data in given.items():
        assert empty.send(name, data).status_code == 200
    told = empty.arrive()["told"]
    assert "Not kept" not in told
    for name, words in (
        ("stages", "sleep stages"),
        ("marks", "marks"),
        ("list", "sleep stages"),
        ("sound", "sound"),
    ):
        assert re.search(rf"{name}\.\w+ holds {words}: choose it on the screen of its night", told), name
    assert {name: (home / name).read_bytes() for name in given} == given
    file = empty.practice.study_file
    night = '\n[[night]]\nid = "n1"\nrecording = "one.edf"\ncondition = "none"\n'
    file.write_text(file.read_text("utf-8") + night, "utf-8")
    (home / "one.edf").write_bytes(NIGHT)
    listed = empty.screen("nights").split('id="h-drop"')[1]
    assert re.findall(r'code">(\S+)</span>: ([a-z ]+)</li>', listed) == [
        ("list.txt", "sleep stages"),
        ("marks.csv", "marks"),
        ("sound.wav", "sound"),
        ("stages.csv", "sleep stages"),
    ]
    assert "add to the study" not in listed
    form = empty.screen("night/0")
    offered = dict(re.findall(r'<select name="(stages|marks|sound)">(.*?)</select>', form))
    assert {k: re.findall("<option[^>]*>([^<]+)<", v)[1:] for k, v in offered.items()} == {
        "stages": ["list.txt", "stages.csv"],
        "marks": ["marks.csv"],
        "sound": ["sound.wav"],
    }
    aside = tmp_path_factory.mktemp("aside") / "study.toml"
    aside.write_bytes(file.read_bytes())
    empty.do("night", n=0, stages="stages.csv", sound="sound.wav", sound_start_s="2.5")
    said = called(
        "study", "set", aside, "--night", "n1", "stages=stages.csv", "sound=sound.wav", "sound_start_s=2.5"
    )
    assert said.code == 0, said
    assert file.read_bytes() == aside.read_bytes()
    assert "<option selected>stages.csv" in empty.screen("night/0")
    empty.do("night", n=0, stages="")
    assert load_study(file).night[0].stages == ""


def test_an_edf_file_that_states_no_record_duration_waits_for_it_and_is_taken_once_it_is_said(
    empty, tmp_path_factory
):
    odd = edf(emg(10, 200, label="EMG Masseter L", dimension="uV"), record_duration=0).to_bytes()
    assert empty.send("odd.edf", odd).status_code == 200
    assert "give record_duration in seconds" in empty.arrive()["told"]
    assert named(empty) == []
    assert (empty.practice.home / "odd.edf").exists()
    assert 'name="record_duration_s"' in empty.screen("arrival")
    aside = tmp_path_factory.mktemp("aside") / "study.toml"
    aside.write_bytes(empty.practice.study_file.read_bytes())
    (aside.parent / "odd.edf").write_bytes(odd)
    assert empty.answer("study", record_duration_s="0").status_code == 422
    assert "1 recording added" in empty.do("study", record_duration_s="1")["told"]
    assert named(empty) == ["odd.edf"]
    for words in (("set", aside, "record_duration_s=1"), ("add", aside)):
        said = called("study", *words)
        assert said.code == 0, said
    assert empty.practice.study_file.read_bytes() == aside.read_bytes()
