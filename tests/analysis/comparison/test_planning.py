"""Planning: chances of telling, variation, schedules."""

import tomllib
from collections import Counter
from datetime import date, timedelta

import msgspec
import numpy as np
import pytest
from scipy import stats

from sleepbrux.analysis.comparison import CountedNight, compare_nights
from sleepbrux.analysis.planning import (
    Planned,
    Variation,
    extra_cv_pct,
    own_variation,
    plan_nights,
    schedule,
    schedule_csv,
    schedule_toml,
)
from sleepbrux.analysis.planning.design import ORDERS, layouts
from sleepbrux.analysis.planning.nights import rates_alike, simulate_nights
from sleepbrux.analysis.planning.simulation import Truth, power_at, told
from sleepbrux.core.errors import UsageError
from sleepbrux.study.file import Study
from tests.cli.conftest import called

OWN = Variation(35.0, "test")


def study_of(y, layout):
    """Counts in a layout as nights of `compare_nights`; the first one stands in for the one set apart."""
    nights = [CountedNight("first", "none", 30, 7.0, block=-1)]
    for k, (events, worn) in enumerate(zip(y, layout.is_with, strict=True)):
        block = None if layout.blocks is None else int(layout.blocks[k])
        nights.append(CountedNight(f"n{k}", "splint" if worn else "none", events, 7.0, block=block))
    return nights


@pytest.mark.parametrize("design", ["randomised nights", "randomised blocks", "A-B", "A-B-A"])
@pytest.mark.parametrize("ratio", [0.5, 1.8])
def test_what_planning_tells_is_what_compare_nights_tells(design, ratio):
    rng = np.random.default_rng(4)
    for layout in layouts(Planned(design), 6):
        y = simulate_nights(rng, 40, len(layout.is_with), 30, 35)
        y[:, layout.is_with] = simulate_nights(rng, 40, int(layout.is_with.sum()), 30 * ratio, 35)
        found = [
            compare_nights(study_of(row, layout), order=ORDERS[design], rearranged=False).contrasts[0].verdict
            == ("lower" if ratio < 1 else "higher")
            for row in y
        ]
        ours = told(y, layout, Planned(design), ratio=ratio)
        # planning tries fewer arrangements, so a p near the bound may fall on its other side
        assert np.sum(ours != np.array(found)) <= 1


def test_the_first_night_is_recorded_and_not_compared():
    for design in ("randomised nights", "randomised blocks", "A-B", "A-B-A"):
        for layout in layouts(Planned(design), 6):
            assert len(layout.is_with) == 11
        (whole,) = layouts(Planned(design, first_apart=False), 6)
        assert (whole.is_with.sum(), (~whole.is_with).sum()) == (6, 6)
    assert sum(x.weight for x in layouts(Planned("randomised blocks", 2), 6)) == pytest.approx(1)


def test_four_nights_each_of_which_the_first_is_set_apart_cannot_tell_and_are_not_planned():
    # 105 events a night that hardly vary: a fall by half would be told from 4 compared nights
    found = plan_nights(105, Variation(10.0, "test"), 0.5, Planned(runs=300))
    assert found.points[0].nights == 4
    assert found.points[0].power == 0
    assert found.needed == 5


