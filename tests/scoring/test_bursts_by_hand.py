"""How long a burst is and what kind that makes it, and what lost time does to one; in slots, counted by hand."""

from __future__ import annotations

from fractions import Fraction

import msgspec
import numpy as np
import pytest

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import load_criterion
from sleepbrux.scoring import bursts as module
from sleepbrux.scoring.bursts import (
    KINDS,
    PHASIC,
    SHORT,
    TONIC,
    UNCLASSIFIED,
    Bursts,
    bridge_slots,
    in_pieces,
    kinds,
    least_burst,
    least_slots,
    least_tonic,
    over_lost,
)

GRID = Grid(Fraction(1, 100), 1000)
RULE = load_criterion("phasic_tonic_10mvc").burst


def rule(**changes):
    return msgspec.structs.replace(RULE, **changes)


def spans(*pairs):
    return Spans.of(GRID, np.array(pairs, dtype=np.int64).reshape(-1, 2))


def bursts(*pairs, peaks=None):
    n = len(pairs)
    starts, stops = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    peak = np.arange(1.0, n + 1) if peaks is None else np.array(peaks)
    return Bursts(
        "left", GRID, starts, stops, kinds(stops - starts, GRID, RULE), peak, peak / 2, np.zeros(n, bool)
    )


@pytest.mark.parametrize(
    ("slot", "limit", "inclusive", "slots"),
    [
        (Fraction(1, 100), 0.25, True, 25),
        (Fraction(1, 100), 0.25, False, 26),
        (Fraction(3, 100), 0.25, True, 9),
        (Fraction(3, 100), 0.25, False, 9),
        (Fraction(1, 100), 0.29, True, 29),  # 0.29 is no binary fraction; it is decided on decimals
        (Fraction(1, 100), 0.0, False, 1),
        (Fraction(1, 100), 0.0, True, 0),
    ],
)
def test_a_limit_is_reached_at_it_or_passed_beyond_it(slot, limit, inclusive, slots):
    assert least_slots(Grid(slot, 1000), limit, inclusive=inclusive) == slots


@pytest.mark.parametrize(("inclusive", "at", "below"), [(True, PHASIC, SHORT), (False, SHORT, SHORT)])
def test_a_burst_of_exactly_the_least_duration_qualifies_where_the_rule_says_so(inclusive, at, below):
    own = rule(minimum_s=0.25, minimum_inclusive=inclusive, phasic_maximum_s=2.0)
    assert least_burst(GRID, own) == (25 if inclusive else 26)
    assert kinds(np.array([24, 25, 26]), GRID, own).tolist() == [below, at, PHASIC]


@pytest.mark.parametrize(("inclusive", "at"), [(True, PHASIC), (False, TONIC)])
def test_a_burst_of_exactly_the_greatest_phasic_duration_is_phasic_where_the_rule_says_so(inclusive, at):
    own = rule(
        minimum_s=0.25, minimum_inclusive=True, phasic_maximum_s=2.0, phasic_maximum_inclusive=inclusive
    )
    assert least_tonic(GRID, own) == (201 if inclusive else 200)
    assert kinds(np.array([199, 200, 201]), GRID, own).tolist() == [PHASIC, at, TONIC]


def test_no_burst_is_tonic_that_is_too_short_to_qualify():
    own = rule(minimum_s=2.0, minimum_inclusive=True, phasic_maximum_s=1.0, phasic_maximum_inclusive=True)
    assert kinds(np.array([150, 200]), GRID, own).tolist() == [SHORT, TONIC]


def test_a_rule_without_kinds_knows_qualifying_bursts_and_short_ones():
    own = rule(types=False, minimum_s=0.25, minimum_inclusive=True, phasic_maximum_s=2.0)
    found = kinds(np.array([24, 25, 500]), GRID, own)
    assert found.tolist() == [SHORT, UNCLASSIFIED, UNCLASSIFIED]
    assert found.dtype == np.int8
    assert [KINDS[k] for k in (SHORT, PHASIC, TONIC, UNCLASSIFIED)] == [
        "short",
        "phasic",
        "tonic",
        "unclassified",
    ]


