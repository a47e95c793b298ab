"""``sleepbrux trace``: the chain from a number down to the samples."""

import inspect
import json
import re
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.archive.file import load_night
from sleepbrux.cli.trace import SURROUNDINGS, _event
from sleepbrux.export import chain
from sleepbrux.export.chain import chain_of, stored_samples

from .conftest import called as run

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    out = tmp_path_factory.mktemp("traced")
    done = run("score", EXCERPT, "--mvc-uv", "190", "--out", out)
    assert done.code == 0, done.err
    return out / "excerpt.night.h5"


def test_every_measure_has_a_chain_and_the_rates_come_out_of_it_again(archive):
    night = load_night(archive)
    for name, measure in night.measures.items():
        table = chain_of(night, name)
        assert table["unit"] == measure.unit
        assert table["basis"]
        if "context." in measure.keys and table["events"]["what"].startswith("counted episodes that"):
            assert len(table["events"]["list"]) == (measure.value or 0)
        elif "context." in measure.keys:
            assert len(table["events"]["list"]) == len(night.selection.episodes)
        elif name in ("lowest_episodes_per_hour", "highest_episodes_per_hour"):
            assert table["events"]["count"] is None  # other readings of the same events
        elif measure.unit == "1/h" and measure.value is not None:
            number = table["events"]["count"] / table["valid"]["hours"]
            assert number == pytest.approx(measure.value, rel=1e-9), name
            assert f"{measure.value:.6g}" in table["computed_again"]
        for rule in table["rules"]:
            assert rule["status"]


def test_the_samples_named_are_those_of_the_event(archive):
    """The file is read again by another reader: those samples hold the activity."""
    import edfio

    night = load_night(archive)
    event = chain_of(night, "episodes_per_hour")["events"]["list"][0]
    signals = {s.label: s.data for s in edfio.read_edf(EXCERPT).signals}
    for label, pairs in event["stored_samples"].items():
        ((a, b),) = pairs
        inside = np.sqrt(np.mean((signals[label][a:b] - signals[label][a:b].mean()) ** 2))
        before = signals[label][a - 3000 : a - 1000]
        assert inside > 2 * np.sqrt(np.mean((before - before.mean()) ** 2))


@pytest.mark.shows("traceable")
def test_samples_after_a_gap_are_numbered_without_it():
    from fractions import Fraction

    from sleepbrux.recording.model import Channel, Piece

    channel = Channel(
        0,
        "L",
        "jaw",
        "left",
        "masseter",
        "uV",
        Fraction(100),
        1.0,
        0.0,
        -9,
        9,
        1000,
        (Piece(0, 0, 400), Piece(700, 400, 600)),
    )
    assert stored_samples(channel, 1.0, 2.0) == [[100, 200]]
    assert stored_samples(channel, 3.5, 7.5) == [[350, 400], [400, 450]]
    assert stored_samples(channel, 4.5, 6.5) == []


def test_it_prints_every_link(archive):
    done = run("trace", archive, "episodes_per_hour")
    assert done.code == 0
    night = load_night(archive)
    for text in (
        "episodes_per_hour",
        "threshold.level_pct_mvc = 10 ",
        "doi:10.1111/joor.13170",
        "samples [",
        "valid:",
        "left out",
        "190 µV",
        night.swept.digest,
        night.criterion.digest(),
        "report id",
        "versions",
        "not a medical device",
    ):
        assert text in done.out, text


def test_json_holds_the_same_and_names_are_listed(archive):
    table = json.loads(run("trace", archive, "burst_count", "--json").out)
    assert table["events"]["count"] == table["value"] == len(table["events"]["list"])
    assert "episodes_per_hour" in run("trace", archive).out


def test_a_name_that_is_not_there_is_wrong_usage(archive):
    done = run("trace", archive, "ahi")
    assert done.code == 2
    assert "no measure 'ahi'" in done.err
    assert run("trace", archive.with_name("none.night.h5"), "episode_count").code == 1


def test_scoring_again_under_another_rule_supersedes(tmp_path):
    def scored(*more):
        assert run("score", EXCERPT, "--out", tmp_path, *more).code == 0
        return json.loads((tmp_path / "excerpt.summary.json").read_text("utf-8"))

    first = scored("--mvc-uv", "190")
    assert first["supersedes"] is None
    same = scored("--mvc-uv", "190")
    assert (same["report_id"], same["supersedes"]) == (first["report_id"], None)
    other = scored("--mvc-uv", "150")
    assert other["supersedes"] == first["report_id"] != other["report_id"]
    assert load_night(tmp_path / "excerpt.night.h5").supersedes == first["report_id"]
    assert scored("--mvc-uv", "150") == other


def test_what_is_not_known_and_what_is_so_are_said_in_words(archive):
    for name in load_night(archive).measures:
        done = run("trace", archive, name)
        assert not re.search(r"\b(None|True|False|nan)\b", done.out), name
        assert not re.search(r"[1-9]\.\d{6}", done.out), name
    table = {
        "episode": 1,
        "start_s": 1.0,
        "end_s": 2.0,
        "kind": "phasic",
        "stored_samples": {},
        "surroundings": {"awake": False, "movement": True, "heart_rate_rise_5s_pct": 8.57142857143},
    }
    assert _event(table).endswith(
        "; probably awake: no; in a body movement: yes; rise of the heart rate in %: 8.57143"
    )


def test_every_word_of_what_surrounds_an_episode_has_a_name_for_people():
    source = inspect.getsource(chain._surroundings)
    assert set(re.findall(r'^        "(\w+)":', source, re.MULTILINE)) == set(SURROUNDINGS)
