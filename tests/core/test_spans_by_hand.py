"""Spans on small examples counted by hand; the properties stand in `test_spans`."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.core.spans import Grid, Spans

TENTH = Grid(Fraction(1, 10), 20)
SOME = Spans.of(TENTH, [(2, 5), (8, 9), (12, 16)])


def pairs(spans: Spans) -> list[list[int]]:
    return spans.bounds.tolist()


def test_a_grid_says_its_length_in_seconds_and_in_hours():
    assert TENTH.duration_s == 2.0
    assert Grid(Fraction(3), 3600).hours == 3.0
    assert TENTH.seconds(7) == 0.7


def test_a_second_lies_in_a_slot_of_the_grid_or_at_its_ends():
    assert [TENTH.slot_at(s) for s in (-0.5, 0, Fraction(7, 10), 0.75, 2, 9)] == [0, 0, 7, 7, 20, 20]


def test_the_nearest_border_is_halves_up_and_never_outside():
    seconds = (-0.5, 0, Fraction(74, 100), Fraction(75, 100), Fraction(76, 100), 2, 9)
    assert [TENTH.nearest(s) for s in seconds] == [0, 0, 7, 8, 8, 20, 20]


def test_a_length_is_rounded_to_whole_slots_halves_up():
    assert [TENTH.slots_for(s) for s in (0, Fraction(34, 100), Fraction(35, 100), Fraction(36, 100), 9)] == [
        *(0, 3, 4, 4, 90)
    ]


def test_the_common_grid_is_the_coarsest_and_as_long_as_the_longest():
    assert TENTH.refined(Grid(Fraction(1, 4), 12)) == Grid(Fraction(1, 20), 60)
    assert TENTH.refined(Grid(Fraction(1, 4), 4)) == Grid(Fraction(1, 20), 40)
    assert TENTH.refined() == TENTH
    assert Grid(Fraction(3, 10), 5).refined(Grid(Fraction(2, 15), 3)) == Grid(Fraction(1, 30), 45)
    assert Grid(Fraction(1, 6), 6).refined(Grid(Fraction(1, 4), 4), Grid(Fraction(1, 5), 5)) == Grid(
        Fraction(1, 60), 60
    )


def test_a_grid_of_more_slots_than_an_integer_holds_is_refused():
    most = Grid(Fraction(1), 2**62 - 1)
    assert most.refined() == most
    for n in (2**62, 2**62 + 1):
        with pytest.raises(OverflowError, match="no common clock"):
            Grid(Fraction(1), n).refined()


def test_all_of_a_grid_is_one_span_and_none_of_it_is_no_span():
    assert pairs(TENTH.all()) == [[0, 20]]
    assert pairs(TENTH.none()) == []
    assert pairs(Grid(Fraction(1), 0).all()) == []


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ([], []),
        ([(-3, 2), (18, 25)], [[0, 2], [18, 20]]),
        ([(-9, -3), (25, 30)], []),
        ([(3, 3), (5, 4)], []),
        ([(5, 6), (1, 2)], [[1, 2], [5, 6]]),
        ([(1, 3), (3, 5)], [[1, 5]]),
        ([(1, 3), (4, 5)], [[1, 3], [4, 5]]),
        ([(1, 9), (2, 3), (8, 10), (11, 12)], [[1, 10], [11, 12]]),
        ([(6, 7), (1, 9), (12, 13), (2, 3), (13, 14)], [[1, 9], [12, 14]]),
        ([(0, 1)], [[0, 1]]),
        ([(1, 3), (1, 2)], [[1, 3]]),
    ],
)
def test_pairs_are_cut_sorted_and_joined(given, kept):
    assert pairs(Spans.of(TENTH, given)) == kept
    assert pairs(Spans.of(TENTH, np.array(given, dtype=np.int64).reshape(-1, 2))) == kept


def test_spans_are_values_and_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        SOME.bounds[0, 0] = 1
    with pytest.raises(FrozenInstanceError):
        SOME.grid = TENTH
    with pytest.raises(FrozenInstanceError):
        TENTH.n_slots = 3
    with pytest.raises(TypeError):
        hash(SOME)


def test_what_is_given_is_not_changed():
    array = np.array([[5, 6], [1, 2]])
    Spans.of(TENTH, array)
    assert array.tolist() == [[5, 6], [1, 2]]
    assert array.flags.writeable


@pytest.mark.parametrize("bits", ["", "0", "1", "10", "01", "0110", "1001", "1011101"])
def test_a_mask_becomes_spans_and_again_a_mask(bits):
    grid = Grid(Fraction(1), len(bits))
    mask = np.array([bit == "1" for bit in bits], dtype=bool)
    found = Spans.from_mask(grid, mask)
    slots = {k for a, b in pairs(found) for k in range(a, b)}
    assert slots == {k for k, bit in enumerate(bits) if bit == "1"}
    assert found.mask().tolist() == mask.tolist()
    assert found.mask().dtype == bool


def test_values_outside_are_not_numbers_and_the_original_stays():
    values = np.arange(20, dtype=np.float32)
    kept = SOME.only(values)
    assert np.flatnonzero(~np.isnan(kept)).tolist() == [2, 3, 4, 8, 12, 13, 14, 15]
    assert kept[8] == 8
    assert not np.isnan(values).any()


def test_counts_and_lengths_are_those_of_the_slots():
    assert len(SOME) == 3
    assert SOME.starts.tolist() == [2, 8, 12]
    assert SOME.stops.tolist() == [5, 9, 16]
    assert SOME.n_slots == 8
    assert type(SOME.n_slots) is int
    assert SOME.duration_s == 0.8
    assert Spans.of(Grid(Fraction(9), 1000), [(0, 200), (300, 500)]).hours == 1.0
    assert SOME.seconds() == [(0.2, 0.5), (0.8, 0.9), (1.2, 1.6)]


def test_spans_are_equal_where_grid_and_bounds_are():
    assert Spans.of(TENTH, [(1, 2)]) == Spans.of(TENTH, [(1, 2)])
    assert Spans.of(TENTH, [(1, 2)]) != Spans.of(TENTH, [(1, 3)])
    assert Spans.of(TENTH, [(1, 2)]) != Spans.of(Grid(Fraction(1, 10), 21), [(1, 2)])
    assert SOME != "spans"
    assert SOME != None  # noqa: E711  the comparison itself


def test_the_algebra_by_hand():
    other = Spans.of(TENTH, [(4, 8), (13, 14), (19, 20)])
    assert pairs(SOME | other) == [[2, 9], [12, 16], [19, 20]]
    assert pairs(SOME & other) == [[4, 5], [13, 14]]
    assert pairs(SOME - other) == [[2, 4], [8, 9], [12, 13], [14, 16]]
    assert pairs(~SOME) == [[0, 2], [5, 8], [9, 12], [16, 20]]
    assert pairs(~TENTH.all()) == []
    assert pairs(~TENTH.none()) == [[0, 20]]


@pytest.mark.parametrize("two", [lambda a, b: a | b, lambda a, b: a & b, lambda a, b: a - b, Spans.meet])
def test_nothing_combines_spans_of_two_grids(two):
    for grid in (Grid(Fraction(1, 10), 19), Grid(Fraction(1, 10), 21)):
        with pytest.raises(ValueError, match="two grids"):
            two(SOME, grid.all())


def test_join_closes_a_gap_of_exactly_the_limit():
    assert [pairs(SOME.join(k)) for k in (0, 2, 3)] == [
        [[2, 5], [8, 9], [12, 16]],
        [[2, 5], [8, 9], [12, 16]],
        [[2, 16]],
    ]
    uneven = Spans.of(TENTH, [(0, 1), (3, 4), (9, 10)])
    assert pairs(uneven.join(2)) == [[0, 4], [9, 10]]
    assert pairs(TENTH.none().join(3)) == []
    assert pairs(TENTH.all().join(0)) == [[0, 20]]


def test_drop_shorter_keeps_exactly_the_limit():
    assert [pairs(SOME.drop_shorter(k)) for k in (1, 3, 4, 5)] == [
        *([[2, 5], [8, 9], [12, 16]], [[2, 5], [12, 16]], [[12, 16]], [])
    ]


def test_grow_takes_one_length_for_both_sides_or_two():
    assert pairs(SOME.grow(1)) == [[1, 6], [7, 10], [11, 17]]
    assert pairs(SOME.grow(2)) == [[0, 18]]
    assert pairs(SOME.grow(1, 0)) == [[1, 5], [7, 9], [11, 16]]
    assert pairs(SOME.grow(0, 2)) == [[2, 7], [8, 11], [12, 18]]


def test_slots_in_a_span_and_slots_before_one_are_counted():
    slots = np.arange(-1, 22)
    inside = {k for a, b in pairs(SOME) for k in range(a, b)}
    assert SOME.holds(slots).tolist() == [k in inside for k in slots]
    assert SOME.slots_before(slots).tolist() == [sum(one < k for one in inside) for k in slots]
    assert not TENTH.none().holds(slots).any()
    assert TENTH.none().slots_before(slots).tolist() == [0] * len(slots)


def test_spans_meet_where_they_share_a_slot_and_not_where_they_touch():
    others = Spans.of(TENTH, [(5, 8), (15, 18)])
    assert SOME.meet(others).tolist() == [False, False, True]
    assert SOME.meet(Spans.of(TENTH, [(4, 5), (8, 9)])).tolist() == [True, True, False]
    assert SOME.meet(TENTH.none()).tolist() == [False, False, False]


def test_a_coarser_grid_takes_touched_slots_whole_slots_or_refuses():
    coarse = Grid(Fraction(3, 10), 7)
    fine = Spans.of(TENTH, [(3, 7), (8, 14)])
    assert pairs(fine.on(coarse, rounding="outward")) == [[1, 5]]
    assert pairs(fine.on(coarse, rounding="inward")) == [[1, 2], [3, 4]]
    with pytest.raises(ValueError, match="inside a slot of 3/10 s"):
        fine.on(coarse)
    for pair in [(3, 7), (2, 6)]:
        with pytest.raises(ValueError, match="inside a slot"):
            Spans.of(TENTH, [pair]).on(coarse)
    assert pairs(Spans.of(TENTH, [(3, 6), (9, 12)]).on(coarse)) == [[1, 2], [3, 4]]
    assert pairs(Spans.of(coarse, [(1, 2)]).on(TENTH)) == [[3, 6]]
    assert SOME.on(TENTH) is SOME
    uneven = Grid(Fraction(2, 15), 15)
    assert pairs(Spans.of(TENTH, [(4, 8)]).on(uneven)) == [[3, 6]]
    assert pairs(Spans.of(TENTH, [(5, 11)]).on(uneven, rounding="outward")) == [[3, 9]]
    assert pairs(Spans.of(TENTH, [(5, 11)]).on(uneven, rounding="inward")) == [[4, 8]]


def test_hours_covered_are_not_whole_ones():
    assert Spans.of(Grid(Fraction(1, 10), 72000), [(0, 9000), (18000, 27000)]).hours == 0.5
