"""Quantiles agree with numpy's, which are the reference."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.signal.quantiles import median, quantile, ranked, running, sampled, within

VALUES = st.lists(st.floats(0, 1e6, width=32), min_size=1, max_size=50)


@settings(deadline=None, max_examples=300, derandomize=True)
@given(VALUES, st.sampled_from([np.float32, np.float64]))
def test_the_median_is_that_of_numpy_to_the_bit(values, dtype):
    values = np.array(values, dtype=dtype)
    assert median(values) == float(np.median(values))


@settings(deadline=None, max_examples=300, derandomize=True)
@given(VALUES, st.sampled_from([0.0, 0.2, 0.25, 0.5, 0.75, 1.0]))
def test_a_quantile_is_that_of_numpy_to_the_bit(values, share):
    values = np.array(values)
    assert quantile(values, share) == float(np.quantile(values, share))


@settings(deadline=None, max_examples=300, derandomize=True)
@given(VALUES)
def test_ranks_are_those_of_a_stable_sort(values):
    values = np.array(values, dtype=np.float32)
    rank, ascending = ranked(values)
    order = np.argsort(values, kind="stable")
    assert rank[order].tolist() == list(range(len(values)))
    np.testing.assert_array_equal(ascending, values[order])


def test_every_second_slot_of_the_spans_where_the_value_is_known():
    values = np.array([0, 1, 2, 3, np.nan, 5, 6, 7], dtype=np.float32)
    spans = Spans.of(Grid(Fraction(1), 8), [(1, 5), (6, 8)])
    at, found = sampled(values, spans, 2)
    assert at.tolist() == [2, 6]
    assert found.tolist() == [2.0, 6.0]


@pytest.mark.parametrize("n", [1, 3, 5, 9])
def test_running_quantiles_are_those_of_every_window(n):
    values = np.random.default_rng(n).normal(size=40)
    padded = np.pad(values, n // 2, mode="edge")
    windows = np.sort([padded[i : i + n] for i in range(len(values))], axis=1)
    for share, place in ((0.0, 0), (0.25, n // 4), (0.5, n // 2), (0.75, 3 * n // 4), (1.0, n - 1)):
        np.testing.assert_array_equal(running(values, n, share)[0], windows[:, place])


def test_a_window_of_which_too_little_is_known_has_no_quantile():
    values = np.array([np.nan, 2.0, np.nan, 1.0, 3.0])
    (found,) = within(values, 3, 0.5, least=2)
    np.testing.assert_array_equal(found, [np.nan, 2.0, 3.0])