def test_a_dip_is_closed_that_is_as_long_as_the_rule_allows_and_no_longer():
    assert bridge_slots(GRID, rule(bridge_s=0.1)) == 10
    assert bridge_slots(Grid(Fraction(3, 100), 1000), rule(bridge_s=0.1)) == 3


@pytest.mark.parametrize(
    ("pairs", "lost", "joined"),
    [
        ([(100, 200), (250, 300)], (200, 250), [(100, 300)]),  # half a second, touched on both sides
        ([(100, 200), (251, 300)], (200, 251), [(100, 200), (251, 300)]),  # longer than half a second
        ([(100, 199), (250, 300)], (200, 250), [(100, 199), (250, 300)]),  # rest was seen before it
        ([(100, 200), (251, 300)], (200, 250), [(100, 200), (251, 300)]),  # rest was seen after it
        ([(100, 200)], (200, 250), [(100, 200)]),
    ],
)
def test_bursts_that_run_into_short_lost_time_and_out_of_it_are_one(pairs, lost, joined):
    assert over_lost(spans(*pairs), spans(lost)).bounds.tolist() == [list(p) for p in joined]


def test_lost_time_that_can_hold_a_pause_parts_a_burst_and_levels_stay_those_of_the_whole():
    own = rule(bridge_s=0.1, minimum_s=0.25, minimum_inclusive=True, phasic_maximum_s=2.0)
    whole = bursts((50, 60), (100, 400), peaks=(5.0, 9.0))
    usable = ~spans((200, 210), (300, 311))  # 0.1 s is no more than a dip, 0.11 s is
    parts = in_pieces(whole, usable, own)
    assert [(int(a), int(b)) for a, b in zip(parts.starts, parts.stops, strict=True)] == [
        (50, 60),
        (100, 300),
        (311, 400),
    ]
    assert parts.peak_uv.tolist() == [5.0, 9.0, 9.0]
    assert parts.mean_uv.tolist() == [2.5, 4.5, 4.5]
    assert parts.cut.tolist() == [False, True, True]
    assert parts.kind.tolist() == [SHORT, PHASIC, PHASIC]
    assert len(parts) == 3


def test_a_burst_is_cut_by_unusable_time_in_it_or_beside_it_and_by_the_ends_of_the_grid():
    found = spans((0, 10), (100, 110), (200, 210), (300, 310), (400, 410), (990, 1000))
    usable = ~spans((110, 120), (202, 204), (299, 300), (411, 420))
    assert module._cut(found, usable).tolist() == [True, True, True, True, False, True]


class _Envelope:
    """An envelope in which only what a step asks for is there."""

    def __init__(self, energy, level, amplitude, window_frames=4):
        self.energy, self.level = np.array(energy, np.float32), np.array(level, np.float32)
        self.amplitude, self.window_frames, self.grid = (
            amplitude,
            window_frames,
            Grid(Fraction(1, 100), len(energy)),
        )

    def quantile(self, _):
        return 1.0


@pytest.mark.parametrize(
    ("amplitude", "mean"),
    [("rms", np.sqrt((4 + 16) / 2)), ("rectified", (3 + 5) / 2)],
)
def test_a_burst_has_the_level_of_its_frames_and_at_least_that_as_its_peak(amplitude, mean):
    envelope = _Envelope([0, 4, 16, 0], [0, 3, 5, 0] if amplitude == "rectified" else [0, 1, 2, 0], amplitude)
    one = Spans.of(envelope.grid, np.array([[1, 3]]))
    peak, level = module._levels(envelope, one)
    assert level.tolist() == pytest.approx([mean])
    assert peak.tolist() == pytest.approx([max(mean, envelope.level.max())])


def test_no_burst_has_no_dip_to_close():
    none = np.zeros(0, np.int64)
    starts, stops = module._without_dips(_Envelope([0.0], [0.0], "rms"), none, none)
    assert (starts.tolist(), stops.tolist()) == ([], [])
