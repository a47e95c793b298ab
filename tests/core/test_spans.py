"""Spans are a closed algebra on sorted, disjoint, half-open stretches of one grid."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepbrux.core.spans import Grid, Spans

GRID = Grid(Fraction(1, 100), 60)
pairs = st.lists(st.tuples(st.integers(-5, 65), st.integers(-5, 65)), max_size=8)
spans = pairs.map(lambda p: Spans.of(GRID, p))


def mask_of(some):
    inside = np.zeros(GRID.n_slots, dtype=bool)
    for a, b in some.bounds:
        inside[a:b] = True
    return inside


@given(pairs)
def test_any_pairs_become_sorted_disjoint_and_apart(some):
    bounds = Spans.of(GRID, some).bounds.ravel()
    assert (np.diff(bounds) > 0).all()
    inside = {i for a, b in some for i in range(max(a, 0), min(b, GRID.n_slots))}
    assert set(np.flatnonzero(mask_of(Spans.of(GRID, some)))) == inside


@given(spans, spans)
def test_the_algebra_is_that_of_sets_of_slots(a, b):
    x, y = mask_of(a), mask_of(b)
    assert (mask_of(a | b) == (x | y)).all()
    assert (mask_of(a & b) == (x & y)).all()
    assert (mask_of(a - b) == (x & ~y)).all()
    assert (mask_of(~a) == ~x).all()
    assert (~~a) == a


@given(spans)
def test_mask_and_spans_are_each_others_inverse(a):
    assert (a.mask() == mask_of(a)).all()
    assert Spans.from_mask(GRID, a.mask()) == a
    assert a.n_slots == mask_of(a).sum()


@given(spans, st.integers(0, 10))
def test_join_closes_gaps_up_to_the_limit_and_no_longer_ones(a, limit):
    joined = a.join(limit)
    assert (mask_of(joined) | mask_of(a) == mask_of(joined)).all()
    gaps = joined.starts[1:] - joined.stops[:-1]
    assert (gaps > limit).all()
    old = set((a.starts[1:] - a.stops[:-1]).tolist())
    assert set(gaps.tolist()) <= old


@given(spans, st.integers(0, 9))
def test_drop_shorter_keeps_what_is_long_enough(a, least):
    kept = a.drop_shorter(least)
    assert kept.bounds.tolist() == [[s, e] for s, e in a.bounds.tolist() if e - s >= least]


@given(spans, st.integers(0, 5), st.integers(0, 5))
def test_grow_reaches_out_on_both_sides(a, before, after):
    expected = Spans.of(GRID, [(s - before, e + after) for s, e in a.bounds.tolist()])
    assert a.grow(before, after) == expected


@given(spans)
def test_holds_agrees_with_the_mask(a):
    slots = np.arange(GRID.n_slots)
    assert (a.holds(slots) == mask_of(a)).all()


@given(spans)
def test_a_finer_grid_is_exact_and_back_again(a):
    fine = GRID.refined(Grid(Fraction(5, 512), 61))
    assert a.on(fine).on(GRID) == a
    assert a.on(fine).duration_s == a.duration_s


@given(spans)
def test_rounding_outward_covers_and_inward_is_covered(a):
    coarse = Grid(Fraction(7, 100), 8)
    back = Grid(Fraction(1, 100), 56)
    here = Spans.of(back, a.bounds)
    outward = here.on(coarse, rounding="outward").on(back)
    inward = here.on(coarse, rounding="inward").on(back)
    assert (outward & here) == here
    assert (inward & here) == inward


def test_an_inexact_border_is_refused():
    with pytest.raises(ValueError, match="inside a slot"):
        Spans.of(GRID, [(1, 3)]).on(Grid(Fraction(2, 100), 30))


def test_spans_of_two_grids_do_not_mix():
    with pytest.raises(ValueError, match="two grids"):
        GRID.all() | Grid(Fraction(1, 50), 60).all()


def test_the_common_clock_of_two_rates_has_every_border():
    common = Grid(Fraction(1, 100), 100).refined(Grid(Fraction(5, 512), 103))
    assert common.slot_s == Fraction(1, 12800)
    assert (Fraction(5, 512) / common.slot_s).denominator == 1


def test_a_decimal_second_falls_into_the_slot_that_holds_it():
    assert Grid(Fraction(1, 100), 1000).slots_for(Fraction("0.29")) == 29
    assert int(0.29 * 100) == 28  # what a float would do


@given(st.integers(0, 10**7), st.sampled_from([256, 512, 1000, 1024, 2048, Fraction(99939, 100)]))
def test_seconds_of_a_slot_never_drift(slot, rate):
    grid = Grid(10 / Fraction(rate), 10**7)
    assert grid.seconds(slot) == float(slot * 10 / Fraction(rate))
    assert grid.nearest(grid.seconds(slot)) == slot
