"""Intervals of a night's rate, and what they are worth."""

from fractions import Fraction

import numpy as np
import pytest
from scipy import special, stats

from sleepbrux.spans import Grid, Spans
from sleepbrux.uncertainty import Blocks, counting_interval, poisson_mean

GRID = Grid(Fraction(1, 100), 7 * 3600 * 100)


@pytest.mark.shows("outside-intervals")
@pytest.mark.parametrize("count", [0, 1, 5, 23, 190])
def test_the_counting_interval_is_garwoods(count):
    found = counting_interval(count, 6.5)
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
    assert (found.low, found.high) == pytest.approx((low / 6.5, high / 6.5))
    assert "independent" in found.meaning


@pytest.mark.parametrize("tail", [0.005, 0.025, 0.5, 0.975, 0.995])
def test_the_mean_of_a_poisson_tail_is_the_quantile_of_a_gamma_law(tail):
    for count in [*range(1, 60), 200, 700, 2000, 3999]:
        expected = special.gammaincinv(count, tail)
        digits = 1e-12 if count < 300 else 1e-10
        assert poisson_mean(count, tail) == pytest.approx(expected, rel=digits)


def clustered(rng, per_hour=5.0, hours=7.0, spread_s=60.0, size=4.0):
    """Onsets in clusters: a Poisson count of clusters, each with a geometric count of events."""
    clusters = rng.uniform(0, hours * 3600, rng.poisson(per_hour * hours / size))
    onsets = [c + rng.exponential(spread_s, rng.geometric(1 / size)) for c in clusters]
    at = np.sort(np.concatenate([*onsets, np.empty(0)]))
    return np.round(at[at < hours * 3600] * 100).astype(np.int64)


def test_the_block_bootstrap_covers_clustered_nights_better_than_counting_does():
    rng = np.random.default_rng(3)
    nights = [clustered(rng) for _ in range(400)]
    truth = np.mean([len(n) for n in nights]) / 7
    valid = GRID.all()
    covered = {"block": 0, "count": 0}
    for onsets in nights:
        block, count = Blocks.of(valid).interval(onsets), counting_interval(len(onsets), 7.0)
        covered["block"] += block.low <= truth <= block.high
        covered["count"] += count.low <= truth <= count.high
    assert covered["count"] / 400 < 0.8  # the reason why it is named as it is
    assert covered["block"] / 400 > 0.85


def test_blocks_count_their_own_valid_time():
    valid = GRID.all() - Spans.of(GRID, [(0, 3 * 360_000)])
    onsets = np.arange(3 * 360_000, GRID.n_slots, 72_000)  # five an hour, evenly
    found = Blocks.of(valid).interval(onsets)
    assert found.low <= 5.0 <= found.high
    assert found.high - found.low < 4


def test_too_little_time_gives_no_interval():
    assert Blocks.of(Spans.of(GRID, [(0, 5 * 60_000)])).interval(np.array([100])) is None


def test_the_interval_is_the_same_every_time():
    onsets = clustered(np.random.default_rng(1))
    assert Blocks.of(GRID.all()).interval(onsets) == Blocks.of(GRID.all()).interval(onsets)
