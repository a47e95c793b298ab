"""The line that says where a night lies among the person's others."""

import json
from dataclasses import replace

import pytest

from sleepbrux.archive.manifest import load_manifest
from sleepbrux.report.other_nights import fill_in
from sleepbrux.report.outputs import REPORT, SUMMARY, listed_text, write_outputs

from .conftest import bursts_of, scored


def of_study(night, id_, condition):
    about = (("person", "P1"), ("night", id_), ("condition", condition))
    return replace(night, about=about, swept=replace(night.swept, digest=id_.ljust(64, "0")))


@pytest.fixture(scope="module")
def nights():
    """Three nights without an appliance, with 2, 3 and 4 episodes, and one with a splint."""
    made = [scored(bursts=bursts_of(n)) for n in (2, 3, 4)]
    rows = [(f"n{k}", "none", night) for k, night in enumerate(made)]
    return [of_study(night, id_, condition) for id_, condition, night in [*rows, ("s0", "splint", made[0])]]


def line_of(folder, stem):
    page = (folder / f"{stem}{REPORT}").read_text("utf-8")
    return page.split('<span id="among">')[1].split("</span>")[0]


def test_each_page_names_the_other_nights_of_its_condition(nights, tmp_path):
    stems = [write_outputs(night, tmp_path, stem=dict(night.about)["night"]) for night in nights]
    assert [line_of(tmp_path, s) for s in stems] == ["", "", "", ""]
    fill_in(tmp_path, stems)
    rates = [night.measures["episodes_per_hour"].value for night in nights[:3]]
    low, high = min(rates[1:]), max(rates[1:])
    expected = f"(2): {low:.1f}–{high:.1f} per hour, median {(low + high) / 2:.1f}."
    assert line_of(tmp_path, "n0") == f"Other nights with no appliance {expected}"
    assert line_of(tmp_path, "s0") == ""


def test_the_list_of_the_set_knows_the_changed_page_and_doing_it_twice_changes_nothing(nights, tmp_path):
    stems = [write_outputs(night, tmp_path, stem=dict(night.about)["night"]) for night in nights]
    fill_in(tmp_path, stems)
    page = (tmp_path / f"n1{REPORT}").read_text("utf-8")
    assert load_manifest(tmp_path, "n1").files[REPORT] == listed_text(page)
    fill_in(tmp_path, stems)
    assert (tmp_path / f"n1{REPORT}").read_text("utf-8") == page


def test_a_page_that_is_not_as_listed_and_a_summary_that_cannot_be_read_are_left_alone(nights, tmp_path):
    stems = [write_outputs(night, tmp_path, stem=dict(night.about)["night"]) for night in nights]
    changed = tmp_path / f"n0{REPORT}"
    changed.write_text(changed.read_text("utf-8") + "<!-- by hand -->", encoding="utf-8")
    (tmp_path / f"n2{SUMMARY}").write_text("{", encoding="utf-8")
    fill_in(tmp_path, stems)
    assert line_of(tmp_path, "n0") == ""
    assert "(1)" in line_of(tmp_path, "n1")


def test_nights_under_other_rules_or_of_another_person_are_not_named(nights, tmp_path):
    stems = [write_outputs(night, tmp_path, stem=dict(night.about)["night"]) for night in nights[:3]]
    for stem, key, value in (("n1", "identity", {"person": "P2"}), ("n2", "criterion", {"digest": "0"})):
        path = tmp_path / f"{stem}{SUMMARY}"
        table = json.loads(path.read_text("utf-8"))
        table[key] = {**table[key], **value}
        path.write_text(json.dumps(table), encoding="utf-8")
    fill_in(tmp_path, stems)
    assert line_of(tmp_path, "n0") == ""
