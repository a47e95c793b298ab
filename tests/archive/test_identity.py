"""Whose night a result is, and when two of them are refused together."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from types import SimpleNamespace

import pytest

from sleepbrux.archive.identity import (
    Identity,
    check_one_person,
    foreign,
    identity_of,
    identity_table,
    study_words,
)
from sleepbrux.core.errors import ArchiveError

FULL = Identity("P-01", "e" * 64, "s1", "n1", "ab12" * 16)
ABOUT = {"person": "P-01", "study_sha256": "e" * 64, "study_id": "s1", "night": "n1", "condition": "splint"}


def night(**about):
    """What of a night the module reads."""
    return SimpleNamespace(about=tuple(about.items()), swept=SimpleNamespace(digest="ab12" * 16))


def test_a_night_says_whose_it_is_and_what_it_does_not_know_is_empty():
    assert identity_of(night(**ABOUT)) == FULL
    assert identity_of(night()) == Identity(input_sha256="ab12" * 16)
    assert identity_table(night(**ABOUT)) == {
        "person": "P-01",
        "study_sha256": "e" * 64,
        "study_id": "s1",
        "night": "n1",
        "input_sha256": "ab12" * 16,
    }


def test_people_read_pseudonym_night_and_condition_alone():
    assert study_words(night(**ABOUT)) == {"person": "P-01", "night": "n1", "condition": "splint"}
    assert study_words(night()) == {}


def test_a_sentence_names_what_is_known():
    assert FULL.words == "night 'n1' of 'P-01', study s1 (recording with SHA-256 ab12ab12…)"
    assert Identity().words == "a night"
    assert Identity("P-01").words == "a night of 'P-01'"


def test_an_identity_is_a_value():
    assert replace(FULL) == FULL
    assert FULL != replace(FULL, night="n2")
    with pytest.raises(FrozenInstanceError):
        FULL.person = "P-02"


@pytest.mark.parametrize("field", ["person", "study_id", "night", "input_sha256"])
@pytest.mark.parametrize("other", ["!", "zz"])
def test_another_value_of_a_field_is_foreign_and_an_unknown_one_is_not(field, other):
    assert foreign(replace(FULL, **{field: other}), FULL)
    assert foreign(FULL, replace(FULL, **{field: other}))
    assert not foreign(replace(FULL, **{field: ""}), FULL)
    assert not foreign(FULL, replace(FULL, **{field: ""}))


def test_the_same_night_is_not_foreign_although_its_entry_changed():
    # equal and not the same object, as values out of two files are
    again = Identity(*("".join(list(one)) for one in ("P-01", "f" * 64, "s1", "n1", "ab12" * 16)))
    assert not foreign(FULL, again)


def test_nights_of_one_person_pass_and_so_does_one_night_alone():
    check_one_person([])
    check_one_person([("a", night())])
    check_one_person([("a", night(**ABOUT)), ("b", night(**{**ABOUT, "night": "n2"}))])
    check_one_person([("a", night(person="P-01")), ("b", night(person="P-01", study_id="s1"))])
    check_one_person([("a", night(person="P-01", study_id="s1")), ("b", night(person="P-01"))])


@pytest.mark.parametrize(("first", "second", "which"), [({}, ABOUT, "a"), (ABOUT, {}, "b"), ({}, {}, "b")])
def test_a_night_that_does_not_say_whose_it_is_is_named(first, second, which):
    said = f"{which} was scored without a study file, so nothing says that these 2 nights are of one person"
    with pytest.raises(ArchiveError, match=f"^{said}"):
        check_one_person([("a", night(**first)), ("b", night(**second))])


@pytest.mark.parametrize("field", ["person", "study_id"])
@pytest.mark.parametrize("other", ["!", "zz"])
def test_nights_of_two_persons_or_studies_are_refused_wherever_they_stand(field, other):
    mine, others = night(**ABOUT), night(**{**ABOUT, field: other})
    for rows in ([("a", mine), ("c", others)], [("a", mine), ("b", mine), ("c", others)]):
        with pytest.raises(ArchiveError, match=r"^a is night 'n1' of 'P-01', .*, c is night 'n1' of .*two persons"):
            check_one_person(rows)
    # equal text in two objects
    check_one_person([("a", mine), ("b", night(**{k: "".join(list(v)) for k, v in ABOUT.items()}))])
