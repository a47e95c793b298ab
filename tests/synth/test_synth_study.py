"""The demo scenario holds what it says, and the excerpt is what its command writes."""

import json
import tomllib
from collections import Counter
from dataclasses import replace
from datetime import time

import edfio
import numpy as np
import pytest

from sleepbrux.analysis.comparison.contrasts import compare_nights
from sleepbrux.analysis.comparison.model import CountedNight
from sleepbrux.core.errors import StudyError
from sleepbrux.synth import study
from sleepbrux.synth.study import (
    load_scenario,
    make_study,
    night_plan,
    scenario_path,
    study_file,
    true_rate,
    write_excerpt,
    write_recording,
)
from sleepbrux.synth.truth import truth_path

LITTLE, MUCH = "advancement 2 mm", "advancement 6 mm"


@pytest.fixture(scope="module")
def scenario():
    return load_scenario()


@pytest.fixture(scope="module")
def small(scenario):
    return replace(scenario, hours=0.5, rate_hz=250, night=scenario.night[:4])


def test_eight_nights_under_each_of_three_conditions(scenario):
    found = Counter(night.condition for night in scenario.night)
    assert found == {"none": 8, LITTLE: 8, MUCH: 8}
    assert len(set(scenario.nights)) == 24
    assert scenario.hours == 5.5
    assert scenario.recordings[0] == "reference"
    for block in range(1, 9):
        inside = [n.condition for n in scenario.night if n.block == block]
        assert sorted(inside) == sorted(found)


def test_rates_scatter_as_stated_and_only_one_setting_acts(scenario):
    found = {"none": [], LITTLE: [], MUCH: []}
    for seed in range(150):
        other = replace(scenario, seed=seed)
        for night in scenario.night[:3]:
            found[night.condition].append(true_rate(other, night.id))
    means = {name: np.mean(rates) for name, rates in found.items()}
    assert means["none"] == pytest.approx(7.5, rel=0.1)
    assert means[LITTLE] == pytest.approx(7.5, rel=0.1)
    assert means[MUCH] == pytest.approx(0.5 * 7.5, rel=0.1)
    for rates in found.values():
        assert np.std(rates) / np.mean(rates) == pytest.approx(0.15, abs=0.04)


def planned(scenario):
    """The nights as they are planned, without a recording."""
    hours = scenario.hours - 0.17  # from lights off to lights on
    return [
        CountedNight(n.id, n.condition, round(true_rate(scenario, n.id) * hours), hours, n.date, n.block)
        for n in scenario.night
    ]


def test_the_story_shows_a_verdict_of_each_kind_and_most_seeds_do(scenario):
    told = 0
    for seed in (scenario.seed, *range(1, 11)):
        other = replace(scenario, seed=seed)
        found = compare_nights(
            planned(other), baseline="none", order=other.order, outcome="episodes per hour"
        )
        verdicts = {c.condition: c.verdict for c in found.contrasts if c.against == "none"}
        right = verdicts == {MUCH: "lower", LITTLE: "no more than a quarter less or a third more"}
        assert right or seed != scenario.seed
        told += right
    assert told >= 7


def test_each_night_has_its_own_gain_and_plan_and_the_same_ones_again(scenario):
    plans = [night_plan(scenario, night) for night in scenario.nights]
    gains = np.array([plan.gain for plan in plans])
    assert gains.min() >= 0.8
    assert gains.max() <= 1.25
    assert len(np.unique(gains)) > 40
    assert len({plan.seed for plan in plans}) == 24
    assert night_plan(scenario, "night-04") == plans[3]


def test_one_night_has_a_loose_electrode_and_another_a_gap(scenario):
    plans = [night_plan(scenario, night) for night in scenario.nights]
    assert [bool(plan.electrode_off) for plan in plans].count(True) == 1
    assert [bool(plan.gaps) for plan in plans].count(True) == 1


def test_study_file_names_every_recording(scenario):
    table = tomllib.loads(study_file(scenario))
    assert table["pseudonym"] == scenario.pseudonym
    assert (table["primary_outcome"], table["criterion"]) == (
        "episodes_per_hour",
        "phasic_tonic_10mvc",
    )
    assert [ref["recording"] for ref in table["reference"]] == ["reference.edf"]
    assert table["reference"][0]["teeth"] == "natural"
    for entry, night in zip(table["night"], scenario.night, strict=True):
        assert (entry["id"], entry["date"], entry["condition"]) == (
            night.id,
            night.date,
            night.condition,
        )
        assert entry["recording"] == f"{night.id}.edf"
        assert entry["reference"] == "own"


