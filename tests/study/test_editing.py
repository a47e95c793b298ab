"""A study file changed by page or command: comments stay, a wrong value writes nothing, new nights follow."""

import threading
from datetime import datetime

import pytest

from sleepbrux.core.errors import StudyError
from sleepbrux.study.editing import Place, add_recordings, asked_about, conditions_of, new_study, set_fields
from sleepbrux.study.file import Study, StudyNight, load_study
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.render import write_night
from tests.cli.conftest import called


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "study.toml"
    new_study(path, pseudonym="P-01", conditions=("none", "night guard"))
    return path


def test_a_value_is_changed_where_it_stands_and_its_comment_stays(file):
    before = file.read_text("utf-8")
    set_fields(file, Place("night", ("night-02",)), {"condition": "none"})
    changed = [
        (a, b)
        for a, b in zip(before.splitlines(), file.read_text("utf-8").splitlines(), strict=True)
        if a != b
    ]
    assert changed == [
        ('condition = "night guard"           # what is worn', 'condition = "none"           # what is worn')
    ]


def test_a_new_field_stands_below_the_last_and_above_the_remarks(file):
    set_fields(file, Place("night", ("night-01",)), {"appliance_in": "22:55", "morning_jaw_pain": "3"})
    lines = file.read_text("utf-8").splitlines()
    at = lines.index("appliance_in = 22:55:00")
    assert lines[at - 1].startswith("reference = ")
    assert lines[at + 1] == "morning_jaw_pain = 3"
    assert lines[at + 2].startswith("# appliance_in")
    assert load_study(file).night[0].morning_jaw_pain == 3


def test_an_empty_text_takes_a_field_out_and_leaves_the_file_as_before(file):
    before = file.read_bytes()
    set_fields(file, Place("night", ("night-01",)), {"note": 'a "quoted" word'})
    assert load_study(file).night[0].note == 'a "quoted" word'
    set_fields(file, Place("night", ("night-01",)), {"note": ""})
    assert file.read_bytes() == before


@pytest.mark.parametrize(
    ("place", "fields", "words"),
    [
        (Place(), {"colour": "red"}, "there is no field 'colour'"),
        (Place(), {"age_years": "nan"}, "age_years: 'nan' is not allowed"),
        (Place(), {"pseudonym": ""}, "the field 'pseudonym' is missing"),
        (Place("night", ("x",)), {"note": "a"}, "there is no night 'x'; there are night-01"),
        (Place("night", ("night-01",)), {"appliance_in": "half past"}, "is not allowed"),
        (Place("night", ("night-01",)), {"condition": "splint"}, "conditions lists none, night guard"),
        (Place("night", ("night-01",)), {"id": "night-02"}, "is there twice"),
    ],
)
def test_a_value_that_is_not_allowed_writes_nothing(file, place, fields, words):
    before = file.read_bytes()
    with pytest.raises(StudyError, match=words):
        set_fields(file, place, fields)
    assert file.read_bytes() == before


def test_lists_and_tables_are_given_as_in_toml(file):
    set_fields(file, Place(), {"roles": '{ch1 = "masseter left"}', "looks": "[6, 9]"})
    study = load_study(file)
    assert study.roles == {"ch1": "masseter left"}
    assert study.looks == (6, 9)


def test_two_writers_at_once_lose_nothing(file):
    def write(field):
        for k in range(5):
            set_fields(file, Place("night", ("night-01",)), {field: f"{field} {k}"})

    threads = [threading.Thread(target=write, args=(f,)) for f in ("alcohol", "caffeine", "medication")]
    [t.start() for t in threads]
    [t.join() for t in threads]
    night = load_study(file).night[0]
    assert (night.alcohol, night.caffeine, night.medication) == ("alcohol 4", "caffeine 4", "medication 4")


def test_new_recordings_follow_with_ids_of_their_own(tmp_path):
    plan = plan_night(Recipe(hours=0.2, awake_s=60, settle_s=30), seed=1)
    write_night(plan, tmp_path / "b.edf", start=datetime(2026, 3, 2, 22, 40))
    file = tmp_path / "study.toml"
    new_study(file, pseudonym="P-01")
    write_night(plan, tmp_path / "a.edf", start=datetime(2026, 3, 4, 22, 40))
    write_night(plan, tmp_path / "c.edf", start=datetime(2026, 3, 3, 22, 40))
    before = file.read_text("utf-8")
    (tmp_path / "bad.edf").write_bytes(b"0       nonsense")
    left_out = add_recordings(file, ["a.edf", "bad.edf", "c.edf"])
    assert [text.split(":")[0] for text in left_out] == ["bad.edf"]
    study = load_study(file)
    assert file.read_text("utf-8").startswith(before)
    assert [(n.id, n.recording) for n in study.night] == [
        ("night-01", "b.edf"),
        ("night-02", "c.edf"),
        ("night-03", "a.edf"),
    ]
    with pytest.raises(StudyError, match="names it already"):
        add_recordings(file, ["a.edf"])


def test_the_command_writes_the_same_and_names_what_is_wrong(file):
    done = called("study", "set", file, "--night", "night-01", "--night", "night-02", "note=x")
    assert done.code == 0
    assert [n.note for n in load_study(file).night][:3] == ["x", "x", ""]
    done = called("study", "set", file, "--letter", "dates=true", "sex=female")
    assert load_study(file).letter.dates
    done = called("study", "set", file, "note")
    assert done.code == 2
    assert "sets no field" in done.err
    done = called("study", "add", file)
    assert done.code == 2
    assert "in it already" in done.err


def test_a_new_name_near_one_in_use_is_asked_about():
    nights = tuple(StudyNight(id=str(k), recording="", condition=c) for k, c in enumerate(("none", "guard")))
    study = Study(pseudonym="P", night=nights)
    assert conditions_of(study) == ("none", "guard")
    assert "same appliance" in asked_about(study, "Guard")
    assert "no appliance" in asked_about(study, "None")
    assert asked_about(study, "splint") == asked_about(study, "guard") == ""