@pytest.mark.parametrize(
    ("cv", "events", "n", "design", "alike"),
    [
        (0.25, 28, 7, "randomised nights", 0.0),
        (0.5, 28, 10, "randomised nights", 0.0),
        (0.35, 28, 8, "randomised blocks", 0.0),
        (0.35, 28, 8, "A-B-A", 0.0),
        (0.35, 28, 10, "A-B-A", 0.3),
        (0.35, 28, 14, "A-B", 0.5),
    ],
)
def test_the_power_is_that_of_an_independent_simulation_through_compare_nights(cv, events, n, design, alike):
    """Labels drawn as the schedule draws them, the first night set apart by `compare_nights` itself."""
    rng = np.random.default_rng(12)
    found, runs = 0, 300
    for k in range(runs):
        if design == "A-B":
            order, worn = "planned phases", [(i, None) for i in ["none"] * n + ["splint"] * n]
        else:
            laid = schedule(design, ["none", "splint"], n, date(2026, 1, 1), seed=k)
            order, worn = laid.order, [(x.condition, x.block) for x in laid.nights]
        z = [rng.normal()]
        while len(z) < 2 * n:
            z.append(alike * z[-1] + np.sqrt(1 - alike**2) * rng.normal())
        log = np.log1p(cv**2)
        rates = (
            stats.gamma(cv**-2, scale=cv**2).ppf(stats.norm.cdf(z))
            if k % 2
            else np.exp(np.sqrt(log) * np.array(z) - log / 2)
        )
        nights = [
            CountedNight(
                f"n{i}",
                condition,
                float(rng.poisson(events * r * (0.5 if condition == "splint" else 1))),
                7.0,
                date(2026, 1, 1) + timedelta(days=i),
                block,
            )
            for i, ((condition, block), r) in enumerate(zip(worn, rates, strict=True))
        ]
        (contrast,) = compare_nights(nights, order=order, rearranged=False).contrasts
        found += contrast.verdict == "lower"
    planned = Planned(design, correlation=alike)
    ours = power_at(n, Truth(events, 100 * cv, 0.5), planned)
    error = np.sqrt(ours * (1 - ours) * (1 / runs + 1 / planned.runs))  # both are simulated
    assert abs(found / runs - ours) <= 0.02 + 2 * error


@pytest.mark.parametrize(("cv", "events", "n"), [(0.2, 14, 6), (0.35, 35, 7), (0.5, 35, 9)])
def test_the_power_is_that_of_nights_from_another_generator(cv, events, n):
    # inverse-Gaussian rates, which the planning does not draw from
    rng = np.random.default_rng(11)
    runs = 4000
    planned = Planned(first_apart=False)
    (layout,) = layouts(planned, n)
    means = np.where(layout.is_with, events / 2, events)
    y = rng.poisson(means * rng.wald(1.0, 1 / cv**2, (runs, 2 * n))).astype(float)
    theirs = told(y, layout, planned, ratio=0.5).mean()
    ours = power_at(n, Truth(events, 100 * cv, 0.5), planned)
    assert ours == pytest.approx(theirs, abs=0.03)


def test_blocks_that_cannot_reach_the_bound_are_told_at_planning():
    laid = schedule("randomised blocks", ["a", "b"], 5, date(2026, 1, 1), seed=1)
    assert laid.least_p == pytest.approx(1 / 16)
    assert "cannot come below 0.062" in laid.warning
    found = plan_nights(35, OWN, 0.5, Planned("randomised blocks", runs=300))
    assert all(p.power == 0 for p in found.points if p.least_p > 0.05)
    assert schedule("randomised blocks", ["a", "b"], 7, date(2026, 1, 1), seed=1).warning == ""
    assert schedule("A-B-A", ["a", "b"], 5, date(2026, 1, 1), seed=1).least_p is None


def test_looks_need_fewer_nights_on_average_and_are_refused_in_phases():
    found = plan_nights(28, Variation(35, "test"), 0.5, Planned(looks=(6, 8, 10, 12), runs=800))
    assert found.points[0].nights == 6
    assert [p.power for p in found.points] == sorted(p.power for p in found.points)
    assert found.expected < 10
    with pytest.raises(UsageError, match="order is drawn"):
        plan_nights(28, OWN, 0.5, Planned("A-B-A", looks=(6, 8)))


def test_a_variation_from_few_nights_gives_a_range_of_nights():
    few = Variation(35.0, "test", 22.0, 55.0)
    found = plan_nights(28, few, 0.5, Planned(runs=600))
    assert found.needed_low < found.needed < found.needed_high
    assert f"({found.needed_low} to {found.needed_high}" in found.needed_text
    assert "uncertain" not in plan_nights(28, OWN, 0.5, Planned(runs=300)).needed_text


def test_the_range_of_a_persons_own_variation_holds_the_truth_in_80_percent():
    held = 0
    for seed in range(300):
        y = simulate_nights(np.random.default_rng(seed), 2, 8, 28, 40)
        nights = [
            CountedNight(f"{k}", c, e, 7.0) for c, row in zip("ab", y, strict=True) for k, e in enumerate(row)
        ]
        found = own_variation(nights)
        assert found.low_pct <= found.cv_pct <= found.high_pct
        held += found.low_pct <= 40 <= found.high_pct
    assert 0.7 <= held / 300 <= 0.9


