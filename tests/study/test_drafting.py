"""Study files: drafted from a folder, checked before a night is wasted, faults named by their path."""

from dataclasses import replace
from datetime import date, datetime

import msgspec
import pytest

from sleepbrux.core.errors import StudyError
from sleepbrux.study.checking import check, name_questions, told
from sleepbrux.study.drafting import FILL_IN, draft
from sleepbrux.study.file import Study, StudyNight, load_study
from sleepbrux.synth.layout import NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.render import write_night

RECIPE = Recipe(hours=0.2, awake_s=60, settle_s=30)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("recorded")
    plan = plan_night(RECIPE, seed=1)
    write_night(plan, folder / "b.edf", start=datetime(2026, 3, 2, 22, 40))
    bare = replace(plan, cues=tuple(c for c in plan.cues if "Lights" in c.text))
    write_night(bare, folder / "a.edf", start=datetime(2026, 3, 3, 0, 20))
    write_night(
        plan_reference([(NATURAL, 1.0)], seed=2, mvc_uv=(215.0, 190.0)),
        folder / "chair.edf",
        start=datetime(2026, 3, 1, 17, 0),
    )
    (folder / "broken.edf").write_bytes(b"0       nonsense")
    (folder / "readme.txt").write_text("no recording")
    return folder


def texts(findings, severity="missing"):
    return [f"{f.where}: {f.whole}" for f in findings if f.severity == severity]


def study_of(folder, recorded, text):
    for name in ("a.edf", "b.edf", "chair.edf"):
        if not (folder / name).exists():
            (folder / name).symlink_to(recorded / name)
    (folder / "study.toml").write_text(text)
    return load_study(folder / "study.toml")


def test_a_draft_can_be_read_and_says_what_to_fill_in(recorded, tmp_path):
    made = draft(recorded)
    assert (made.nights, made.references) == (2, 1)
    assert [line.split(":")[0] for line in made.left_out] == ["broken.edf"]
    study = study_of(tmp_path, recorded, made.text)
    assert [n.recording for n in study.night] == ["b.edf", "a.edf"]  # in order of their start
    assert [n.date for n in study.night] == [date(2026, 3, 2), date(2026, 3, 3)]
    assert [n.reference for n in study.night] == ["own", "chair-1"]
    assert study.reference[0].teeth == "natural"
    found = texts(check(study, tmp_path))
    assert any(t.startswith("pseudonym: still to be filled in") for t in found)
    assert sum(".condition: still to be filled in" in t for t in found) == 2
    limits = texts(check(study, tmp_path), "limit")
    assert any("cannot be compared" in t for t in limits)


def test_a_folder_without_nights_drafts_a_planned_study(recorded, tmp_path):
    made = draft(tmp_path)
    assert (made.nights, made.planned, made.references) == (0, 4, 0)
    (tmp_path / "study.toml").write_text(made.text)
    study = load_study(tmp_path / "study.toml")
    assert study.recorded == ()
    assert {n.condition for n in study.night} == {FILL_IN}
    (tmp_path / "chair.edf").symlink_to(recorded / "chair.edf")
    made = draft(tmp_path, conditions=("none", "night guard"), nights=3)
    assert (made.nights, made.planned, made.references) == (0, 6, 1)
    (tmp_path / "study.toml").write_text(made.text.replace(f'"{FILL_IN}"', '"P1"'))
    study = load_study(tmp_path / "study.toml")
    assert study.conditions == ("none", "night guard")
    assert [n.condition for n in study.night] == ["none", "night guard"] * 3
    assert texts(check(study, tmp_path)) == []
    notes = texts(check(study, tmp_path), "note")
    assert any("not recorded yet" in t for t in notes)
    (tmp_path / "new.edf").symlink_to(recorded / "b.edf")
    notes = texts(check(study, tmp_path), "note")
    assert any("new.edf" in t and "no entry names" in t for t in notes)


WHOLE = """
pseudonym = "P1"
[[night]]
id = "n1"
recording = "b.edf"
date = 2026-03-02
condition = "none"
morning_jaw_pain = 2
morning_headache = 0
"""


def test_a_whole_study_lacks_nothing(recorded, tmp_path):
    assert check(study_of(tmp_path, recorded, WHOLE), tmp_path) == []


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("b.edf", "c.edf", "night[0] (n1).recording: not next to the study file: c.edf"),
        ("b.edf", "a.edf", "no two clenches with natural teeth are marked in a.edf"),
        ("2026-03-02", "2026-04-02", "is it the right file?"),
        ('"none"', '"none"\nappliance_in = 22:50:00', "given, but the condition is none"),
        ('"none"', '"none"\nlights_off = 22:50:00', "one without the other"),
        (
            '"none"',
            '"splint"\nappliance_in = 22:50:00\nappliance_out = 22:45:00',
            "does not come after",
        ),
        ('"P1"', '"P1"\nchannels = ["Nope"]', "has no channel 'Nope'"),
        ('"P1"', '"P1"\ncriterion = "nope"', "criterion:"),
    ],
)
def test_what_would_waste_a_night_is_missing(recorded, tmp_path, before, after, words):
    found = texts(check(study_of(tmp_path, recorded, WHOLE.replace(before, after)), tmp_path))
    assert any(words in t for t in found), found


