"""The corners of ``python -m tests.compare_table`` with fewer runs: coverage, sentences, correlation."""

import numpy as np
import pytest

from tests.compare_table import (
    bootstrap_cells,
    coverage_cells,
    power_cells,
    serial_cells,
    three_cells,
)

RUNS = 1500
SLACK = 3 * np.sqrt(0.95 * 0.05 / RUNS)  # three standard errors


def test_intervals_hold_the_truth_and_sentences_are_rarely_false():
    cells = coverage_cells(
        RUNS,
        means=(3.5, 105.0),
        spreads=((0.2, 0.2), (0.8, 0.8), (0.8, 0.2)),
        sizes=((4, 4), (10, 10), (4, 5), (4, 10), (10, 4)),
    )
    for key, covered, told in cells:
        assert 0.92 - SLACK <= covered <= 0.98 + SLACK, key
        assert told <= 0.05 + SLACK, key


def test_a_true_halving_is_covered_too():
    cells = coverage_cells(
        RUNS,
        means=(14.0, 105.0),
        spreads=((0.5, 0.5), (0.8, 0.2)),
        sizes=((5, 5), (4, 10)),
        ratio=0.5,
    )
    for key, covered, _ in cells:
        assert 0.915 - SLACK <= covered <= 0.985 + SLACK, key


def test_over_three_contrasts_a_study_is_falsely_told_in_at_most_5_percent():
    for key, told in three_cells(600, means=(35.0,)):
        assert told <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600), key


def test_correlated_phases_are_told_too_often_and_warned_of():
    cells = {key: rest for key, *rest in serial_cells(1500)}
    free, tied = cells[0.0, 10, "phases"], cells[0.6, 10, "phases"]
    assert tied[1] > 2 * free[1]
    assert tied[2] > free[2] + 0.3


@pytest.mark.slow
def test_the_bootstrap_is_as_short_as_the_page_says():
    for (n, cv), covered in bootstrap_cells(1000):
        if n <= 5:
            assert 0.81 <= covered <= 0.91, (n, cv)


@pytest.mark.slow
def test_planned_chances_are_within_3_points_of_another_generator():
    for (cv, mean, n), ours, others in power_cells(20000):
        if cv <= 0.5:
            assert abs(ours - others["inverse Gaussian"]) <= 0.03, (cv, mean, n)
