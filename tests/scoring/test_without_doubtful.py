"""Doubtful activity counts, is named, and the range of the rate holds what it would be without it."""

import numpy as np
import pytest

import sleepbrux as sb
from sleepbrux.export.summary import summary
from sleepbrux.report.wording import CAUSES
from sleepbrux.scoring.usability import after_night
from tests.signal.test_doubtful_activity import (
    LABELS,
    RATE,
    envelope,
    noise,
    rest,
    sunk,
    two_muscles,
)

GROUPS_S = [(at + k, at + k + 0.4) for at in range(10, 230, 20) for k in range(4)]


def scored(*channels):
    return sb.score(np.stack(channels), rate_hz=RATE, labels=LABELS[: len(channels)], mvc_uv=200.0)


def codes(night, severity="warning"):
    return {n.code for n in night.notes if n.severity == severity}


@pytest.fixture(scope="module")
def shared():
    wave = envelope(GROUPS_S) * noise(5)
    return scored(rest(1) + wave, rest(2) + wave)


def test_a_shared_wave_counts_and_the_range_goes_down_to_none(shared):
    value = {name: m.value for name, m in shared.measures.items()}
    assert value["episode_count"] == value["episodes_in_doubtful_time_count"] == 11
    assert value["least_episodes_per_hour"] == value["episodes_per_hour"]
    assert value["lowest_episodes_per_hour"] == 0
    assert value["highest_episodes_per_hour"] >= value["episodes_per_hour"]
    assert value["doubtful_hours"] * 3600 == pytest.approx(44 * 0.6, rel=0.3)
    found = summary(shared)["rate_range"]
    assert found["low_per_hour"] == 0
    assert found["sentence"].startswith("Lost and doubtful time could move the rate between 0.0 and")


def test_it_is_a_warning_that_names_the_channels_and_a_cause_after_the_night(shared):
    (note,) = [n for n in shared.notes if n.code == "activity-doubtful"]
    assert note.severity == "warning"
    assert "same wave on both sides" in note.text
    assert all(label in note.text for label in LABELS)
    assert "11 of 11 counted episodes meet it" in note.text
    (finding,) = [f for f in after_night(shared).findings if f.cause == "interference"]
    assert "same wave on both sides" in finding.text
    assert "away from chargers" in finding.remedy
    assert CAUSES["interference"] == "the same disturbance on both sides"


def test_one_side_alone_keeps_what_both_sides_showed(shared):
    alone = shared.swept.select_channels([1])
    assert [q.doubts for q in alone.quality] == [shared.quality[1].doubts]


def test_an_archive_gives_the_same_doubts_and_the_same_range(shared, tmp_path):
    path = tmp_path / "n.night.h5"
    sb.save_night(shared, path)
    loaded = sb.load_night(path)
    assert [q.doubts for q in loaded.quality] == [q.doubts for q in shared.quality]
    for rules in ("phasic_tonic_10mvc", "aasm"):
        assert sb.rescore(loaded, rules).measures == sb.rescore(shared, rules).measures


def test_two_muscles_have_no_such_note_and_no_range():
    night = scored(*two_muscles(spans_s=GROUPS_S))
    assert night.measures["episode_count"].value == 11
    assert not {c for c in codes(night) | codes(night, "note") if c.startswith("activity")}
    assert (
        night.measures["lowest_episodes_per_hour"].value
        == night.measures["highest_episodes_per_hour"].value
        == night.measures["episodes_per_hour"].value
    )
    assert night.measures["doubtful_hours"].value == 0


def test_true_episodes_beside_a_shared_wave_stay_certain():
    """The wave comes every 2 s for a while and unites what are two episodes and more."""
    every = [(at, at + 0.3) for at in np.arange(100, 200, 2.0)]
    wave = envelope(every) * noise(5)
    left, right = two_muscles(spans_s=GROUPS_S)
    clean, faulty = scored(left, right), scored(left + wave, right + wave)
    true = clean.measures["episodes_per_hour"].value
    assert faulty.measures["episodes_per_hour"].value < true
    low, high = (faulty.measures[f"{w}_episodes_per_hour"].value for w in ("lowest", "highest"))
    assert 0 < low <= true <= high
    assert "activity-doubtful" in codes(faulty)


def test_what_a_rubbing_cable_leaves_counts_and_the_range_goes_down_to_none():
    low = 2.5 * noise(6, median_hz=45) * envelope(GROUPS_S, level_uv=20.0)
    slow = np.sin(2 * np.pi * 3 * np.arange(len(low)) / RATE) * envelope(GROUPS_S, level_uv=500.0)
    night = scored(rest(1), rest(2) + low + slow)
    assert night.measures["episode_count"].value >= 1  # not all is repaired
    assert night.measures["lowest_episodes_per_hour"].value == 0
    assert [list(q.doubts) for q in night.quality] == [[], ["blunt"]]


def test_a_level_that_sinks_hides_episodes_and_the_range_finds_them():
    seconds = 1800
    groups = [(at + k, at + k + 0.4) for at in range(20, 1780, 40) for k in range(4)]
    gain = sunk(0.4) / sunk(1.0)
    level = {"seconds": seconds}
    muscles = [
        rest(s, **level) + envelope(groups, level_uv=30.0, **level) * noise(s + 10, **level) for s in (1, 2)
    ]
    clean, faulty = scored(*muscles), scored(*(m * gain for m in muscles))
    true, found = (n.measures["episodes_per_hour"].value for n in (clean, faulty))
    assert found < 0.8 * true
    assert faulty.measures["highest_episodes_per_hour"].value == pytest.approx(true, rel=0.03)
    assert "activity-doubtful" in codes(faulty)
    assert "activity-doubtful" not in codes(clean)
    (finding,) = [f for f in after_night(faulty).findings if "resting level" in f.text]
    assert finding.cause == "electrode"
