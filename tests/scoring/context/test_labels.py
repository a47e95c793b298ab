"""Labels of a generated night against its truth; every count and every hour by its own definition."""

from dataclasses import replace

import numpy as np
import pytest

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.core.errors import UsageError
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.scoring.context.model import ASLEEP, OTHER, YES
from sleepbrux.scoring.night import rescore, score
from sleepbrux.signal.heart import rate_at
from sleepbrux.signal.surroundings.model import STAGES
from sleepbrux.signal.swept import sweep_recording
from tests.archive.test_file import equal
from tests.nights import LABELS, rhythm, signal_of


def onsets(night):
    return night.episodes.starts * float(night.episodes.grid.slot_s)


def near(seconds, groups, margin=1.0):
    """Which seconds lie in any of the groups."""
    return np.array([any(g[0] - margin <= s <= g[1] + margin for g in groups) for s in seconds])


def groups(planned, *kinds):
    return [(c.group.start_s, c.group.stop_s) for c in planned.confounders if c.kind in kinds]


def inside(night):
    return night.selection.valid.holds(night.episodes.starts)


def test_episodes_of_body_movements_are_labelled_and_true_ones_are_not(night, planned):
    at = onsets(night)
    moved = night.labels.movement == YES
    theirs = near(at, groups(planned, "body movements")) & inside(night)
    true = near(at, [(e.start_s, e.stop_s) for e in planned.plan.episodes])
    assert theirs.sum() >= 4
    assert moved[theirs].mean() > 0.8
    assert not moved[true].any()


