"""Intervals of a night's rate, and what they are worth."""

from fractions import Fraction

import numpy as np
import pytest
from scipy import special, stats

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.scoring.uncertainty import (
    COVERS_PCT,
    Blocks,
    counting_interval,
    gamma_quantile,
    garwood,
)

GRID = Grid(Fraction(1, 100), 7 * 3600 * 100)


@pytest.mark.shows("outside-intervals")
@pytest.mark.parametrize("count", [0, 1, 5, 23, 190])
def test_the_counting_interval_is_garwoods(count):
    found = counting_interval(count, 6.5)
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
    assert (found.low, found.high) == pytest.approx((low / 6.5, high / 6.5))
    assert found.meaning == "Poisson interval; too narrow because episodes cluster"


@pytest.mark.shows("outside-intervals")
@pytest.mark.parametrize("tail", [0.005, 0.025, 0.5, 0.975, 0.995])
def test_the_quantile_of_a_gamma_law_is_that_of_scipy(tail):
    for shape in [*np.linspace(0.05, 20, 60), 50.5, 200.25, 1000, 3999]:
        expected = special.gammaincinv(shape, tail)
        assert gamma_quantile(shape, tail) == pytest.approx(expected, rel=1e-10)


def clustered(rng, per_hour=5.0, hours=7.0, spread_s=60.0, size=4.0, stages=False):
    """Onsets in clusters: a Poisson count of clusters, each with a geometric count of events.

    With stages, clusters come four times as often in every other stretch of about half an hour.
    """
    length = hours * 3600
    starts = rng.uniform(-600, length, rng.poisson(per_hour * (hours + 1 / 6) / size * 1.6))
    if stages:
        edges = np.cumsum(rng.exponential(1800, 60))
        light = (np.searchsorted(edges, starts) + rng.integers(2)) % 2 == 0
        starts = starts[rng.random(len(starts)) < np.where(light, 1.0, 0.25)]
    else:
        starts = starts[rng.random(len(starts)) < 1 / 1.6]
    onsets = [c + np.r_[0, rng.exponential(spread_s, rng.geometric(1 / size) - 1)] for c in starts]
    at = np.sort(np.concatenate([*onsets, np.empty(0)]))
    return np.round(at[(at >= 0) & (at < length)] * 100).astype(np.int64)


def covered(runs=300):
    """Share of nights whose interval holds the true rate, of those that have one; and Garwood's share."""
    rng = np.random.default_rng(3)
    for spread_s, size, stages in ((60, 4, False), (240, 4, True), (60, 2, True)):
        for per_hour in (1.0, 4.0, 16.0):
            for hours in (4.0, 7.0, 8.5):
                grid = Grid(Fraction(1, 100), round(hours * 360_000))
                blocks = Blocks.of(grid.all())
                nights = [clustered(rng, per_hour, hours, spread_s, size, stages) for _ in range(runs)]
                truth = np.mean([len(n) for n in nights]) / hours
                found = [i for n in nights if (i := blocks.interval(n))]
                plain = [counting_interval(len(n), hours) for n in nights]
                yield (
                    (spread_s, size, stages, per_hour, hours),
                    np.mean([i.low <= truth <= i.high for i in found]),
                    np.mean([i.low <= truth <= i.high for i in plain]),
                )


def test_the_scaled_interval_covers_as_often_as_the_page_says_and_counting_alone_does_not():
    low, high = (v / 100 for v in COVERS_PCT)
    cells = list(covered())
    for key, scaled, _ in cells:
        assert low - 3 * np.sqrt(0.1 * 0.9 / 300) <= scaled <= high + 3 * np.sqrt(0.02 / 300), key
    assert np.mean([s for _, s, _ in cells]) == pytest.approx(0.95, abs=0.025)
    assert np.mean([p for *_, p in cells]) < 0.75  # the reason why it is named as it is


def test_blocks_count_their_own_valid_time():
    valid = GRID.all() - Spans.of(GRID, [(0, 3 * 360_000)])
    onsets = np.arange(3 * 360_000, GRID.n_slots, 72_000)  # five an hour, evenly
    found = Blocks.of(valid).interval(onsets)
    assert found.low <= 5.0 <= found.high
    assert found.high - found.low < 5
    assert Blocks.of(valid).dispersion(onsets) == 1


def test_the_dispersion_is_the_largest_of_three_block_lengths():
    # all events inside one block of 10 minutes: X² / (n - 1) by hand for its 42 blocks, which is the largest
    onsets = np.arange(0, 60_000, 1_000)
    n, events = 42, 60
    by_hand = ((events - events / n) ** 2 + (n - 1) * (events / n) ** 2) / (events / n) / (n - 1)
    assert Blocks.of(GRID.all()).dispersion(onsets) == pytest.approx(by_hand)


def test_a_scaled_interval_is_garwoods_of_the_count_over_the_dispersion():
    low, high = garwood(30, 2.5)
    assert low == pytest.approx(2.5 * stats.chi2.ppf(0.025, 2 * 30 / 2.5) / 2)
    assert high == pytest.approx(2.5 * stats.chi2.ppf(0.975, 2 * 30 / 2.5 + 2) / 2)


def test_few_events_or_hours_give_no_interval_and_never_one_of_zero_width():
    whole = Blocks.of(GRID.all())
    assert whole.interval(np.array([], dtype=np.int64)) is None
    assert whole.interval(np.arange(4) * 100_000) is None
    assert whole.interval(np.arange(5) * 100_000).high > 0
    short = Blocks.of(Spans.of(GRID, [(0, 1_439_999)]))
    assert short.interval(np.arange(30) * 10_000) is None
    assert Blocks.of(Spans.of(GRID, [(0, 1_440_000)])).interval(np.arange(30) * 10_000)
    assert counting_interval(0, 7.0).high > 0.5


def test_the_interval_is_the_same_every_time():
    onsets = clustered(np.random.default_rng(1))
    assert Blocks.of(GRID.all()).interval(onsets) == Blocks.of(GRID.all()).interval(onsets)
