"""American Academy of Sleep Medicine. Manual for the Scoring of Sleep and Associated Events, bruxism:
Iber C et al., first edition 2007; Berry RB et al., version 2.

From memory throughout, as the manual could not be read: elevations of chin EMG at least twice the
background; brief ones of 0.25-2 s, at least three in a regular sequence; sustained ones of more than
2 s; at least 3 s of stable background before a new episode. The manual has no mixed class, no
clench, no window for the background and no limits for "regular": those are choices of the rule file.
"""

import math

import numpy as np
import pytest

from sleepbrux.criteria import DEFAULT_WITHOUT_MVC_ID, load_criterion

from .tables import MASSETERS, in_words, lasting, night_of, scored, steady, tone, train

pytestmark = pytest.mark.shows("aasm")

RULES = load_criterion("aasm")


# Elevations at least twice the amplitude of background EMG


def test_exactly_twice_the_background_is_enough():
    stretches = [(20.0, 21.0, 9.9), (60.0, 61.0, 10.0), (90.0, 91.0, 10.1)]
    found = steady(RULES, stretches, rest_uv=5.0, mvc_uv=None)
    assert found == [(60.0, 61.0), (90.0, 91.0)]


@pytest.mark.parametrize(("times", "found"), [(1.8, []), (2.2, [("phasic", 3)])])
def test_a_recorded_tone_at_2_2_times_the_background_is_scored_and_at_1_8_is_not(times, found):
    stretches = [(0.0, 120.0, 5.0)]
    stretches += [(a, b, times * 5.0) for a, b in train([1.0] * 3, 1.0, at_s=60.0)]
    night = night_of(RULES, stretches, mvc_uv=None, carrier=tone)
    assert in_words(night) == found


@pytest.mark.parametrize(("times", "found"), [(1.2, []), (5.0, [("phasic", 3)])])
def test_recorded_emg_far_above_twice_the_background_is_scored(times, found):
    stretches = [(a, b, times * 5.0) for a, b in train([1.0] * 3, 1.0, at_s=60.0)]
    assert in_words(night_of(RULES, stretches, rest_uv=5.0, mvc_uv=None)) == found


def test_the_background_is_that_of_the_time_around_not_of_the_night():
    # the electrode's level doubles over the night: 20 µV is twice the background only in the first half
    loud = [(600.0, 1200.0, 10.0)]
    stretches = [*loud, (300.0, 301.0, 14.0), (900.0, 901.0, 14.0)]
    found = steady(RULES, stretches, rest_uv=5.0, seconds=1200.0, mvc_uv=None)
    assert found == [(300.0, 301.0)]


def test_much_activity_does_not_raise_the_background():
    # two fifths of the time is activity, and the last burst is only 2.4 times the background
    stretches = [(10.0 + 5 * k, 12.0 + 5 * k, 100.0) for k in range(15)] + [(100.0, 101.0, 12.0)]
    found = steady(RULES, stretches, rest_uv=5.0, mvc_uv=None)
    assert (100.0, 101.0) in found
    assert len(found) == len(stretches)


def test_activity_for_three_fifths_of_the_time_does_not_raise_the_background():
    # 60 s of activity every 100 s: the median of all time lies in the activity
    tonic = [(30.0 + 100 * k, 90.0 + 100 * k, 12.0) for k in range(6)]
    brief = [(a, b, 11.0) for k in range(5) for a, b in train([1.0] * 3, 1.0, at_s=105.0 + 100 * k)]
    found = steady(RULES, sorted([*tonic, *brief]), rest_uv=5.0, seconds=660.0, mvc_uv=None)
    assert found == sorted((a, b) for a, b, _ in [*tonic, *brief])


@pytest.mark.parametrize("name", ["aasm", "maeda2019_2xbaseline"])
def test_nor_does_it_in_recorded_emg(name):
    rules = load_criterion(name)
    tonic = [(30.0 + 100 * k, 90.0 + 100 * k, 20.0) for k in range(12)]
    brief = [(a, b, 16.0) for k in range(12) for a, b in train([1.0] * 4, 1.0, at_s=5.0 + 100 * k)]
    whole = night_of(rules, sorted([*tonic, *brief]), rest_uv=4.0, seconds=1230.0, mvc_uv=None)
    alone = night_of(rules, brief, rest_uv=4.0, seconds=1230.0, mvc_uv=None)
    assert in_words(alone) == [("phasic", 4)] * 12
    assert sorted(in_words(whole)) == [("phasic", 4)] * 12 + [("tonic", 1)] * 12
    assert whole.background_uv[MASSETERS[0]] == pytest.approx(alone.background_uv[MASSETERS[0]], rel=0.03)


def test_a_level_that_rises_and_stays_is_the_new_rest_from_there_on():
    # rest trebles at 600 s; nothing of it is activity from half a minute after the step on
    found = steady(RULES, [(600.0, 1500.0, 15.0)], rest_uv=5.0, seconds=1500.0, mvc_uv=None)
    assert all(stop <= 630.0 for _, stop in found)


def test_the_second_pass_takes_the_median_of_what_the_first_one_left():
    # the quiet level, 5 µV, is that of the lower fifth; the median of what is no activity is 7 µV
    stretches = [(20.0, 90.0, 7.0), (100.0, 101.0, 12.0)]
    two = steady(RULES, stretches, rest_uv=5.0, mvc_uv=None)
    once = RULES.derive({"background.passes": 1})
    assert steady(once, stretches, rest_uv=5.0, mvc_uv=None) == [(100.0, 101.0)]
    assert two == []