def test_stages_are_those_of_the_epoch_of_the_onset(night, planned):
    scored = {c.start_s: c.text.split()[-1] for c in planned.plan.cues if "stage" in c.text}
    words = {"W": "wake", "R": "rem", "N1": "n1", "N2": "n2", "N3": "n3"}
    for second, code in zip(onsets(night).tolist(), night.labels.stage.tolist(), strict=True):
        epoch = 30.0 * (second // 30)
        assert (STAGES[code] if code >= 0 else None) == words.get(scored.get(epoch))


def test_long_wakes_are_probably_awake_and_most_short_ones_are_missed(night, planned):
    at, awake = onsets(night), night.labels.awake == YES
    assert awake[near(at, groups(planned, "long wakes"))].all()
    assert awake[near(at, groups(planned, "short wakes"))].mean() < 0.9


def test_the_heart_rate_rises_before_most_true_episodes(night, planned):
    at = onsets(night)
    true = near(at, [(e.start_s, e.stop_s) for e in planned.plan.episodes]) & inside(night)
    assert 0.6 < (night.labels.rise_5s_pct[true] > 10).mean() <= 1.0
    assert np.nanmax(np.abs(night.labels.rise_5s_pct)) < 45


def test_sound_grinding_position_and_breathing(night, planned):
    at = onsets(night)
    grinding = near(at, planned.grinding_s) & inside(night)
    talking = near(at, groups(planned, "sleep talking"))
    assert (night.labels.grinding[grinding] == YES).mean() > 0.8
    assert not (night.labels.grinding[talking] == YES).any()
    assert (night.labels.sound_db[grinding | talking] > 10).mean() > 0.9
    assert night.labels.positions == ("code 1", "code 2")
    codes = 1 + (at // 2400) % 2
    assert (night.labels.position + 1 == codes).all()
    followed = night.labels.breathing_lag_s[~np.isnan(night.labels.breathing_lag_s)]
    assert len(followed) >= len(planned.plan.episodes) // 3
    assert np.abs(followed).max() <= 30.0


def test_both_counts_are_there_and_nothing_was_dropped(night):
    m = night.measures
    index, labels = night.selection.episodes, night.labels
    asleep = np.isin(labels.stage[index], ASLEEP)
    kept = asleep & (labels.movement[index] != YES)
    assert m["episode_count"].value == len(index)
    assert m["episodes_outside_wake_and_movement_count"].value == kept.sum()
    assert m["episodes_outside_wake_and_movement_count"].value < m["episode_count"].value
    sleep_hours = m["sleep_hours"].value
    assert m["episodes_per_hour_of_sleep"].value == pytest.approx(asleep.sum() / sleep_hours)
    assert sleep_hours < m["valid_hours"].value
    stages = [s for s in STAGES if f"episodes_in_{s}_per_hour" in m]
    assert {"wake", "n2"} <= set(stages)


def test_rates_by_stage_and_position_add_up_to_the_count(night):
    m = night.measures
    for part in ("_in_", "_position_"):
        total = 0.0
        for name, measure in m.items():
            if name.startswith(f"episodes{part}") and name.endswith("_per_hour"):
                hours = float(measure.basis.split(": ")[1].split()[0])
                total += measure.value * hours
        assert total == pytest.approx(m["episode_count"].value, rel=0.1)


@pytest.mark.parametrize(
    ("changes", "counts"),
    [
        ({"context.wake": "drop_scored"}, "episodes_outside_wake_count"),
        ({"context.movement": "drop"}, "episodes_outside_movement_count"),
        (
            {"context.wake": "drop_scored", "context.movement": "drop"},
            "episodes_outside_wake_and_movement_count",
        ),
    ],
)
def test_a_rule_that_drops_gives_the_count_that_the_labels_announced(night, changes, counts):
    again = rescore(night, night.criterion.derive(changes))
    assert again.measures["episode_count"].value == night.measures[counts].value
    assert len(again.episodes) == len(night.episodes)
    if "context.wake" in changes:
        assert "scored sleep only" in again.measures["episodes_per_hour"].basis
        assert again.measures["valid_hours"].value == pytest.approx(night.measures["sleep_hours"].value)


def test_time_probably_awake_leaves_the_hours_as_they_are(night):
    unstaged = score(
        replace(night.swept, surroundings=replace(night.swept.surroundings, stages=None)),
        criterion=night.criterion,
        window=night.window,
        reference=night.reference,
    )
    again = rescore(unstaged, night.criterion.derive({"context.wake": "drop_probable"}))
    assert again.measures["valid_hours"].value == night.measures["valid_hours"].value
    awake = (unstaged.labels.awake[unstaged.selection.episodes] == YES).sum()
    assert awake > 0
    assert again.measures["episode_count"].value == len(night.selection.episodes) - awake
    assert (
        again.measures["episode_count"].value == unstaged.measures["episodes_in_probable_sleep_count"].value
    )


def test_scored_stages_come_before_an_estimate(night):
    assert not any("probable_sleep" in name for name in night.measures)
    again = rescore(night, night.criterion.derive({"context.wake": "drop_probable"}))
    scored = np.isin(night.labels.stage[night.selection.episodes], ASLEEP)
    assert again.measures["episode_count"].value == scored.sum()
    assert (scored != (night.labels.awake[night.selection.episodes] != YES)).any()


def test_the_archive_keeps_all_of_it_and_rescoring_from_it_is_the_same(night, tmp_path):
    save_night(night, tmp_path / "a.night.h5")
    loaded = load_night(tmp_path / "a.night.h5")
    assert equal(night.swept.surroundings, loaded.swept.surroundings)
    assert equal(night.labels, loaded.labels)
    rule = load_criterion("castroflorio2013_emg_hr")
    one, other = rescore(night, rule), rescore(loaded, rule)
    assert equal(one.labels, other.labels)
    assert equal(one.measures, other.measures)


def test_a_night_with_nothing_around_it_says_so_and_loads_no_detector():
    jaw = signal_of(rhythm(20, 4), seconds=60)
    swept = sweep_recording(from_array(jaw, 1000, LABELS[:1]))
    surroundings = swept.surroundings
    assert (surroundings.heart, surroundings.wake_estimate, surroundings.sound) == (None, None, None)
    assert surroundings.activity_channels == ()


@pytest.mark.parametrize(
    ("changes", "need"),
    [
        ({"context.wake": "drop_scored"}, "sleep stages"),
        ({"context.wake": "drop_probable"}, "accelerometer"),
        ({"context.movement": "drop"}, "leg or arm"),
    ],
)
def test_dropping_for_a_signal_that_is_not_there_is_refused_in_one_sentence(changes, need):
    from sleepbrux import reference as calibration
    from sleepbrux.scoring.night import score_night

    recording = from_array(signal_of(rhythm(20, 4), seconds=60), 1000, LABELS[:1])
    rule = load_criterion("phasic_tonic_10mvc").derive(changes)
    with pytest.raises(UsageError, match=need):
        score_night(recording, calibration.given(LABELS[:1], 200.0), rule)


def test_chewing_like_is_fast_and_long_and_nothing_else(night):
    labels = night.labels
    length = (night.episodes.stops - night.episodes.starts) * float(night.episodes.grid.slot_s)
    chewing = labels.other == OTHER.index("chewing-like")
    assert ((labels.rhythm_hz > 1.25) & (length >= 9) == chewing).all()


def test_the_heart_rate_is_the_one_that_was_planned(night, planned):
    beats = planned.beats_s
    middle = (beats[1:-1] + beats[2:]) / 2
    planned_rate = 60 / np.diff(beats)[1:]
    found = rate_at(night.swept.surroundings.heart, middle)
    known = ~np.isnan(found)
    assert known.mean() > 0.97
    assert np.median(np.abs(found[known] / planned_rate[known] - 1)) < 0.01


def test_an_ecg_without_beats_is_noted_and_says_nothing():
    jaw = signal_of(rhythm(20, 4), seconds=60)
    noise = np.random.default_rng(0).normal(0, 50, len(jaw))
    swept = sweep_recording(from_array(np.stack((jaw, noise)), 1000, [LABELS[0], "ECG"]))
    (note,) = [n for n in swept.notes if n.code == "heart-rate-partly-known"]
    assert note.severity == "warning"
    assert swept.surroundings.heart.trusted.mean() < 0.2


def test_a_position_channel_of_no_whole_codes_is_noted_and_not_used():
    jaw = signal_of(rhythm(20, 4), seconds=60)
    angle = np.linspace(0, 90, len(jaw))
    swept = sweep_recording(from_array(np.stack((jaw, angle)), 1000, [LABELS[0], "Body position"]))
    assert swept.surroundings.position is None
    assert "position-not-used" in {n.code for n in swept.notes}
