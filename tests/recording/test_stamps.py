"""Gaps, drift and rate from the stamps of a stream: what was not received stays a gap."""

from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.recording.stamps import StampClock, rate_by

RATE = 2000
EVEN = 100 + np.arange(60 * RATE) / RATE


def followed(stamps, rate=RATE, chunk=40):
    clock, runs = StampClock(Fraction(rate)), []
    for k in range(0, len(stamps), chunk):
        runs += clock.push(stamps[k : k + chunk])
    return clock, runs + clock.finish()


def late(stamps, mean_s, chunk=40, seed=1):
    """Whole packets that arrive late by chance, and never early."""
    delays = np.random.default_rng(seed).exponential(mean_s, len(stamps) // chunk + 1)
    return stamps + np.repeat(delays, chunk)[: len(stamps)]


def without(*spans):
    kept = np.ones(len(EVEN), dtype=bool)
    for a, b in spans:
        kept[a:b] = False
    return kept


def test_even_stamps_leave_one_run():
    clock, runs = followed(EVEN)
    assert clock.gaps == []
    assert [(r.night, r.stored) for r in runs[:1]] == [(0, 0)]
    assert sum(r.n for r in runs) == len(EVEN)


def test_a_single_lost_sample_shows_where_each_sample_has_its_own_time():
    clock, _ = followed(EVEN[without((30_000, 30_001))])
    assert clock.gaps == [(30_000, 30_001)]


@pytest.mark.parametrize("chunk", [7, 40, 2000, 10**6])
def test_gaps_do_not_hang_on_how_the_samples_arrive(chunk):
    spans = [(30_000, 30_400), (90_000, 98_000)]
    clock, runs = followed(EVEN[without(*spans)], chunk=chunk)
    assert clock.gaps == spans
    assert sum(r.n for r in runs) == len(EVEN) - 8400
    assert runs[-1].night + runs[-1].n == len(EVEN)


@pytest.mark.parametrize("mean_s", [0.0005, 0.002, 0.005, 0.02])
def test_late_packets_are_no_gaps(mean_s):
    for seed in range(5):
        clock, _ = followed(late(EVEN, mean_s, seed=seed))
        assert clock.gaps == []


@pytest.mark.parametrize("mean_s", [0.0005, 0.005, 0.02])
def test_a_gap_among_late_packets_is_found_within_the_stated_tolerance(mean_s):
    clock, _ = followed(late(EVEN, mean_s)[without((50_000, 50_400))])
    ((a, b),) = clock.gaps
    assert abs(a - 50_000) <= clock.tolerance_s * RATE
    assert abs((b - a) - 400) <= clock.tolerance_s * RATE
    assert any(n.code == "stamps-uneven" for n in clock.notes()) == (clock.tolerance_s > 1.5 / RATE)


def test_drift_is_measured_and_named_and_makes_no_gap():
    clock, _ = followed(100 + (EVEN - 100) * 1.0002)
    assert clock.gaps == []
    assert clock.drift_ppm() == pytest.approx(200, abs=2)
    assert any("+200 millionths" in n.text or "+199 millionths" in n.text for n in clock.notes())


def test_lost_packets_one_in_ten_are_counted_to_the_sample():
    kept = np.repeat(np.random.default_rng(3).random(len(EVEN) // 40) > 0.1, 40)
    kept[:40] = kept[-40:] = True
    clock, runs = followed(EVEN[kept])
    assert sum(b - a for a, b in clock.gaps) == len(EVEN) - kept.sum()
    assert clock.rate_seen == 0
    assert sum(r.n for r in runs) == kept.sum()


def test_a_rate_that_changes_is_seen_and_lost_packets_are_not_taken_for_it():
    slower = np.concatenate((EVEN[:60_000], EVEN[59_999] + np.arange(1, 60_001) / 1000))
    clock, _ = followed(slower)
    assert clock.rate_seen == pytest.approx(1000, rel=0.01)


def test_stamps_that_step_back_are_counted_and_move_no_sample():
    back = EVEN.copy()
    back[60_000:] -= 3
    clock, runs = followed(back)
    assert clock.steps_back_s == [pytest.approx(-3)]
    assert clock.gaps == []
    assert runs[-1].night + runs[-1].n == len(EVEN)


def test_the_rate_by_stamps_is_that_of_the_samples_in_spite_of_gaps():
    assert rate_by(late(EVEN, 0.005)[without((2000, 2400))][:10_000]) == pytest.approx(RATE, rel=0.002)