def test_a_recording_named_twice_is_told(recorded, tmp_path):
    twice = WHOLE + WHOLE[WHOLE.index("[[night]]") :].replace("n1", "n2")
    found = texts(check(study_of(tmp_path, recorded, twice), tmp_path))
    assert any("belongs to n1 too" in t for t in found)


def test_an_appliance_night_wants_its_times(recorded, tmp_path):
    study = study_of(tmp_path, recorded, WHOLE.replace('"none"', '"splint"'))
    limits = texts(check(study, tmp_path), "limit")
    assert any("appliance_in, appliance_out: time missing" in t for t in limits)
    notes = texts(check(study, tmp_path), "note")
    assert any("days_since_first_worn" in t for t in notes)


NIGHT = """
[[night]]
id = "n{k}"
recording = ""
condition = "{condition}"
"""


def named(tmp_path, *conditions, more=""):
    """A study whose nights have these conditions, nothing recorded yet."""
    nights = "".join(NIGHT.format(k=k, condition=c) for k, c in enumerate(conditions))
    (tmp_path / "study.toml").write_text(f'pseudonym = "P1"\n{more}\n{nights}')
    return load_study(tmp_path / "study.toml")


@pytest.mark.parametrize(
    "name",
    [
        "None",
        "NONE",
        "no splint",
        "No appliance",
        "nothing",
        "without guard",
        "Natural teeth",
        "ohne Schiene",
        "-",
        "n/a",
        "baseline",
    ],
)
def test_a_name_that_reads_like_no_appliance_is_asked_about(tmp_path, name):
    study = named(tmp_path, "none", name, "night guard")
    (asked,) = texts(check(study, tmp_path), "question")
    assert repr(name) in asked
    assert 'condition = "none"' in asked


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("night guard", "Night Guard"),
        ("night guard", "nightguard"),
        ("night guard", "night-guard"),
        ("night guard", "nigth guard"),
        ("night guard", "guard night"),
        ("stabilisation splint", "stabilization splint"),
    ],
)
def test_two_names_that_are_nearly_the_same_are_asked_about(tmp_path, one, other):
    (asked,) = texts(check(named(tmp_path, "none", one, other), tmp_path), "question")
    assert repr(one) in asked
    assert repr(other) in asked


@pytest.mark.parametrize(
    "names",
    [
        ("upper splint", "lower splint"),
        ("MAD 50 %", "MAD 70 %"),
        ("guard 1", "guard 2"),
        ("splint A", "splint B"),
        ("front splint", "soft guard"),
        ("nonoccluding plate", "normal splint"),
    ],
)
def test_names_that_differ_in_a_word_or_a_number_are_not_asked_about(tmp_path, names):
    assert texts(check(named(tmp_path, "none", *names), tmp_path), "question") == []


def test_names_are_taken_as_meant_once_the_study_lists_them(tmp_path):
    more = 'conditions = ["none", "night guard", "nightguard", "no splint"]'
    study = named(tmp_path, "none", "night guard", "nightguard", "no splint", more=more)
    assert texts(check(study, tmp_path), "question") == []
    with pytest.raises(StudyError, match=r"night 'n1' has condition 'nigth guard'; .* night guard"):
        named(tmp_path, "none", "nigth guard", more='conditions = ["none", "night guard"]')


def test_a_baseline_that_no_night_has_is_asked_about(tmp_path):
    study = named(tmp_path, "splint", "night guard")
    (asked,) = texts(check(study, tmp_path), "question")
    assert asked.startswith("baseline: no night has the condition 'none'")


