"""Planning: chances of telling, variation, schedules."""

import tomllib
from collections import Counter
from datetime import date

import msgspec
import numpy as np
import pytest

from sleepbrux.compare import CountedNight, compare_nights
from sleepbrux.errors import UsageError
from sleepbrux.planning import (
    Variation,
    chance,
    extra_cv_pct,
    own_variation,
    plan_nights,
    schedule,
    schedule_csv,
    schedule_toml,
    simulate_nights,
)
from sleepbrux.study import Study

OWN = Variation(35.0, "test")


@pytest.mark.parametrize("ratio", [0.5, 1.8])
def test_the_chance_is_that_of_compare_nights_itself(ratio):
    rng = np.random.default_rng(4)
    with_ = simulate_nights(rng, 150, 6, 30 * ratio, 35)
    without = simulate_nights(rng, 150, 6, 30, 35)
    found = 0
    for a, b in zip(with_, without, strict=True):
        nights = [CountedNight(f"b{k}", "none", e, 7.0) for k, e in enumerate(b)]
        nights += [CountedNight(f"a{k}", "splint", e, 7.0) for k, e in enumerate(a)]
        (contrast,) = compare_nights(nights, keep_first_night=True, rearranged=False).contrasts
        found += contrast.verdict == ("lower" if ratio < 1 else "higher")
    assert chance(with_, without, ratio=ratio) == pytest.approx(found / 150)


@pytest.mark.parametrize(("cv", "events", "n"), [(0.2, 14, 6), (0.35, 35, 7), (0.5, 35, 9)])
def test_the_power_is_that_of_nights_from_another_generator(cv, events, n):
    # inverse-Gaussian rates, which the planning does not draw from
    rng = np.random.default_rng(11)
    runs = 6000
    there, here = (
        rng.poisson(mean * rng.wald(1.0, 1 / cv**2, (runs, n))).astype(float)
        for mean in (events, events / 2)
    )
    ours = [simulate_nights(rng, runs, n, mean, 100 * cv) for mean in (events / 2, events)]
    assert chance(*ours, ratio=0.5) == pytest.approx(chance(here, there, ratio=0.5), abs=0.03)


def test_more_nights_and_larger_changes_are_told_more_often():
    half = plan_nights(35, OWN, 0.5, runs=800)
    quarter = plan_nights(35, OWN, 0.75, runs=800)
    assert half.needed < quarter.needed
    assert [p.nights for p in half.points] == sorted(p.nights for p in half.points)
    assert plan_nights(35, OWN, 0.5, runs=800, contrasts=3).needed > half.needed
    assert plan_nights(35, OWN, 0.5, runs=800) == half


def test_the_published_spreads_need_more_nights_the_larger_they_are():
    # Lavigne 2001 25.3 % (episodes), 30.4 % (bursts), Miettinen 2018 50.7 %, at 35 events a night
    needed = [
        plan_nights(35, Variation(extra_cv_pct(cv, 35), ""), 0.5, runs=1000).needed
        for cv in (25.3, 30.4, 50.7)
    ]
    assert needed == sorted(needed)
    assert needed[0] < 10 < needed[2]


def test_counting_noise_is_taken_out_of_a_published_cv():
    # 2 episodes/h over 7 h: counting alone gives 27 %
    assert 100 / np.sqrt(14) == pytest.approx(26.7, abs=0.05)
    assert extra_cv_pct(25.3, 14) == 0
    assert extra_cv_pct(50.7, 14) == pytest.approx(np.sqrt(50.7**2 - 100**2 / 14), abs=1e-9)


def test_own_variation_finds_what_was_put_in():
    found = []
    for seed in range(60):
        y = simulate_nights(np.random.default_rng(seed), 2, 12, 40, 40)
        nights = [
            CountedNight(f"{k}", c, e, 7.0)
            for c, row in zip("ab", y, strict=True)
            for k, e in enumerate(row)
        ]
        found.append(own_variation(nights).cv_pct ** 2)
    assert np.sqrt(np.mean(found)) == pytest.approx(40, rel=0.1)
    with pytest.raises(UsageError, match="three nights more"):
        own_variation([CountedNight("a", "none", 5, 7.0), CountedNight("b", "none", 6, 7.0)])


def test_nothing_to_tell_is_refused():
    with pytest.raises(UsageError, match="not 1"):
        plan_nights(35, OWN, 1.0)
    with pytest.raises(UsageError, match="more than 0 events"):
        plan_nights(0, OWN, 0.5)


@pytest.mark.parametrize("design", ["A-B-A", "randomised nights", "randomised blocks"])
def test_schedules_are_a_study_file_that_loads(design):
    names = ["none", "splint"] if design == "A-B-A" else ["none", "splint", "=odd"]
    laid = schedule(design, names, 5, date(2026, 3, 2), seed=3)
    assert Counter(n.condition for n in laid.nights) == dict.fromkeys(names, 5)
    assert laid == schedule(design, names, 5, date(2026, 3, 2), seed=3)
    table = tomllib.loads('pseudonym = "P"\n' + schedule_toml(laid))
    study = msgspec.convert(table, Study)
    assert study.order == ("planned phases" if design == "A-B-A" else design)
    assert [n.date for n in study.night] == [n.date for n in laid.nights]
    assert len(schedule_csv(laid).splitlines()) == len(laid.nights) + 1
    if design == "randomised blocks":
        for block in {n.block for n in laid.nights}:
            assert {n.condition for n in laid.nights if n.block == block} == set(names)
    if design == "A-B-A":
        assert [n.condition for n in laid.nights] == ["none"] * 3 + ["splint"] * 5 + ["none"] * 2


def test_every_order_of_a_block_is_drawn():
    laid = [
        schedule("randomised blocks", ["a", "b"], 4, date(2026, 1, 1), seed=k) for k in range(200)
    ]
    drawn = {tuple(n.condition for n in one.nights) for one in laid}
    assert len(drawn) == 16


def test_impossible_schedules_are_refused():
    with pytest.raises(UsageError, match="two conditions"):
        schedule("A-B-A", ["a", "b", "c"], 5, date(2026, 1, 1), seed=1)
    with pytest.raises(UsageError, match="too few"):
        schedule("randomised nights", ["a", "b"], 3, date(2026, 1, 1), seed=1)
    with pytest.raises(UsageError, match="two or more different"):
        schedule("randomised nights", ["a", "a"], 5, date(2026, 1, 1), seed=1)