def test_more_nights_and_larger_changes_are_told_more_often():
    half = plan_nights(35, OWN, 0.5, Planned(runs=800))
    quarter = plan_nights(35, OWN, 0.75, Planned(runs=800))
    assert half.needed < quarter.needed
    assert [p.nights for p in half.points] == sorted(p.nights for p in half.points)
    assert plan_nights(35, OWN, 0.5, Planned(runs=800, contrasts=2)).needed > half.needed
    assert plan_nights(35, OWN, 0.5, Planned(runs=800)) == half


def test_the_published_spreads_need_more_nights_the_larger_they_are():
    # Lavigne 2001 25.3 % (episodes), 30.4 % (bursts), Miettinen 2018 50.7 %, at 35 events a night
    needed = [
        plan_nights(35, Variation(extra_cv_pct(cv, 35), ""), 0.5, Planned(runs=1000)).needed
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
            CountedNight(f"{k}", c, e, 7.0) for c, row in zip("ab", y, strict=True) for k, e in enumerate(row)
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


def test_looks_set_beforehand_go_into_the_study_file(tmp_path):
    done = called(
        "plan",
        "--rate",
        4,
        "--cv-pct",
        35,
        "--ratio",
        0.5,
        "--looks",
        "6,9",
        "--schedule",
        "randomised blocks",
        "--start",
        "2026-03-02",
        "--out",
        tmp_path,
    )
    assert done.code == 0, done.err
    assert "with these looks" in done.out
    text = (tmp_path / "schedule.toml").read_text("utf-8")
    study = msgspec.convert(tomllib.loads(f'pseudonym = "P"\n{text}'), Study)
    assert study.looks == (6, 9)
    assert len(study.night) == 18
    wrong = called("plan", "--rate", 4, "--cv-pct", 35, "--looks", "9,6", "--out", tmp_path)
    assert wrong.code == 2
    assert "rising numbers" in wrong.err


def test_every_order_of_a_block_is_drawn():
    laid = [schedule("randomised blocks", ["a", "b"], 4, date(2026, 1, 1), seed=k) for k in range(200)]
    drawn = {tuple(n.condition for n in one.nights) for one in laid}
    assert len(drawn) == 16


def test_impossible_schedules_are_refused():
    with pytest.raises(UsageError, match="two conditions"):
        schedule("A-B-A", ["a", "b", "c"], 5, date(2026, 1, 1), seed=1)
    with pytest.raises(UsageError, match="too few"):
        schedule("randomised nights", ["a", "b"], 3, date(2026, 1, 1), seed=1)
    with pytest.raises(UsageError, match="two or more different"):
        schedule("randomised nights", ["a", "a"], 5, date(2026, 1, 1), seed=1)


@pytest.mark.parametrize("design", ["A-B", "A-B-A"])
def test_phases_are_planned_with_neighbours_that_are_alike(design):
    truth = Truth(28, 35, 0.5)
    alike, alone = (power_at(12, truth, Planned(design, correlation=r)) for r in (0.3, 0.0))
    assert alike < alone - 0.03
    assert power_at(12, truth, Planned(design)) == alike
    plan = plan_nights(28, OWN, 0.5, Planned(design, runs=300))
    assert plan.correlation == 0.3
    assert plan_nights(28, OWN, 0.5, Planned(runs=300)).correlation == 0


@pytest.mark.parametrize("cv_pct", [20, 60])
def test_simulated_neighbours_are_as_alike_and_vary_as_much_as_asked_for(cv_pct):
    rates = rates_alike(np.random.default_rng(3), (20_000, 12), cv_pct, 0.5)
    assert rates.mean() == pytest.approx(1, abs=0.01)
    assert 100 * rates.std() == pytest.approx(cv_pct, rel=0.03)
    for part in (rates[:10_000], rates[10_000:]):
        logs = np.log(part)
        assert np.corrcoef(logs[:, :-1].ravel(), logs[:, 1:].ravel())[0, 1] == pytest.approx(0.5, abs=0.03)


def test_a_study_none_of_whose_nights_can_be_compared_has_a_design_to_plan_in():
    from types import SimpleNamespace

    from sleepbrux.analysis.planning.plan import design_of

    assert design_of(SimpleNamespace(order="as it came", nights=())) == "A-B"
