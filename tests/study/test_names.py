"""Names that look the same are one name or are refused: persons, nights, conditions, references."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest

from sleepbrux.analysis.cohort import PersonNight, compare_cohort, read_cohort
from sleepbrux.analysis.comparison.table import study_from_table
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.core.texts import twins
from sleepbrux.study.file import load_study

HEAD = "person,condition,events,valid_hours\n"


def study(
    folder: Path, *, pseudonym: str = "Müller 1", condition: str = "night-guard", more: str = ""
) -> Path:
    path = folder / "study.toml"
    path.write_text(
        f'pseudonym = "{pseudonym}"\n{more}[[night]]\nid = "n1"\nrecording = "n.edf"\n'
        f'condition = "{condition}"\ndate = 2026-03-02\n',
        "utf-8",
    )
    return path


@pytest.mark.shows("wrong-person")
@pytest.mark.parametrize(
    "written",
    [
        "Müller 1 ",
        " Müller  1",
        "Müller\u00a01",
        "Müller\u20091",
        unicodedata.normalize("NFD", "Müller 1"),
    ],
)
def test_blanks_and_forms_of_letters_make_no_second_person(tmp_path, written):
    assert load_study(study(tmp_path, pseudonym=written)).pseudonym == "Müller 1"


@pytest.mark.parametrize("hyphen", "‐‑‒–—−－")
def test_every_hyphen_is_one_hyphen(tmp_path, hyphen):
    found = load_study(study(tmp_path, pseudonym=f"P{hyphen}1", condition=f"night{hyphen}guard "))
    assert (found.pseudonym, found.night[0].condition) == ("P-1", "night-guard")
    listed = study(tmp_path, condition=f"night{hyphen}guard", more='conditions = ["none", "night-guard"]\n')
    assert load_study(listed).night[0].condition == "night-guard"


@pytest.mark.shows("wrong-person")
@pytest.mark.parametrize("sign", ["\u200b", "\u200d", "\u2060", "\ufeff", "\u00ad", "\u202e"])
@pytest.mark.parametrize("field", ["pseudonym", "condition"])
def test_a_sign_that_nobody_sees_is_refused_in_a_name(tmp_path, sign, field):
    path = study(tmp_path, **{field: f"P{sign}1"})
    place = {"pseudonym": "pseudonym", "condition": r"night\[0\]\.condition"}[field]
    with pytest.raises(
        StudyError, match=rf"study\.toml: {place} holds the control character \\u{ord(sign):04x}"
    ):
        load_study(path)


def rows(*changed: str) -> str:
    plain = [f"P{k},{c},{e + k},7" for k in range(1, 6) for c, e in (("none", 20), ("splint", 14))]
    return HEAD + "\n".join([*plain, *changed]) + "\n"


@pytest.mark.shows("wrong-person")
@pytest.mark.parametrize(
    ("changed", "says"),
    [
        (("p1,none,9,7", "p1,splint,9,7"), "persons 'P1' and 'p1' differ only in case"),
        (("P 1,none,9,7",), "persons 'P1' and 'P 1'"),
        (("P01,none,9,7",), "persons 'P1' and 'P01'"),
        (("Ｐ1,none,9,7",), "persons 'P1' and 'Ｐ1'"),
        (("P1,None,9,7",), "conditions 'none' and 'None'"),
        (("1,none,9,7", "01,none,9,7"), "persons '1' and '01'"),
        (("1,none,9,7", "1.0,none,9,7"), "persons '1' and '1.0'"),
    ],
)
def test_names_of_a_cohort_that_differ_in_nothing_to_be_seen_are_refused(tmp_path, changed, says):
    (tmp_path / "t.csv").write_text(rows(*changed), "utf-8")
    with pytest.raises(UsageError, match=says):
        compare_cohort(read_cohort(tmp_path / "t.csv"))


@pytest.mark.parametrize(
    "changed",
    [
        (" P1 ,none,9,7", "P1, splint ,9,7"),
        ("Mu\u0308,none,9,7", "Mü,splint,9,7"),
        ("P\u20111,none,9,7", "P-1,splint,9,7"),
    ],
)
def test_names_of_a_cohort_that_are_one_name_are_one(tmp_path, changed):
    (tmp_path / "t.csv").write_text(rows(*changed), "utf-8")
    nights = read_cohort(tmp_path / "t.csv")
    assert len({n.person for n in nights[-2:]}) == 1
    compare_cohort(nights)


@pytest.mark.parametrize("cell", ["P\u200b1,none", "P1,no\u200dne", "P\x001,none"])
def test_a_table_with_signs_that_nobody_sees_is_refused(tmp_path, cell):
    (tmp_path / "t.csv").write_text(rows(f"{cell},9,7"), "utf-8")
    with pytest.raises(StudyError, match=r"line 12: (person|condition) holds the control character"):
        read_cohort(tmp_path / "t.csv")
    (tmp_path / "nights.csv").write_text(f"night,condition\nn1,{cell}\n".replace(",none", ""), "utf-8")
    if "no\u200d" not in cell:
        with pytest.raises(StudyError, match="line 2: condition holds the control character"):
            study_from_table(tmp_path / "nights.csv")


def test_a_table_of_nights_has_its_conditions_in_one_form(tmp_path):
    (tmp_path / "nights.csv").write_text("night,condition\nn1,night\u2011guard \nn2,night-guard\n", "utf-8")
    assert len({n.condition for n in study_from_table(tmp_path / "nights.csv").night}) == 1


def test_studies_and_names_that_differ_in_more_stay_two():
    assert twins(["P1", "P2", "P11", "P-1", "P1.5", "P15", "none", "splint", "splint 2", "splint 12"]) is None
    nights = [
        PersonNight(p, c, e, 7)
        for p in ("1", "10", "100")
        for c, e in (("none", 20), ("splint", 9))
        for _ in "ab"
    ]
    assert compare_cohort(nights).persons == 3