def test_no_reference_clench_is_needed_and_none_is_invented():
    stretches = [(a, b, 50.0) for a, b in train([1.0] * 3, 1.0, at_s=60.0)]
    night = night_of(RULES, stretches, mvc_uv=None)
    assert in_words(night) == [("phasic", 3)]
    assert np.isnan(night.episodes.peak_pct_mvc).all()
    peak = night.measures["median_burst_peak_pct_mvc"]
    assert (peak.value, peak.reason) == (None, "no reference clench")
    assert not math.isnan(night.measures["median_burst_peak_uv"].value)
    assert RULES.id == DEFAULT_WITHOUT_MVC_ID


# Brief (0.25-2 s) and sustained (more than 2 s)


@pytest.mark.parametrize(
    ("duration_s", "kind"), [(0.24, "short"), (0.25, "phasic"), (2.0, "phasic"), (2.01, "tonic")]
)
def test_brief_is_0_25_to_2_s_and_sustained_is_more_than_2_s(duration_s, kind):
    assert scored(RULES, [lasting(duration_s)]).kinds == [kind]


def test_a_sustained_elevation_alone_is_an_episode():
    assert scored(RULES, [lasting(2.01)]).found == [("tonic", 1)]


# At least three brief elevations, in a regular sequence


def test_three_brief_elevations_are_an_episode_and_two_are_not():
    assert scored(RULES, train([0.5] * 3, 1.0)).found == [("phasic", 3)]
    assert scored(RULES, train([0.5] * 2, 1.0)).found == []


def test_whatever_the_pause_leaves_together_is_a_regular_sequence():
    # the longest brief elevations with the longest pause that ends no episode
    assert scored(RULES, train([2.0] * 3, 2.99)).found == [("phasic", 3)]
    assert scored(RULES, train([0.25] * 3, 2.99)).found == [("phasic", 3)]


def test_onsets_5_00_s_apart_are_a_regular_sequence_and_5_01_s_apart_are_not():
    # only twitches carry an episode over such a distance
    def with_twitches(step_s):
        onsets = [10.0 + k * step_s for k in range(3)]
        twitches = [round(a + 2.4, 2) for a in onsets[:-1]]
        return sorted(
            [(round(a, 2), round(a + 0.5, 2)) for a in onsets] + [(a, round(a + 0.1, 2)) for a in twitches]
        )

    assert scored(RULES, with_twitches(5.0)).found == [("phasic", 3)]
    assert scored(RULES, with_twitches(5.01)).found == []


def test_the_lower_limit_of_a_regular_sequence_is_within_it_too():
    # the lower limit of the rule file lies below the shortest burst with the shortest pause
    strict = RULES.derive({"episode.regular_minimum_s": 1.5})
    assert scored(strict, train([0.5] * 3, 1.0)).found == [("phasic", 3)]
    assert scored(strict, train([0.5] * 3, 0.99)).found == []


def test_three_elevations_must_follow_each_other_regularly_not_just_any_three_of_them():
    # onsets 1, 5.2 and 1 s apart, a twitch in the long pause: no three in a row are regular
    split = [(10.0, 10.5), (11.0, 11.5), (14.0, 14.1), (16.2, 16.7), (17.2, 17.7)]
    assert scored(RULES, split).found == []
    # one more beside the last two makes three in a row, and the episode keeps all five
    assert scored(RULES, [*split, (18.2, 18.7)]).found == [("phasic", 5)]


# The manual has no mixed class


def test_brief_and_sustained_elevations_together_are_tonic_with_a_flag():
    result = scored(RULES, train([3.0, 0.5, 0.5, 0.5], 1.0))
    assert result.found == [("tonic", 4)]
    assert result.episodes.flags == (("phasic-bursts",),)


def test_a_sustained_elevation_alone_has_no_flag():
    assert scored(RULES, [lasting(3.0)]).episodes.flags == ((),)


# At least 3 s of stable background before a new episode


def test_bursts_2_99_s_apart_are_one_episode_and_3_00_s_apart_are_two():
    assert scored(RULES, train([2.5, 2.5], 2.99)).found == [("tonic", 2)]
    assert scored(RULES, train([2.5, 2.5], 3.0)).found == [("tonic", 1), ("tonic", 1)]


def test_a_twitch_in_the_pause_is_not_stable_background():
    with_twitch = [(10.0, 13.0), (14.5, 14.6), (17.0, 20.0)]
    assert scored(RULES, with_twitch).found == [("tonic", 2)]
    without = [(10.0, 13.0), (17.0, 20.0)]
    assert scored(RULES, without).found == [("tonic", 1), ("tonic", 1)]


def test_the_twitch_is_not_counted_in_the_episode_that_it_carries_on():
    result = scored(RULES, [(10.0, 13.0), (14.5, 14.6), (17.0, 20.0)])
    assert result.kinds == ["tonic", "short", "tonic"]
    assert result.episodes.of_burst.tolist() == [0, -1, 0]


def test_a_twitch_on_the_other_side_is_not_stable_background_either():
    result = scored(RULES, [(10.0, 13.0), (17.0, 20.0)], [(14.5, 14.6)])
    assert result.found == [("tonic", 2)]


def test_a_twitch_that_outlasts_a_burst_of_the_other_side_delays_stable_background():
    # the right side is active until 13.10 s, 2.95 s before the next onset
    result = scored(RULES, [(10.0, 13.0), (16.05, 19.0)], [(12.9, 13.1)])
    assert result.found == [("tonic", 2)]


# What is not the manual's


def test_nothing_claims_to_have_been_read():
    assert {note.status for note in RULES.sources.values()} == {"from memory", "our choice"}
    assert RULES.cut_offs == ()
