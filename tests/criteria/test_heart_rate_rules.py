"""Criteria that ask for the heart rate: complete as data, and not computed without one.

Castroflorio et al., IEEE J Biomed Health Inform 2013;17:994-1001 (threshold and heart-rate rule read in
the abstract). Ikeda et al., J Orofac Pain 1996;10:270-282 (threshold read, duration and heart rate from
memory).
"""

import pytest

from sleepbrux import calibration
from sleepbrux.criteria import load_criterion
from sleepbrux.errors import CriterionError, UsageError
from sleepbrux.night import score_night
from tests.nights import LABELS, recording_of, rhythm


def test_castroflorio_asks_for_a_rise_of_more_than_25_per_cent_within_1_s():
    rule = load_criterion("castroflorio2013_emg_hr")
    assert rule.threshold.level_pct_mvc == 10
    heart = rule.heart_rate
    assert (heart.rise_pct, heart.comparison, heart.within_s) == (25, ">", 1)
    assert rule.sources["heart_rate.rise_pct"].status == "read"


def test_ikeda_asks_for_3_s_and_5_per_cent_and_says_that_both_are_recalled():
    rule = load_criterion("ikeda1996")
    assert (rule.threshold.level_pct_mvc, rule.burst.minimum_s) == (10, 3)
    assert rule.heart_rate.rise_pct == 5
    assert rule.sources["burst.minimum_s"].status == "from memory"
    assert rule.sources["heart_rate.rise_pct"].status == "from memory"


@pytest.mark.parametrize("name", ["castroflorio2013_emg_hr", "ikeda1996"])
def test_they_are_not_computed_as_if_the_heart_rate_did_not_matter(name):
    recording = recording_of([rhythm(20, 4)], seconds=60)
    with pytest.raises(UsageError, match="needs the heart rate"):
        score_night(recording, calibration.given(LABELS[:1], 200.0), name)


def test_the_settings_are_changed_like_any_other():
    rule = load_criterion("castroflorio2013_emg_hr").derive({"heart_rate.rise_pct": 20.0})
    assert rule.heart_rate.rise_pct == 20
    with pytest.raises(CriterionError, match="has no section heart_rate"):
        load_criterion("lavigne1996").derive({"heart_rate.rise_pct": 20.0})
