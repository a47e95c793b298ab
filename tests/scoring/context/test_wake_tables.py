"""The tables of `awake.md`: made by their commands, and right in what they can be checked for."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest

import sleepbrux
from tests import wake_worth
from tests.wake_bias import WAYS, judge, outside, share
from tests.wake_nights import ASLEEP, EPOCH_S, FADE_S, FS, LEAD_S, RISE, planned, rises

PAGE = (Path(sleepbrux.__file__).parent / "docs" / "awake.md").read_text("utf-8")


def test_the_page_holds_the_table_of_worth_as_it_is_made(capsys):
    assert wake_worth.main() == 0
    assert capsys.readouterr().out in PAGE


@pytest.mark.parametrize("wake", wake_worth.TEST_WAKE)
def test_the_implied_shares_give_the_published_accuracy_and_kappa(wake):
    found = wake_worth.implied(wake)
    called = wake * found.wake_caught + (1 - wake) * found.sleep_lost
    right = wake * found.wake_caught + (1 - wake) * (1 - found.sleep_lost)
    by_chance = wake * called + (1 - wake) * (1 - called)
    assert right == pytest.approx(0.83)
    assert (right - by_chance) / (1 - by_chance) == pytest.approx(0.60)


@pytest.mark.filterwarnings("ignore:The inplace keyword")
def test_the_icc_is_that_of_another_program():
    rng = np.random.default_rng(1)
    one = rng.normal(10, 3, 40)
    other = one + rng.normal(1, 2, 40)
    table = pd.DataFrame(
        {"person": [*range(40)] * 2, "way": ["a"] * 40 + ["b"] * 40, "value": np.concatenate((one, other))}
    )
    found = pingouin.intraclass_corr(table, "person", "way", "value")
    (expected,) = found.loc[found["Type"].isin(["ICC2", "ICC(A,1)"]), "ICC"]
    assert wake_worth.icc(one, other) == pytest.approx(expected, abs=1e-3)


def test_the_rise_is_that_of_the_sources():
    factor = rises(np.array([[100.0, 110.0]]), 300 * FS)
    t = np.arange(len(factor)) / FS
    assert (factor[t <= 100 - LEAD_S] == 1).all()
    assert (factor[(t >= 100) & (t <= 110)] == 1 + RISE).all()
    at = factor[t == 110 + FADE_S]
    assert at == pytest.approx(1 + RISE / np.e)


def test_an_episode_that_raises_the_heart_rate_calls_itself_awake_more_often():
    judged = [judge(planned(seed, hours=6.0, per_hour_asleep=12.0, awake=8.0)) for seed in range(4)]
    without, with_rise = (share(judged, way, ASLEEP, 0.5) for way in WAYS[:2])
    assert with_rise > without + 0.02


def test_the_truth_of_a_planned_night_is_the_stage_at_the_onset():
    night = planned(3, hours=6.0, per_hour_asleep=6.0, awake=10.0)
    at = night.stages[(night.episodes_s[:, 0] // EPOCH_S).astype(int)]
    assert ((at == 0) == (night.place != ASLEEP)).all()
    kept = outside(night)
    for start, stop in night.episodes_s:
        assert not ((kept >= start) & (kept <= stop)).any()


def test_every_row_of_the_page_on_bias_has_its_rate_and_threshold():
    rows = re.findall(
        r"^\| (2|6|12) \| (0\.[357]) \| (asleep|in a wake of 30–60 s|in a longer wake) \|", PAGE, re.MULTILINE
    )
    assert len(set(rows)) == len(rows) == 27
