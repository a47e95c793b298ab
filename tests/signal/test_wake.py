"""When a probability of being awake is formed, and when it is refused, each in one sentence."""

from datetime import time

import numpy as np
import pytest

from sleepbrux.core.errors import Note
from sleepbrux.signal import wake_model
from sleepbrux.signal.heart import Heart, trust
from sleepbrux.signal.wake import WakeProbability, estimate_wake, irregular_share, paced_share, refusal
from sleepbrux.signal.wake_model import EPOCH_S, Sleeper
from tests.wake_nights import beats_of, stages_of

HOURS = 4.5


def heart_of(beats_s, kind="ecg"):
    return Heart("ECG", kind, beats_s, trust(beats_s, np.ones(len(beats_s), dtype=bool)))


@pytest.fixture(scope="module")
def beats():
    rng = np.random.default_rng(3)
    return beats_of(stages_of(rng, HOURS), rng)


@pytest.fixture(scope="module")
def chance(beats):
    return estimate_wake(heart_of(beats), HOURS * 3600, time(23), Sleeper(40, "female"))


def reason(beats_s, hours=HOURS, kind="ecg"):
    found = estimate_wake(heart_of(beats_s, kind), hours * 3600)
    assert isinstance(found, Note)
    assert found.text.startswith("no probability of being awake is formed from channel 'ECG': ")
    assert found.text.count(". ") <= 2
    return found.text


def test_one_probability_each_30_s_with_what_was_told_and_the_quality(chance):
    assert isinstance(chance, WakeProbability)
    assert len(chance.probability) == HOURS * 3600 / EPOCH_S
    assert np.nanmin(chance.probability) >= 0
    assert np.nanmax(chance.probability) <= 1
    assert chance.given == ("age", "sex", "time of day")
    assert chance.trusted.min() > 0.9
    assert len(chance.digest) == 64


def test_the_probability_at_a_second_is_that_of_its_30_s(chance):
    at = chance.at(np.array([0.0, 29.99, 30.0, 3600.0, HOURS * 3600, -1.0]))
    assert at[0] == at[1] == chance.probability[0]
    assert at[2] == chance.probability[1]
    assert at[3] == chance.probability[120]
    assert np.isnan(at[4:]).all()


def test_age_and_sex_change_what_the_model_says_and_missing_ones_are_no_error(beats, chance):
    untold = estimate_wake(heart_of(beats), HOURS * 3600)
    assert untold.given == ()
    assert not np.array_equal(untold.probability, chance.probability)


def test_a_pulse_wave_is_refused_and_its_own_use_is_named(beats):
    assert "pulse wave" in reason(beats, kind="pulse wave")
    assert "windows of 5 s or longer" in reason(beats, kind="pulse wave")


@pytest.mark.parametrize(("hours", "refused"), [(3.99, True), (4.0, False)])
def test_under_four_hours_are_refused(beats, hours, refused):
    found = refusal(heart_of(beats[beats < hours * 3600]), hours * 3600)
    assert bool(found) is refused
    if refused:
        assert "lasts 3.99 h" in found


@pytest.mark.parametrize(("kept", "refused"), [(0.45, True), (0.55, False)])
def test_beats_lost_over_half_of_the_night_are_refused(beats, kept, refused):
    heart = heart_of(beats[beats < kept * HOURS * 3600])
    assert ("can be trusted in only" in refusal(heart, HOURS * 3600)) is refused


def test_time_without_trusted_beats_has_no_probability(beats):
    gap = (beats > 7200) & (beats < 9000)
    found = estimate_wake(heart_of(beats[~gap]), HOURS * 3600)
    inside = found.probability[7500 // EPOCH_S : 8700 // EPOCH_S]
    assert np.isnan(inside).all()
    assert not np.isnan(found.probability[: 6600 // EPOCH_S]).any()
    assert found.trusted[8000 // EPOCH_S] == 0


def test_a_recording_that_goes_on_after_the_last_beat_is_not_known_there(beats):
    found = estimate_wake(heart_of(beats), HOURS * 3600 + 3600)
    assert np.isnan(found.probability[-100:]).all()


def test_an_irregular_rhythm_is_refused(beats):
    rng = np.random.default_rng(5)
    n = int(HOURS * 3600 / 0.8)
    # atrial fibrillation: intervals without memory, coefficient of variation about 0.2 (common practice, no source)
    fibrillating = np.cumsum(np.clip(rng.normal(0.8, 0.16, n), 0.35, 1.9))
    assert irregular_share(heart_of(fibrillating)) > 0.9
    assert "irregular" in reason(fibrillating)
    assert irregular_share(heart_of(beats)) < 0.05


def test_every_second_beat_early_is_refused():
    n = int(HOURS * 3600 / 1.6)
    bigeminy = np.cumsum(np.tile([0.6, 1.0], n))
    assert reason(bigeminy, hours=float(bigeminy[-1] / 3600))


def test_a_pacemaker_is_refused(beats):
    rng = np.random.default_rng(6)
    paced = np.cumsum(np.full(int(HOURS * 3600), 1.0) + rng.normal(0, 0.002, int(HOURS * 3600)))
    assert paced_share(heart_of(paced)) > 0.95
    assert "pacemaker" in reason(paced)
    assert paced_share(heart_of(beats)) < 0.3


def test_a_pacemaker_that_beats_for_most_of_the_night_is_refused_too(beats):
    own = beats[beats < 0.3 * HOURS * 3600]
    paced = np.arange(own[-1] + 1.0, HOURS * 3600, 1.0)
    assert "pacemaker" in reason(np.concatenate((own, paced)))


def test_another_model_than_the_one_that_was_tried_is_not_used(beats, monkeypatch):
    monkeypatch.setattr(wake_model, "digest", lambda: "0" * 64)
    assert "brings another model" in reason(beats)

    def missing():
        raise FileNotFoundError

    monkeypatch.setattr(wake_model, "digest", missing)
    assert "brings another model" in reason(beats)


def test_no_beats_at_all_are_refused():
    assert "can be trusted in only 0 %" in reason(np.empty(0))
