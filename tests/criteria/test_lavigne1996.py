"""Lavigne GJ, Rompré PH, Montplaisir JY. Sleep bruxism: validity of clinical research diagnostic
criteria in a controlled polysomnographic study. J Dent Res 1996;75(1):546-552.
doi:10.1177/00220345960750010601

Read, in the abstract: the cut-offs (more than 4 episodes/h; more than 6 bursts an episode and/or 25
bursts/h) and the group means. From memory, as the paper could not be read: the burst rule itself,
that is 20 % of maximal voluntary clenching, 0.25-2.0 s phasic, longer tonic, three phasic bursts an
episode, 3 s between episodes. What the rule file decides on its own is marked "our choice" in it.
"""

import numpy as np
import pytest

from sleepbrux.core.spans import Grid
from sleepbrux.criteria import load_criterion
from sleepbrux.scoring.episodes import group_episodes
from sleepbrux.scoring.sides import combine_sides

from .tables import FRAME, burst_table, in_words, lasting, night_of, scored, steady, tone, train

pytestmark = pytest.mark.shows("lavigne1996")

RULES = load_criterion("lavigne1996")
PHASIC_EPISODE = [("phasic", 3)]


# Amplitude: 20 % of maximal voluntary clenching


def test_activity_must_exceed_20_pct_mvc():
    stretches = [(20.0, 21.0, 39.9), (40.0, 41.0, 40.0), (60.0, 61.0, 40.1)]
    assert steady(RULES, stretches, mvc_uv=200.0) == [(60.0, 61.0)]


@pytest.mark.parametrize(("pct", "found"), [(19.0, []), (21.0, PHASIC_EPISODE)])
def test_a_recorded_tone_at_21_pct_mvc_is_scored_and_one_at_19_is_not(pct, found):
    stretches = [(a, b, 2 * pct) for a, b in train([1.0] * 3, 1.0, at_s=40.0)]
    assert in_words(night_of(RULES, stretches, mvc_uv=200.0, carrier=tone)) == found


@pytest.mark.parametrize(("pct", "found"), [(10.0, []), (40.0, PHASIC_EPISODE)])
def test_recorded_emg_at_twice_the_level_is_scored_and_at_half_of_it_is_not(pct, found):
    stretches = [(a, b, 2 * pct) for a, b in train([1.0] * 3, 1.0, at_s=40.0)]
    assert in_words(night_of(RULES, stretches, mvc_uv=200.0)) == found


# Duration: 0.25-2.0 s phasic, more than 2.0 s tonic


def test_a_burst_of_exactly_0_25_s_is_phasic_and_one_frame_less_is_too_short():
    assert scored(RULES, [lasting(0.25)]).kinds == ["phasic"]
    assert scored(RULES, [lasting(0.24)]).kinds == ["short"]


def test_a_burst_of_exactly_2_0_s_is_phasic_and_one_frame_longer_is_tonic():
    assert scored(RULES, [lasting(2.0)]).kinds == ["phasic"]
    assert scored(RULES, [lasting(2.01)]).kinds == ["tonic"]


def test_a_dip_of_0_10_s_is_closed_and_one_of_0_11_s_splits_the_burst():
    near = [(20.0, 21.0, 80.0), (21.1, 22.0, 80.0)]
    far = [(20.0, 21.0, 80.0), (21.11, 22.0, 80.0)]
    assert steady(RULES, near) == [(20.0, 22.0)]
    assert steady(RULES, far) == [(20.0, 21.0), (21.11, 22.0)]


# Phasic, tonic and mixed episodes


def test_three_phasic_bursts_make_a_phasic_episode():
    assert scored(RULES, train([0.5] * 3, 1.0)).found == [("phasic", 3)]


def test_two_phasic_bursts_alone_are_isolated():
    result = scored(RULES, train([0.5] * 2, 1.0))
    assert result.kinds == ["phasic", "phasic"]
    assert result.found == []
    assert result.episodes.of_burst.tolist() == [-1, -1]


def test_a_burst_too_short_does_not_make_two_phasic_bursts_three():
    assert scored(RULES, train([0.5, 0.24, 0.5], 1.0)).found == []


def test_one_tonic_burst_alone_makes_a_tonic_episode():
    assert scored(RULES, [lasting(2.01)]).found == [("tonic", 1)]


def test_one_tonic_and_one_phasic_burst_make_a_mixed_episode():
    assert scored(RULES, train([0.5, 3.0], 1.0)).found == [("mixed", 2)]
    assert scored(RULES, train([3.0, 0.5], 1.0)).found == [("mixed", 2)]


def test_two_tonic_bursts_within_the_pause_are_one_tonic_episode():
    assert scored(RULES, train([3.0, 4.0], 1.0)).found == [("tonic", 2)]