def test_what_changes_a_result_comes_first_and_the_same_word_is_said_once_for_all_nights(recorded, tmp_path):
    whole = (recorded / "b.edf").read_bytes()
    for k in range(4):  # four recordings, told apart by the last letter of the recording's line
        (tmp_path / f"b{k}.edf").write_bytes(whole[:167] + str(k).encode() + whole[168:])
    nights = "".join(
        WHOLE[WHOLE.index("[[night]]") :]
        .replace('"n1"', f'"n{k}"')
        .replace('"none"', f'"{c}"')
        .replace("morning_jaw_pain = 2\nmorning_headache = 0\n", "")
        .replace("b.edf", f"b{k}.edf")
        for k, c in enumerate(("none", "splint", "Splint", "splint"))
    )
    study = study_of(tmp_path, recorded, 'pseudonym = "P1"\n' + nights)
    found = told(check(study, tmp_path))
    assert [f.severity for f in found] == ["question", "limit", "note", "note"]
    assert found[1].where == "nights n1, n2, n3: appliance_in, appliance_out"
    assert found[2].where == "nights n0, n1, n2, n3: morning_jaw_pain, morning_headache"


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        (
            "morning_jaw_pain = 2",
            "morning_jaw_pain = 11",
            r"night\[0\] \(n1\)\.morning_jaw_pain: .*10",
        ),
        (
            "morning_jaw_pain = 2",
            "jaw_pain = 2",
            r"night\[0\] \(n1\): .*'jaw_pain'; allowed are id",
        ),
        ('recording = "b.edf"', "", r"night\[0\] \(n1\): the field 'recording' is missing"),
        ('"P1"', '"P1"\norder = "at random"', "order: invalid enum value 'at random'"),
        ('"P1"', '"P1"\nfoo = 1', "there is no field 'foo'; allowed are pseudonym"),
    ],
)
def test_a_fault_is_named_by_its_path(tmp_path, before, after, words):
    (tmp_path / "study.toml").write_text(WHOLE.replace(before, after))
    with pytest.raises(StudyError, match=f"study.toml: {words}"):
        load_study(tmp_path / "study.toml")


def test_fill_in_is_what_the_draft_writes(recorded):
    assert f'condition = "{FILL_IN}"' in draft(recorded).text


def test_many_files_that_are_not_there_are_one_line_that_names_them(tmp_path):
    study = named(tmp_path, *["none"] * 6)
    nights = tuple(
        msgspec.structs.replace(n, recording=f"{n.id}.edf", date=date(2026, 3, 1)) for n in study.night
    )
    found = told(check(msgspec.structs.replace(study, night=nights), tmp_path))
    assert found[0].where == "nights n0, n1, n2, n3, n4, n5: recording"
    assert found[0].whole == "not next to the study file: n0.edf, n1.edf, n2.edf, n3.edf, n4.edf, n5.edf"
    assert found[-1].where == "nights n0, n1, n2, n3 and 2 more: morning_jaw_pain, morning_headache"


@pytest.mark.parametrize(
    "name",
    [
        "ohne Schiene",
        "keine Schiene",
        "nichts",
        "sans gouttière",
        "aucune",
        "rien",
        "pas de gouttière",
        "sin férula",
        "ninguna",
        "nada",
        "senza bite",
        "nessuno",
        "niente",
        "zonder spalk",
        "geen",
        "niets",
        "sem placa",
        "nenhum",
        "não",
        "natürliche Zähne",
        "dents naturelles",
    ],
)
def test_no_appliance_in_the_plain_words_of_other_languages_is_asked_about(name):
    nights = tuple(
        StudyNight(id=f"n{k}", recording="", condition=c) for k, c in enumerate((name, "Schiene", "none"))
    )
    asked = [one.text for one in name_questions(Study(pseudonym="P", night=nights))]
    assert len(asked) == 1
    assert asked[0].startswith(f"{name!r} reads like no appliance")


@pytest.mark.parametrize(
    ("one", "other", "asked"),
    [
        ("guard", "night guard", True),
        ("Schiene", "neue Schiene", True),
        ("guard", "2 guard", False),
        ("upper guard", "lower guard", False),
        ("guard", "guard with stop", False),
    ],
)
def test_names_that_differ_by_a_leading_word_alone_are_asked_about(one, other, asked):
    nights = tuple(
        StudyNight(id=f"n{k}", recording="", condition=c) for k, c in enumerate((one, other, "none"))
    )
    assert bool(list(name_questions(Study(pseudonym="P", night=nights)))) is asked
    named = Study(pseudonym="P", night=nights, conditions=("none", one, other))
    assert not list(name_questions(named))


def test_what_a_letter_repeats_can_be_filled_in_where_the_draft_has_it(tmp_path):
    text = draft(tmp_path, conditions=("none", "splint")).text
    file = tmp_path / "study.toml"
    file.write_text(
        text.replace('"FILL IN"', '"P1"').replace("# [letter]", "[letter]").replace("# dates", "dates")
    )
    assert load_study(file).letter.dates is True
    file.write_text(file.read_text().replace("dates = true", "day = true"))
    with pytest.raises(StudyError, match="letter: there is no field 'day'; allowed are sex, recorder"):
        load_study(file)


def test_what_an_export_says_of_the_data_set_can_be_filled_in_where_the_draft_has_it(tmp_path):
    text = draft(tmp_path, conditions=("none", "splint")).text
    file = tmp_path / "study.toml"
    for word in ("[dataset]", "authors"):
        text = text.replace(f"# {word}", word)
    file.write_text(text.replace('"FILL IN"', '"P1"'))
    assert load_study(file).dataset.authors == ("A. Author",)
