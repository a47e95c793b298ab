"""``sleepbrux summary``: what it prints, writes and says when nights are missing."""

import json

import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive import file as store
from sleepbrux.scoring.night import score_night
from tests.nights import LABELS, recording_of, rhythm

NIGHTS = {  # id: condition, number of episodes
    "n1": ("none", 3),
    "n2": ("none", 1),
    "n3": ("none", 2),
    "n4": ("occlusal splint", 1),
}
SECONDS = 120


def scored(episodes, *, seed, criterion="phasic_tonic_10mvc", marks=()):
    bursts = [b for k in range(episodes) for b in rhythm(10 + 30 * k, 4)]
    recording = recording_of([bursts, bursts], seconds=SECONDS, seed=seed, marks=marks)
    reference = None if criterion == "aasm" else calibration.given(LABELS, 200.0)
    return score_night(recording, reference, criterion)


@pytest.fixture(scope="module")
def nights():
    return {id_: scored(n, seed=k) for k, (id_, (_, n)) in enumerate(NIGHTS.items())}


@pytest.fixture
def study(tmp_path, nights):
    """A study file, and its archives: n3 under the name of its recording."""
    text = 'pseudonym = "P1"\n'
    for id_, (condition, _) in NIGHTS.items():
        text += f'[[night]]\nid = "{id_}"\nrecording = "in/{id_}-rec.edf"\ncondition = "{condition}"\n'
    path = tmp_path / "study.toml"
    path.write_text(text, "utf-8")
    (tmp_path / "results").mkdir()
    for id_, night in nights.items():
        stem = "n3-rec" if id_ == "n3" else id_
        store.save_night(night, tmp_path / "results" / f"{stem}.night.h5")
    return path


@pytest.fixture
def summary(run, study):
    def call(*more):
        return run("summary", study, "--results", study.parent / "results", *more)

    return call


def test_the_table_names_every_night_and_the_pooled_numbers(summary, nights):
    one = 1 / nights["n1"].measures["valid_hours"].value
    done = summary()
    assert done.code == 0, done.err
    assert done.err.startswith("next, ")
    lines = done.out.splitlines()
    for id_ in NIGHTS:
        assert any(line.split()[:1] == [id_] for line in lines), id_
    assert "none: 3 nights pooled" in lines
    assert "occlusal splint: 1 night pooled" in lines
    assert any(f"nights 3, mean {2 * one:.2f}, median {2 * one:.2f}" in line for line in lines)
    assert "no interval from one night" in done.out
    assert f"first night of the study, n1: {3 * one:.2f}; mean of the other 2: {1.5 * one:.2f}" in done.out
    assert "first night of this condition, n4" in done.out
    assert "fewer than the 4 h" in done.out
    assert "published: Lavigne 2001" in done.out
    assert "published: Miettinen 2018" in done.out
    assert "own CV, 3 nights" in done.out


def test_table_and_json_say_the_same(summary, nights):
    (hours,) = {night.measures["valid_hours"].value for night in nights.values()}
    found = json.loads(summary("--json").out)
    outcome = found["conditions"][0]["outcomes"][0]
    assert [v["count"] for v in outcome["values"]] == [3, 1, 2]
    assert outcome["mean"] == pytest.approx(2 / hours)
    # variance of 3, 1, 2 is 1, its Poisson variation their mean, 2; both over hours²
    assert outcome["spread"]["sd"] == pytest.approx(1 / hours)
    assert outcome["spread"]["counting_sd"] == pytest.approx(2**0.5 / hours)
    assert outcome["spread"]["nights_sd"] == 0
    table = summary().out
    interval = outcome["interval"]
    assert f"95 % interval {interval['low']:.2f} to {interval['high']:.2f}" in table
    assert outcome["spread"]["sentence"] in table
    assert {o["role"] for o in found["conditions"][0]["outcomes"][1:]} == {"descriptive"}


@pytest.mark.parametrize("options", [(), ("--json",)])
def test_out_writes_what_would_be_printed(summary, tmp_path, options):
    out = tmp_path / "summary.txt"
    done = summary(*options, "--out", out)
    assert (done.code, done.out) == (0, "")
    assert out.read_text("utf-8") == summary(*options).out


def test_missing_and_damaged_archives_are_named_and_the_rest_is_done(summary, study):
    results = study.parent / "results"
    (results / "n2.night.h5").unlink()
    (results / "n4.night.h5").write_bytes(b"no archive")
    done = summary()
    assert done.code == 1
    assert "2 of 4 nights are missing: n2, n4" in done.err
    assert "missing: n2 (none): no archive n2.night.h5 or n2-rec.night.h5 in results" in done.out
    assert "missing: n4 (occlusal splint): n4.night.h5: not an archive of a scored night" in done.out
    found = json.loads(summary("--json").out)
    assert [m["id"] for m in found["missing"]] == ["n2", "n4"]
    assert found["conditions"][0]["outcomes"][0]["nights"] == 2
    assert found["conditions"][1]["outcomes"] == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"criterion": "aasm"}, ["criterion aasm", "reference 'none'"]),
        ({"marks": [(1, 0, "Lights off"), (115, 0, "Lights on")]}, ["window 'lights off to on"]),
    ],
)
def test_mixed_bases_are_refused(summary, study, options, words):
    night = scored(3, seed=9, **options)
    store.save_night(night, study.parent / "results" / "n1.night.h5")
    done = summary()
    assert done.code == 0
    (line,) = [line for line in done.out.splitlines() if line.startswith("  left out: n1")]
    assert all(word in line for word in words)
    assert "none: 2 nights pooled" in done.out
    assert "first night of the study, n1: missing or left out; mean of the other 2" in done.out


def test_the_archive_of_another_night_is_not_taken(summary, study, nights):
    from dataclasses import replace

    other = replace(nights["n2"], about=(("night", "n9"), ("condition", "none")))
    store.save_night(other, study.parent / "results" / "n2.night.h5")
    done = summary()
    assert done.code == 1
    assert "missing: n2 (none): n2.night.h5 is the archive of night 'n9'" in done.out


@pytest.mark.parametrize("text", ['pseudonym = "P1"\n', "no toml"])
def test_a_wrong_study_file_is_wrong_usage(summary, study, text):
    study.write_text(text, "utf-8")
    done = summary()
    assert (done.code, done.out) == (2, "")
    assert "study.toml" in done.err


def test_an_unknown_primary_outcome_is_wrong_usage(summary, study):
    study.write_text('primary_outcome = "grinding"\n' + study.read_text("utf-8"), "utf-8")
    done = summary()
    assert done.code == 2
    assert "'grinding' is no measure; there are episodes_per_hour" in done.err


def test_a_folder_that_is_not_there_is_wrong_usage(run, study):
    assert run("summary", study, "--results", study.parent / "nowhere").code == 2


def test_inputs_are_not_overwritten(summary, study):
    before = study.read_bytes()
    assert summary("--out", study).code == 2
    assert summary("--out", study.parent / "results" / "n1.night.h5").code == 2
    assert study.read_bytes() == before


@pytest.mark.parametrize("words", ["per hour of sleep", "diagnos", "severe", "moderate", "bruxer"])
def test_no_word_that_the_numbers_do_not_carry(summary, words):
    shown = summary().out.replace("does not diagnose, grade or screen", "").casefold()
    assert words not in shown
