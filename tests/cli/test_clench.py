"""``sleepbrux reference`` and ``sleepbrux clench`` as a user runs them."""

import json
import re
from dataclasses import replace

import pytest

from sleepbrux.synth.layout import NATURAL, plan_reference
from sleepbrux.synth.render import write_night
from tests.cli.conftest import write_edf

PLAN = plan_reference(
    [(NATURAL, 1.0), ("Clench with splint", 0.9), (NATURAL, 1.0)], seed=4, mvc_uv=(215.0, 190.0)
)


@pytest.fixture
def chair(tmp_path):
    write_night(PLAN, tmp_path / "chair.edf")
    return tmp_path / "chair.edf"


def test_clench_prints_a_table_and_writes_page_and_json(run, chair, tmp_path):
    done = run("clench", chair, "--out", tmp_path / "out")
    assert done.code == 0
    assert "% of natural, without fatigue" in done.out
    assert "not a night-time effect" in done.out
    table = json.loads((tmp_path / "out" / "chair.clench.json").read_text("utf-8"))
    assert table["order"] == ["natural teeth", "splint", "natural teeth"]
    assert (tmp_path / "out" / "chair.clench.html").is_file()


def test_clench_says_what_marks_are_missing(run, tmp_path):
    write_night(replace(PLAN, cues=()), tmp_path / "bare.edf")
    done = run("clench", tmp_path / "bare.edf")
    assert done.code == 1
    assert "no mark with a duration names a clench" in done.err


def test_reference_measures_marked_clenches(run, chair, tmp_path):
    done = run("reference", chair, "--out", tmp_path / "out")
    assert done.code == 0
    assert "mean rectified" in done.out
    table = json.loads((tmp_path / "out" / "chair.edf.reference.json").read_text("utf-8"))
    assert table["confirmed"] is True
    assert len(table["channels"][0]["trials"]) == 6
    assert not (tmp_path / "chair.edf.clenches.toml").exists()


def test_reference_proposes_what_nobody_marked_and_takes_an_acceptance(run, tmp_path):
    bare = tmp_path / "bare.edf"
    write_night(replace(plan_reference([(NATURAL, 1.0)], seed=4, mvc_uv=(215.0, 190.0)), cues=()), bare)
    done = run("reference", bare)
    assert done.code == 0
    assert "unconfirmed" in done.out
    assert "Unconfirmed" in (tmp_path / "results" / "bare.edf.reference.html").read_text("utf-8")
    assert 'teeth = "not stated"' in (tmp_path / "bare.edf.clenches.toml").read_text("utf-8")
    assert run("reference", bare, "--accept-by", "AB").code == 1  # the teeth are not said
    assert run("reference", bare, "--accept-by", "AB", "--teeth", "natural").code == 0
    assert "accepted by AB" in run("reference", bare).out
    assert "Unconfirmed" not in (tmp_path / "results" / "bare.edf.reference.html").read_text("utf-8")


def test_page_and_json_say_what_is_so_after_an_acceptance_at_once(run, tmp_path):
    bare = tmp_path / "bare.edf"
    plan = plan_reference([(NATURAL, 1.0)], seed=4, mvc_uv=(215.0, 190.0))
    write_night(replace(plan, cues=()), bare)
    assert run("reference", bare, "--accept-by", "AB", "--teeth", "natural").code == 0
    page = (tmp_path / "results" / "bare.edf.reference.html").read_text("utf-8")
    assert "Unconfirmed" not in page
    assert "--accept-by" not in page
    assert "accepted by AB; teeth: natural teeth" in page
    table = json.loads((tmp_path / "results" / "bare.edf.reference.json").read_text("utf-8"))
    assert (table["confirmed"], table["teeth"]) == (True, "natural teeth")


def test_clenches_in_three_groups_are_all_drawn_listed_and_can_be_chosen(run, tmp_path):
    bare = tmp_path / "bare.edf"
    write_night(replace(PLAN, cues=()), bare)
    done = run("reference", bare)
    assert done.code == 0
    assert "9 stretches like a clench, 3 taken" in done.out
    assert done.out.count("not taken: one of another run of 3") == 6
    page = (tmp_path / "results" / "bare.edf.reference.html").read_text("utf-8")
    drawings = 2 * 2  # two channels, each drawn for wide and for narrow pages
    assert page.count('class="left"') == drawings * 6
    assert page.count('class="clench"') == drawings * 3
    table = json.loads((tmp_path / "results" / "bare.edf.reference.json").read_text("utf-8"))
    assert [c["number"] for c in table["clenches"]] == list(range(1, 10))
    assert all(c["reason"] for c in table["clenches"] if not c["taken"])
    done = run("reference", bare, "--clenches", "7-9", "--accept-by", "AB", "--teeth", "natural")
    assert done.code == 0
    page = (tmp_path / "results" / "bare.edf.reference.html").read_text("utf-8")
    assert "Unconfirmed" not in page
    assert re.search('<th [^>]*scope="row">7</th><td', page)
    assert "accepted by AB" in run("reference", bare).out


def test_two_clenches_are_shown_and_taken_by_number(run, tmp_path):
    bare = tmp_path / "bare.edf"
    plan = plan_reference([(NATURAL, 1.0)], seed=4, mvc_uv=(215.0, 190.0))
    write_night(replace(plan, cues=(), clenches=plan.clenches[:2]), bare)
    done = run("reference", bare)
    assert done.code == 1
    assert "2 stretches like a clench, 0 taken" in done.out
    assert "--clenches 1-2 --accept-by NAME --teeth natural" in done.err
    assert "No reference" in (tmp_path / "results" / "bare.edf.reference.html").read_text("utf-8")
    assert not (tmp_path / "bare.edf.clenches.toml").exists()
    done = run("reference", bare, "--accept-by", "AB", "--teeth", "natural")
    assert (done.code, "no clench is taken" in done.err) == (2, True)
    done = run("reference", bare, "--clenches", "1-2", "--accept-by", "AB", "--teeth", "natural")
    assert done.code == 0
    assert run("reference", bare, "--clenches", "one").code == 2


def test_reference_refuses_an_impossible_unit(run, chair):
    done = run("reference", chair, "--unit", "mV")
    assert done.code == 1
    assert "factor of 1000" in done.out


def test_reference_leaves_nothing_beside_a_recording_whose_marks_say_it(run, tmp_path):
    recording = write_edf(tmp_path / "night.edf")
    done = run("reference", recording)
    assert done.code == 0, done.err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["night.edf", "results"]
    assert sorted(p.name for p in (tmp_path / "results").iterdir()) == [
        "night.edf.reference.html",
        "night.edf.reference.json",
    ]
    assert f"page: {tmp_path / 'results' / 'night.edf.reference.html'}" in done.out
