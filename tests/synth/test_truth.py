"""Generated nights against their own truth: every event, its kind and its edges."""

from dataclasses import replace

import numpy as np
import pytest

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.recording.opening import open_recording
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.request import Request, score_file
from sleepbrux.synth import ElectrodeOff, Recipe, plan_night, truth_of, write_night

QUIET = Recipe(hours=1.0, episodes_per_hour=22.0, isolated_per_hour=8.0, amplitude_mvc=(0.2, 0.8))
FAULTY = replace(QUIET, electrode_off=(ElectrodeOff("right", 1500.0, 1800.0, 1650.0),), gaps=((2400, 2500),))


@pytest.fixture(scope="module", params=[(QUIET, 1, 1000), (QUIET, 2, 512), (FAULTY, 3, 1000)])
def pair(request, tmp_path_factory):
    recipe, seed, rate = request.param
    plan = plan_night(recipe, seed=seed)
    path = tmp_path_factory.mktemp("night") / "night.edf"
    write_night(plan, path, rate=rate)
    return score_file(path, Request()), truth_of(plan, name="night", rate_hz=rate), path


def known(night, truth):
    """True episodes that could be seen: in the window, in time that is usable on both sides."""
    valid = night.selection.valid
    inside = []
    for episode in truth["episodes"]:
        a, b = (valid.grid.slot_at(t) for t in (episode["start_s"] - 0.2, episode["stop_s"] + 0.2))
        span = valid.grid.none().of(valid.grid, [(a, b)])
        if (span - valid).n_slots == 0:
            inside.append(episode)
    return inside


def found(night):
    grid, table = night.episodes.grid, night.episodes
    return [
        (
            grid.seconds(table.starts[k]),
            grid.seconds(table.stops[k]),
            KINDS[table.kind[k]],
            table.flags[k],
        )
        for k in night.selection.episodes
    ]


def test_every_true_episode_is_found_once_with_its_kind_and_no_other(pair):
    night, truth, _ = pair
    expected = known(night, truth)
    assert len(expected) >= 10
    scored = found(night)
    hit = []
    for episode in expected:
        same = [s for s in scored if s[0] < episode["stop_s"] and s[1] > episode["start_s"]]
        assert len(same) == 1, episode
        assert same[0][2] == episode["kind"], episode
        hit.append(same[0])
    others = [s for s in scored if s not in hit]
    partly = [s for s in others if any(s[0] < e["stop_s"] and s[1] > e["start_s"] for e in truth["episodes"])]
    assert others == partly  # what is left are episodes cut by time that is not usable


def test_episode_edges_are_within_50_ms(pair):
    night, truth, _ = pair
    scored = found(night)
    errors = []
    for e in known(night, truth):
        (s,) = [s for s in scored if s[0] < e["stop_s"] and s[1] > e["start_s"]]
        errors += [s[0] - e["start_s"], s[1] - e["stop_s"]]
    assert np.abs(errors).max() < 0.05
    assert abs(np.median(errors)) < 0.02


def test_the_reference_is_the_clench_made_in_the_night(pair):
    night, truth, _ = pair
    for level, side in zip(night.reference.levels, ("left", "right"), strict=True):
        assert level.mvc_uv == pytest.approx(truth["mvc_uv"][side], rel=0.12)
    assert night.reference.placement == "same electrodes"
    assert night.reference.teeth == "natural teeth"


def test_the_window_is_that_of_the_lights(pair):
    night, truth, _ = pair
    (start, *_), (*_, stop) = night.window.spans_s[0], night.window.spans_s[-1]
    assert start >= truth["lights_off_s"]
    assert stop == truth["lights_on_s"]


def test_faults_leave_the_denominator_with_their_reason(pair):
    night, truth, path = pair
    window = sum(b - a for a, b in night.window.spans_s)
    valid = night.measures["valid_hours"].value * 3600
    off = sum(e["stop_s"] - e["start_s"] for e in truth["electrode_off"])
    gap = sum(b - a for a, b in truth["gaps"])
    assert window - valid == pytest.approx(off + gap, abs=6)
    if truth["gaps"]:
        assert open_recording(path).gaps == tuple((float(a), float(b)) for a, b in truth["gaps"])
        assert {"missing", "contact_lost", "flat"} <= night.quality[1].faults.keys()
        assert night.quality[0].faults.keys() == {"missing", "settling"}


def test_the_archive_gives_the_same_night(pair, tmp_path):
    night, _, _ = pair
    save_night(night, tmp_path / "n.night.h5")
    assert load_night(tmp_path / "n.night.h5").measures == night.measures