# A pause of 3 s starts a new episode


def test_bursts_2_99_s_apart_are_one_episode_and_3_00_s_apart_are_two():
    assert scored(RULES, train([2.5, 2.5], 2.99)).found == [("tonic", 2)]
    assert scored(RULES, train([2.5, 2.5], 3.0)).found == [("tonic", 1), ("tonic", 1)]


def test_three_phasic_bursts_3_00_s_apart_are_three_isolated_ones():
    assert scored(RULES, train([0.5] * 3, 2.99)).found == [("phasic", 3)]
    assert scored(RULES, train([0.5] * 3, 3.0)).found == []


def test_the_pause_runs_from_offset_to_onset_however_long_the_burst():
    assert scored(RULES, train([10.0, 0.5], 2.5)).found == [("mixed", 2)]


def test_activity_too_short_to_be_a_burst_does_not_carry_an_episode_on():
    with_twitch = [(10.0, 13.0), (14.5, 14.6), (16.0, 19.0)]
    assert scored(RULES, with_twitch).found == [("tonic", 1), ("tonic", 1)]


def test_an_episode_lasts_from_the_first_onset_to_the_last_offset():
    episodes = scored(RULES, train([0.5, 1.0, 0.5], 1.5, at_s=20.0)).episodes
    assert (episodes.starts.tolist(), episodes.stops.tolist()) == ([2000], [2500])


# Jaw closers, in the plural: any scored side


def test_bursts_of_one_side_or_of_both_count_once():
    left = train([0.5] * 3, 1.0)
    assert scored(RULES, left, []).found == [("phasic", 3)]
    assert scored(RULES, [], left).found == [("phasic", 3)]
    assert scored(RULES, left, left).found == [("phasic", 3)]


def test_bursts_that_overlap_across_sides_are_one_of_their_joint_length():
    result = scored(RULES, [(10.0, 11.5)], [(11.0, 12.5)])
    assert (result.kinds, result.found) == (["tonic"], [("tonic", 1)])


# End to end


def test_a_recorded_night_holds_one_episode_of_each_kind():
    strong = 120.0
    stretches = [
        *((a, b, strong) for a, b in train([0.8] * 4, 1.0, at_s=20.0)),
        *((a, b, strong) for a, b in train([4.0], 1.0, at_s=50.0)),
        *((a, b, strong) for a, b in train([0.8, 4.0], 1.0, at_s=80.0)),
        *((a, b, strong) for a, b in train([0.8], 1.0, at_s=110.0)),
    ]
    night = night_of(RULES, stretches)
    assert in_words(night) == [("phasic", 4), ("tonic", 1), ("mixed", 2)]
    assert night.measures["isolated_bursts_per_hour"].value == pytest.approx(
        1 / night.measures["valid_hours"].value
    )


def test_rates_divide_by_the_hours_that_could_be_scored():
    stretches = [(a, b, 120.0) for a, b in train([4.0], 1.0, at_s=50.0)]
    measures = night_of(RULES, stretches).measures
    # 120 s less the quarter of a second in which the filter settles
    assert measures["valid_hours"].value == pytest.approx(119.75 / 3600)
    assert measures["episodes_per_hour"].value == pytest.approx(3600 / 119.75)


def test_an_episode_is_as_strong_as_its_bursts_weighted_by_their_length():
    grid = Grid(FRAME, 4000)
    table = burst_table([(1000, 1300), (1400, 1500)], grid, RULES, level_uv=[40.0, 80.0])
    merged = combine_sides([table], RULES, [200.0])
    found = group_episodes(merged, RULES.episode, types=True, clipped=grid.none())
    np.testing.assert_allclose(found.peak_pct_mvc, [40.0])
    np.testing.assert_allclose(found.mean_pct_mvc, [(3 * 20.0 + 1 * 40.0) / 4])


# Cut-offs, as read


def test_the_cut_offs_read_in_the_paper_are_printed_with_what_they_were_made_for():
    assert [(c.measure, c.comparison, c.value) for c in RULES.cut_offs] == [
        ("episodes_per_hour", ">", 4.0),
        ("bursts_per_episode", ">", 6.0),
        ("bursts_per_hour", ">", 25.0),
    ]
    assert all("polysomnography" in c.made_for and c.status == "read" for c in RULES.cut_offs)


def test_what_could_not_be_read_says_so():
    for key in (
        "threshold.level_pct_mvc",
        "burst.minimum_s",
        "burst.phasic_maximum_s",
        "episode.gap_s",
        "episode.minimum_phasic_bursts",
    ):
        assert RULES.sources[key].status == "from memory", key