def test_reference_recording_has_three_trials_on_teeth_and_with_each_appliance(small, tmp_path):
    truth = write_recording(small, "reference", tmp_path / "reference.edf")
    texts = Counter(a.text for a in edfio.read_edf(tmp_path / "reference.edf").annotations)
    natural = "Clench natural teeth"
    assert texts == {
        "Rest": 4,
        natural: 6,
        f"Clench with {LITTLE}": 3,
        f"Clench with {MUCH}": 3,
    }
    best = max(c["bursts"]["left"][0]["amplitude_uv"] for c in truth["clenches"] if c["text"] == natural)
    assert best == pytest.approx(truth["mvc_uv"]["left"], abs=0.01)


def test_make_study_shows_each_night_and_keeps_as_many_as_asked(small, tmp_path):
    seen = []
    found = make_study(
        small,
        tmp_path / "demo",
        keep=1,
        on_night=lambda night, path: seen.append((night, path.stat().st_size)),
    )
    assert found == tmp_path / "demo" / "study.toml"
    assert [night for night, _ in seen] == list(small.nights)
    assert min(size for _, size in seen) > 1800 * 250 * 4
    kept = sorted(path.name for path in found.parent.glob("*.edf"))
    assert kept == ["night-01.edf", "reference.edf"]
    assert len(list(found.parent.glob("*.truth.json"))) == 5


def test_truth_file_tells_what_was_rendered(small, tmp_path):
    path = tmp_path / "night-01.edf"
    truth = write_recording(small, "night-01", path)
    assert truth_path(path).name == "night-01.truth.json"
    assert json.loads(truth_path(path).read_text()) == truth
    assert truth["invented"] is True
    assert (truth["condition"], truth["rate_hz"]) == (small.night[0].condition, 250)
    assert edfio.read_edf(path).starttime == time(23, 10)
    for group in truth["episodes"]:
        ends = [(b["start_s"], b["stop_s"]) for side in group["sides"] for b in group["bursts"][side]]
        assert group["start_s"] == min(start for start, _ in ends)
        assert group["stop_s"] == max(stop for _, stop in ends)
        for side in group["sides"]:
            for burst in group["bursts"][side]:
                expected = burst["amplitude_mvc"] * truth["mvc_uv"][side]
                assert burst["amplitude_uv"] == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("seed = 20260306", "sead = 1\nseed = 2", "unknown key 'sead'"),
        ("clench = 0.95", "clench = 0.95\ncolour = 1", "unknown key 'colour'"),
        ('condition = "none"', 'condition = "nothing"', "has condition 'nothing'"),
        ("hours = 5.5", 'hours = "7"', "is no scenario"),
        ("hours = 5.5", "hours = ", "not valid TOML"),
        ("hours = 5.5", "", "is no scenario"),
    ],
)
def test_a_wrong_scenario_is_refused_with_the_reason(tmp_path, old, new, message):
    path = tmp_path / "scenario.toml"
    path.write_text(scenario_path().read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(StudyError, match=message):
        load_scenario(path)


def test_an_unknown_night_is_refused(scenario):
    with pytest.raises(StudyError, match="no night 'night-99'"):
        night_plan(scenario, "night-99")


@pytest.mark.parametrize("place", ["package/demo_data", "demo_data"])
def test_scenario_is_found_inside_the_package_or_beside_it(tmp_path, monkeypatch, place):
    monkeypatch.setattr(study, "files", lambda _: tmp_path / "package")
    with pytest.raises(StudyError, match="no demo scenario found"):
        scenario_path()
    (tmp_path / place).mkdir(parents=True)
    (tmp_path / place / "scenario.toml").write_text("")
    assert scenario_path() == tmp_path / place / "scenario.toml"


def test_excerpt_is_what_its_command_writes(tmp_path):
    stored = scenario_path().with_name("excerpt.edf")
    truth = write_excerpt(tmp_path / "excerpt.edf")
    assert json.loads(truth_path(stored).read_text(encoding="utf-8")) == truth
    assert stored.stat().st_size < 1.5e6
    old, new = (edfio.read_edf(path) for path in (stored, tmp_path / "excerpt.edf"))
    assert old.annotations == new.annotations
    for a, b in zip(old.signals, new.signals, strict=True):
        # another build of the FFT may round otherwise
        assert np.abs(a.digital.astype(int) - b.digital).max() <= 1
    assert Counter(e["kind"] for e in truth["episodes"]) == {"phasic": 2, "tonic": 1, "mixed": 1}
