"""The scorer and its plain twin give the same bursts and the same episodes, event for event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.reference import given as reference
from sleepbrux.scoring import bursts as stage
from sleepbrux.scoring import episodes as grouping
from sleepbrux.scoring.episodes import group_episodes
from sleepbrux.scoring.measures import select
from sleepbrux.scoring.night import score_night
from sleepbrux.scoring.sides import combine_sides
from tests import naive

from .tables import MASSETERS, RATE, burst_table, emg

SECONDS = 200
GRIDS = {
    "10 ms": Grid(Fraction(1, 100), SECONDS * 100),
    "5/512 s": Grid(Fraction(5, 512), SECONDS * 512 // 5),
}
ARRANGEMENTS = [names for n in (1, 2, 3) for names in product(sorted(GRIDS), repeat=n)]
PARENT = load_criterion("lavigne1996")


def beside(limits_s: Sequence[str], grid: Grid) -> list[int]:
    """Frames nearest to each limit: on it where the grid allows, else on either side, and one more."""
    whole = [int(Fraction(s) / grid.slot_s) for s in limits_s]
    return sorted({max(n + step, 1) for n in whole for step in (-1, 0, 1)})


# lengths beside the limits that the settings below can name, and some far from all of them
ANY_LENGTH = {
    name: [1, 2, 5, 60, 110, 450, *beside(("0.1", "0.25", "0.29", "0.5", "2.0", "3.0"), grid)]
    for name, grid in GRIDS.items()
}
# few lengths, so that most bursts and pauses lie at the limits of the published criteria
LIMITS = {name: beside(("0.25", "1.0", "2.0"), grid) for name, grid in GRIDS.items()}
PAUSES = {name: beside(("0.1", "1.0", "3.0"), grid) for name, grid in GRIDS.items()}

SETTINGS: dict[str, Any] = {
    "burst.minimum_s": st.sampled_from([0.25, 0.25, 0.0, 0.1, 0.29]),
    "burst.minimum_inclusive": st.booleans(),
    "burst.phasic_maximum_s": st.sampled_from([2.0, 2.0, 0.5, 3.0]),
    "burst.phasic_maximum_inclusive": st.booleans(),
    "burst.bridge_s": st.sampled_from([0.1, 0.0, 0.05, 0.29]),
    "burst.types": st.sampled_from([True, True, True, False]),
    "episode.gap_s": st.sampled_from([3.0, 3.0, 3.0, 2.0, 0.5, 0.0, 5.0]),
    "episode.gap_inclusive": st.booleans(),
    "episode.gap_clock": st.sampled_from(["offset_to_onset", "offset_to_onset", "onset_to_onset"]),
    "episode.gap_free_of": st.sampled_from(["qualifying_bursts", "any_activity"]),
    "episode.minimum_phasic_bursts": st.sampled_from([3, 1, 2, 4]),
    "episode.mixed": st.sampled_from(["one_of_each", "phasic_minimum", "tonic_flagged"]),
    "episode.two_tonic": st.sampled_from(["one_episode", "separate"]),
    "episode.regular": st.booleans(),
    "episode.regular_minimum_s": st.sampled_from([0.3, 0.29, 0.0, 0.5]),
    "episode.regular_maximum_s": st.sampled_from([3.0, 2.0, 1.0]),
    "sides.combine": st.sampled_from(["any", "any", "both"]),
}
criteria = st.tuples(*SETTINGS.values()).map(
    lambda drawn: PARENT.derive(dict(zip(SETTINGS, drawn, strict=True)), new_id="drawn")
)


def channel_bursts(
    name: str, lengths: list[int], pauses: list[int]
) -> st.SearchStrategy[list[tuple[int, int, bool]]]:
    """Bursts of one channel as (start, stop, cut) in frames: disjoint, apart, in order."""

    def build(numbers: list[int]) -> list[tuple[int, int, bool]]:
        # both grids have a border at every multiple of 1.25 s
        at, rows = 125 if name == "10 ms" else 128, []
        for number in numbers:
            place, cut = divmod(number, 2)
            length, pause = lengths[place % len(lengths)], pauses[place // len(lengths)]
            rows.append((at, at + length, bool(cut)))
            at += length + pause
        return rows

    # one number holds length, pause and cut of a burst: few draws, so many nights
    return st.lists(st.integers(0, 2 * len(lengths) * len(pauses) - 1), max_size=9).map(build)


ANYHOW = {name: channel_bursts(name, ANY_LENGTH[name], ANY_LENGTH[name]) for name in GRIDS}
AT_LIMITS = {name: channel_bursts(name, LIMITS[name], PAUSES[name]) for name in GRIDS}
STRETCHES = st.lists(
    st.tuples(st.integers(0, 60), st.sampled_from([1, 3, 24, 40, 250, 299, 310, 20_000])),
    max_size=2,
)


@st.composite
def nights(draw: st.DrawFn, kind: Mapping[str, Any]) -> tuple[Any, ...]:
    """Grids and bursts of one to three channels, holes of each, clipped stretches."""
    names = draw(st.sampled_from(ARRANGEMENTS))
    channels = [draw(kind[name]) for name in names]

    def somewhere(k: int) -> list[tuple[Fraction, Fraction]]:
        # borders lie where something happens, or a frame beside it
        slot = GRIDS[names[k]].slot_s
        places = sorted({t for a, b, _ in channels[k] for t in (a - 1, a, a + 1, b)} | {0, 500})
        return [
            (places[at % len(places)] * slot, (places[at % len(places)] + n) * slot)
            for at, n in draw(STRETCHES)
        ]

    return names, channels, [somewhere(k) for k in range(len(names))], somewhere(0)


def on(grid: Grid, stretches: list[tuple[Fraction, Fraction]]) -> Spans:
    return Spans.of(grid, [(int(a / grid.slot_s), int(b / grid.slot_s)) for a, b in stretches])


def in_seconds(spans: Spans) -> list[tuple[Fraction, Fraction]]:
    return [(a * spans.grid.slot_s, b * spans.grid.slot_s) for a, b in spans.bounds.tolist()]


def bits(number: int) -> frozenset[int]:
    return frozenset(k for k in range(8) if number >> k & 1)


def agree(night: tuple[Any, ...], criterion: Any) -> None:
    """Compare both scorers on one night."""
    names, channels, all_holes, clipped_s = night
    tables = [
        burst_table([(a, b) for a, b, _ in rows], GRIDS[name], criterion, cut=[c for *_, c in rows])
        for name, rows in zip(names, channels, strict=True)
    ]
    # what was active was seen, so the holes lie beside the bursts
    usable = [
        ~on(table.grid, holes) | Spans.of(table.grid, np.stack((table.starts, table.stops), axis=1))
        for table, holes in zip(tables, all_holes, strict=True)
    ]
    merged = combine_sides(tables, criterion, [None] * len(tables), known=usable)
    grid = merged.grid
    clipped = on(grid, clipped_s)
    with np.errstate(all="raise"):
        got = group_episodes(merged, criterion.episode, types=criterion.burst.types, clipped=clipped)

    plain = [
        [naive.Burst(a * GRIDS[name].slot_s, b * GRIDS[name].slot_s, c) for a, b, c in rows]
        for name, rows in zip(names, channels, strict=True)
    ]
    for table, one in zip(tables, plain, strict=True):
        words = [stage.KINDS[k] for k in table.kind]
        assert words == [naive.kind_of(b.stop - b.start, criterion.burst) for b in one]
    events = naive.merge(plain, criterion)
    assert [
        naive.Event(
            int(merged.starts[i]) * grid.slot_s,
            int(merged.stops[i]) * grid.slot_s,
            stage.KINDS[merged.kind[i]],
            bits(int(merged.channels[i])),
            bool(merged.cut[i]),
        )
        for i in range(len(merged))
    ] == events
    end = grid.n_slots * grid.slot_s
    known = [in_seconds(spans) for spans in usable]
    expected = naive.group(events, plain, known, in_seconds(clipped), end, criterion)
    assert [
        naive.Episode(
            int(got.starts[i]) * grid.slot_s,
            int(got.stops[i]) * grid.slot_s,
            grouping.KINDS[got.kind[i]],
            tuple(np.flatnonzero(got.of_burst == i).tolist()),
            int(got.n_phasic[i]),
            int(got.n_tonic[i]),
            bits(int(got.channels[i])),
            frozenset(got.flags[i]),
        )
        for i in range(len(got))
    ] == expected
    assert got.n_bursts.tolist() == [len(e.members) for e in expected]
    lost = naive.lost_time(known, end)
    unseen = naive.unseen_bursts(plain, events, known, end, criterion)
    selection = select(merged, got, grid.all(), Spans.of(grid, merged.known), "all of it")
    assert selection.episodes.tolist() == [
        k for k, e in enumerate(expected) if naive.begun_in_view(e.start, lost, unseen, end)
    ]


@settings(derandomize=True, deadline=None, max_examples=600, database=None)
@given(nights(ANYHOW), criteria)
def test_both_scorers_find_the_same_events_in_any_night_under_any_rules(night, criterion):
    agree(night, criterion)


def test_two_tonic_bursts_are_separate_although_a_twitch_lies_between_them():
    criterion = PARENT.derive(
        {"episode.two_tonic": "separate", "episode.gap_free_of": "any_activity"}, new_id="drawn"
    )
    agree(
        (["10 ms"], [[(100, 350, False), (400, 410, False), (500, 750, False)]], [[]], []),
        criterion,
    )


AT_LIMIT_RULES = [
    load_criterion(name).derive(
        {
            "burst.minimum_inclusive": one,
            "burst.phasic_maximum_inclusive": two,
            "episode.gap_inclusive": two,
            "episode.regular_minimum_s": 1.25,
            "episode.regular_maximum_s": 3.25,
        },
        new_id="drawn",
    )
    for name in criterion_ids()
    for one in (False, True)
    for two in (False, True)
]


def test_bursts_and_pauses_of_exactly_the_limits_are_drawn():
    slot = GRIDS["10 ms"].slot_s
    assert {Fraction("0.25"), 2} <= {n * slot for n in LIMITS["10 ms"]}
    assert {Fraction("0.1"), 3} <= {n * slot for n in PAUSES["10 ms"]}


@settings(derandomize=True, deadline=None, max_examples=500, database=None)
@given(nights(AT_LIMITS), st.sampled_from(AT_LIMIT_RULES))
def test_both_scorers_find_the_same_events_where_all_lies_at_the_limits(night, criterion):
    agree(night, criterion)


@settings(derandomize=True, deadline=None, max_examples=300, database=None)
@given(nights(ANYHOW), st.sampled_from([load_criterion(name) for name in criterion_ids()]))
@pytest.mark.shows("wrong-count")
def test_both_scorers_find_the_same_events_under_every_published_criterion(night, criterion):
    agree(night, criterion)


def night_with_a_hole(seconds: float):
    """A contraction of 4 s of which a part is missing, and 0.25 s more in which the filter settles."""
    signal_uv = emg(np.random.default_rng(1), 80 * RATE) * 120.0
    signal_uv[: 40 * RATE] /= 60
    signal_uv[44 * RATE :] /= 60
    signal_uv[41 * RATE : 41 * RATE + round(seconds * RATE)] = np.nan
    return score_night(
        from_array(signal_uv[None], RATE, MASSETERS[:1]), reference(MASSETERS[:1], 200.0), PARENT
    )


def test_a_burst_goes_on_over_short_lost_time_that_it_runs_into_and_out_of():
    night = night_with_a_hole(0.2)
    assert len(night.bursts[0]) == len(night.merged) == 1
    assert night.bursts[0].cut.tolist() == [True]
    assert [stage.KINDS[k] for k in night.merged.kind] == ["tonic"]
    assert "edge" in night.episodes.flags[0]


def test_longer_lost_time_ends_a_burst_but_not_its_episode():
    night = night_with_a_hole(0.4)
    assert len(night.bursts[0]) == len(night.merged) == 2
    assert night.bursts[0].cut.tolist() == [True, True]
    assert [stage.KINDS[k] for k in night.merged.kind] == ["phasic", "tonic"]
    assert len(night.episodes) == 1
    assert "edge" in night.episodes.flags[0]
