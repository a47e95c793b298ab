"""Distributions, parts of the night and the sides."""

import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.recording.window import Window
from sleepbrux.scoring.distributions import details
from sleepbrux.scoring.measures import histogram
from sleepbrux.scoring.night import score_night
from tests.nights import LABELS, recording_of, rhythm

LEFT = [*rhythm(60, 4, level_uv=120.0), *rhythm(500, 3, level_uv=120.0), (800.0, 803.0, 120.0)]
RIGHT = [*rhythm(60, 4, level_uv=60.0), (800.0, 803.0, 60.0)]


@pytest.fixture(scope="module")
def night():
    recording = recording_of([LEFT, RIGHT], seconds=900)
    window = Window(((30.0, 900.0),), "test")
    return score_night(recording, calibration.given(LABELS, 200.0), window=window)


def test_parts_add_up_to_the_whole(night):
    found = details(night)
    for parts in (found.by_hour, found.by_third):
        assert sum(p.episode_count for p in parts) == night.measures["episode_count"].value == 3
        assert sum(p.valid_hours for p in parts) == pytest.approx(night.measures["valid_hours"].value)
    assert [p.episode_count for p in found.by_third] == [1, 1, 1]
    assert [p.by_kind["tonic"] for p in found.by_third] == [0, 0, 1]
    assert len(found.by_hour) == 1


def test_distributions_count_every_burst_of_an_episode_once(night):
    by_name = {d.name: d for d in details(night).distributions}
    bursts = night.measures["burst_count"].value
    for name in ("burst_peak_pct_mvc", "burst_peak_uv", "burst_duration_s"):
        assert by_name[name].n == sum(by_name[name].classes.values()) == bursts
    assert by_name["burst_duration_s"].percentiles["p50"] == pytest.approx(
        night.measures["median_burst_duration_s"].value
    )
    assert by_name["episode_duration_s"].n == 3


def test_sides_say_who_took_part_and_how_strongly(night):
    sides = details(night).sides
    left, right = sides.channels
    assert (left.bursts, right.bursts) == (8, 5)
    assert (left.alone, right.alone) == (3, 0)
    assert sides.shared_pct == pytest.approx(100 * 5 / 8)
    assert sides.asymmetry_pct == pytest.approx(100 * (120 - 60) / (120 + 60), abs=8)


def test_one_channel_has_no_agreement():
    recording = recording_of([LEFT], seconds=900)
    sides = details(score_night(recording, calibration.given(LABELS[:1], 200.0))).sides
    assert (sides.shared_pct, sides.asymmetry_pct) == (None, None)


def test_a_night_without_events_has_empty_distributions():
    recording = recording_of([[]], seconds=120)
    found = details(score_night(recording, calibration.given(LABELS[:1], 200.0)))
    assert all(d.n == 0 and d.percentiles == {} for d in found.distributions)
    assert found.by_third[0].episodes_per_hour == 0


def test_a_value_on_a_border_belongs_to_the_class_above_and_nothing_is_clipped():
    classes = dict(histogram(np.array([10.0, 9.99, 250.0, np.nan]), (0.0, 10.0, 20.0, 200.0)))
    assert classes == {"0-10": 1, "10-20": 1, "20-200": 0, ">= 200": 1}
