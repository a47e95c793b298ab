"""What is dropped: taken once, asked about, or not kept; and the code under which a person goes."""

import pytest

from sleepbrux.study.checking import check
from sleepbrux.study.file import load_study
from tests.cli.conftest import called
from tests.recording.build import edf, emg

from .asking import Asking

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
