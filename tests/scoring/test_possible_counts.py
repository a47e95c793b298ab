"""What lost time could change: every filling of small nights is counted by the plain scorer."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.scoring.bursts import in_pieces, over_lost
from sleepbrux.scoring.episodes import Episodes, group_episodes
from sleepbrux.scoring.measures import Selection, select
from sleepbrux.scoring.possible_counts import PossibleCounts, possible_counts
from sleepbrux.scoring.sides import CombinedBursts, combine_sides
from tests import lost_time_table, naive
from tests.criteria.tables import burst_table
from tests.lost_time_table import DAMAGE

pytestmark = pytest.mark.shows("lost-as-silence")

SLOT = Fraction(1, 4)
PARENT = load_criterion("lavigne1996")
MOST_LOST = 7

# limits of a few slots, so that a few lost slots can hold, join, part and complete episodes
SMALL: dict[str, Any] = {
    "burst.minimum_s": st.sampled_from([0.25, 0.5, 0.0]),
    "burst.phasic_maximum_s": st.sampled_from([0.75, 1.0]),
    "burst.bridge_s": st.sampled_from([0.0, 0.25]),
    "burst.types": st.sampled_from([True, True, True, False]),
    "episode.gap_s": st.sampled_from([1.0, 0.75, 1.5]),
    "episode.gap_inclusive": st.booleans(),
    "episode.gap_clock": st.sampled_from(["offset_to_onset"] * 4 + ["onset_to_onset"]),
    "episode.gap_free_of": st.sampled_from(["qualifying_bursts", "any_activity"]),
    "episode.minimum_phasic_bursts": st.sampled_from([3, 2, 1]),
    "episode.two_tonic": st.sampled_from(["one_episode"] * 4 + ["separate"]),
    "episode.at_edges": st.sampled_from(["flag"] * 4 + ["drop"]),
    "episode.regular": st.sampled_from([False, False, True]),
    "episode.regular_minimum_s": st.sampled_from([0.0, 0.75]),
    "episode.regular_maximum_s": st.sampled_from([1.5, 3.0]),
    "sides.combine": st.sampled_from(["any", "any", "both"]),
}
rules = st.tuples(*SMALL.values()).map(
    lambda drawn: PARENT.derive(dict(zip(SMALL, drawn, strict=True)), new_id="small")
)


@st.composite
def nights(draw: st.DrawFn) -> tuple[list[str], tuple[int, int]]:
    """One or two channels, a sign a slot (active, silent, lost), and the analysed window."""
    n_channels = draw(st.sampled_from([1, 1, 2]))
    rows = []
    for _ in range(n_channels):
        parts = draw(
            st.lists(st.tuples(st.sampled_from("##..??"), st.integers(1, 5)), min_size=4, max_size=12)
        )
        rows.append("".join(sign * n for sign, n in parts))
    n = max(map(len, rows))
    margin = draw(st.sampled_from([8, 8, 8, 0]))
    rows = ["." * margin + row.ljust(n, ".") + "." * margin for row in rows]
    left, whole = MOST_LOST, []
    for row in rows:
        kept = []
        for sign in row:
            left -= sign == "?"
            kept.append("." if sign == "?" and left < 0 else sign)
        whole.append("".join(kept))
    length = len(whole[0])
    first = draw(st.sampled_from([0, 0, 0, length // 3]))
    return whole, (first, length - draw(st.sampled_from([0, 0, 0, length // 4])))


def runs(row: str, sign: str) -> list[tuple[int, int]]:
    """(start, stop) of the runs of a sign."""
    edges = [k for k in range(len(row) + 1) if row[k - 1 : k] != row[k : k + 1] or k == 0]
    return [(a, b) for a, b in zip(edges, [*edges[1:], len(row)], strict=True) if row[a : a + 1] == sign]


def counted(rows: list[str], valid: list[tuple[Fraction, Fraction]], criterion: Any) -> int:
    """Episodes with an onset in valid time of a night without lost time, by the plain scorer."""
    bridge, end = naive.decimal(criterion.burst.bridge_s), len(rows[0]) * SLOT
    channels = [
        [
            naive.Burst(a, b)
            for a, b in naive.united([(a * SLOT, b * SLOT) for a, b in runs(row, "#")], bridge)
        ]
        for row in rows
    ]
    whole = [[(Fraction(0), end)]] * len(rows)
    night = naive.merge(channels, criterion)
    found = naive.group(night, channels, whole, [], end, criterion)
    return sum(any(a <= e.start < b for a, b in valid) for e in found)


def fillings(rows: list[str]) -> list[list[str]]:
    """The night with every lost slot active or silent, all ways."""
    lost = [(k, t) for k, row in enumerate(rows) for t, sign in enumerate(row) if sign == "?"]
    ways = []
    for signs in product("#.", repeat=len(lost)):
        filled = [list(row) for row in rows]
        for (k, t), sign in zip(lost, signs, strict=True):
            filled[k][t] = sign
        ways.append(["".join(row) for row in filled])
    return ways


def small(rows: list[str], criterion: Any) -> tuple[CombinedBursts, Episodes, CombinedBursts]:
    """Bursts and episodes of a small night, and what was seen of the bursts."""
    grid = Grid(SLOT, len(rows[0]))
    known = [~Spans.of(grid, runs(row, "?")) for row in rows]
    bridge = int(naive.decimal(criterion.burst.bridge_s) / SLOT)
    tables = []
    for row, seen in zip(rows, known, strict=True):
        spans = over_lost(Spans.of(grid, runs(row, "#")).join(bridge), ~seen)
        cut = spans.meet((~seen).grow(1)).tolist()
        tables.append(burst_table(spans.bounds.tolist(), grid, criterion, cut=cut))
    nothing = [None] * len(tables)
    merged = combine_sides(tables, criterion, nothing, known=known)
    episodes = group_episodes(merged, criterion.episode, types=criterion.burst.types, clipped=grid.none())
    parts = [in_pieces(b, k, criterion.burst) for b, k in zip(tables, known, strict=True)]
    return merged, episodes, combine_sides(parts, criterion, nothing, known=known)


def chosen_of(
    merged: CombinedBursts, episodes: Episodes, window: tuple[int, int], criterion: Any
) -> Selection:
    """What of a small night counts."""
    return select(
        merged,
        episodes,
        Spans.of(merged.grid, [window]),
        Spans.of(merged.grid, merged.known),
        "small",
        drop_cut=criterion.episode.at_edges == "drop",
    )


def judged(
    rows: list[str], window: tuple[int, int], criterion: Any
) -> tuple[PossibleCounts, int, list[tuple[Fraction, Fraction]]]:
    """Bounds and count of a small night, and its valid time."""
    merged, episodes, pieces = small(rows, criterion)
    selection = chosen_of(merged, episodes, window, criterion)
    valid = [(a * SLOT, b * SLOT) for a, b in selection.valid.bounds.tolist()]
    return possible_counts(selection, episodes, pieces, criterion), len(selection.episodes), valid


# Every filling of small nights


@settings(derandomize=True, deadline=None, max_examples=250, database=None, phases=[Phase.generate])
@given(nights(), rules)
def test_no_filling_of_lost_time_gives_fewer_or_more_episodes(night, criterion):
    rows, window = night
    bounds, count, valid = judged(rows, window, criterion)
    counts = [counted(filled, valid, criterion) for filled in fillings(rows)]
    assert bounds.least <= min(counts)
    assert max(counts) <= bounds.most
    assert bounds.least <= count <= bounds.most


def test_the_least_is_met_by_a_filling_in_19_nights_of_20_and_the_most_in_4_of_5():
    rng, exact = random.Random(5), []
    rule = PARENT.derive(
        {"burst.bridge_s": 0.25, "burst.phasic_maximum_s": 1.0, "episode.gap_s": 1.5},
        new_id="small",
    )
    while len(exact) < 80:
        row = "".join(rng.choice("##..?") * rng.randint(1, 5) for _ in range(12))
        if not 3 <= row.count("?") <= MOST_LOST:
            continue
        rows = ["." * 8 + row + "." * 8]
        bounds, _, valid = judged(rows, (0, len(rows[0])), rule)
        counts = [counted(filled, valid, rule) for filled in fillings(rows)]
        assert min(counts) - 1 <= bounds.least <= bounds.most <= max(counts) + 1
        exact.append((bounds.least == min(counts), bounds.most == max(counts)))
    least, most = np.mean(exact, axis=0)
    assert least >= 0.95
    assert most >= 0.8


def test_the_most_lets_no_two_episodes_begin_nearer_than_one_can_end_and_a_pause_follow():
    rule = PARENT.derive(
        {
            "burst.minimum_s": 0.25,
            "burst.bridge_s": 0.25,
            "burst.types": False,
            "episode.gap_s": 1.0,
            "episode.gap_inclusive": False,
            "episode.gap_free_of": "any_activity",
            "episode.minimum_phasic_bursts": 1,
        },
        new_id="small",
    )
    row = "........##..#????......???.###........"
    bounds, _, valid = judged([row], (0, len(row)), rule)
    assert bounds.most == max(counted(filled, valid, rule) for filled in fillings([row])) == 2


# The rule, clause by clause: a slot is 0.25 s, and a pause of 3 s, twelve slots, ends an episode

SILENCE = "." * 16
RULES = load_criterion("phasic_tonic_10mvc")


def episodes_in(*rows: str, criterion: Any = RULES) -> list[tuple[int, tuple[str, ...]]]:
    """Count of bursts and flags of each episode, silence before and after."""
    _, found, _ = small([SILENCE + row + SILENCE for row in rows], criterion)
    return list(zip(found.n_bursts.tolist(), found.flags, strict=True))


def test_lost_time_shorter_than_the_pause_does_not_end_an_episode():
    assert episodes_in("##..##" + "?" * 11 + "##..##") == [(4, ("edge",))]


def test_lost_time_as_long_as_the_pause_ends_it_and_both_are_flagged():
    part = "##..##..##"
    assert episodes_in(part + "?" * 12 + part) == [(3, ("edge",)), (3, ("edge",))]


def test_the_clock_of_the_pause_stands_still_in_lost_time():
    part = "##..##..##"
    assert episodes_in(part + "....." + "????" + "......" + part) == [(6, ("edge",))]
    assert len(episodes_in(part + "......" + "????" + "......" + part)) == 2


def test_lost_time_with_no_room_for_a_burst_is_silence():
    # a burst lasts 0.25 s or more here, half a slot has no room for it; two slots have
    part, longer = "##..##..##", RULES.derive({"burst.minimum_s": 0.5, "burst.bridge_s": 0.0})
    assert len(episodes_in(part + "......" + "?" + "......" + part, criterion=longer)) == 2
    assert len(episodes_in(part + "....." + "??" + "......" + part, criterion=longer)) == 1


def test_two_bursts_and_one_behind_a_hole_are_three():
    assert episodes_in("##..##..??..##") == [(3, ("edge",))]


def test_lost_time_between_two_bursts_raises_the_flag_though_it_touches_neither():
    assert episodes_in("##..##...?...##") == [(3, ("edge",))]


def test_lost_time_nearer_than_the_pause_raises_the_flag_and_farther_does_not():
    part = "##..##..##"
    assert episodes_in(part + "." * 11 + "?") == [(3, ("edge",))]
    assert episodes_in(part + "." * 12 + "?") == [(3, ())]


def test_a_burst_goes_on_over_half_a_second_that_it_runs_into_and_out_of():
    # nine slots are a tonic burst of 2.25 s
    assert episodes_in("###" + "??" + "####") == [(1, ("edge",))]
    assert episodes_in("###" + "???" + "####") == []


def test_a_burst_does_not_go_on_where_it_was_seen_to_end():
    assert episodes_in("####" + "??" + "." + "####", criterion=RULES) == []


def test_where_any_side_counts_one_side_may_be_lost_while_the_other_is_active():
    assert episodes_in("##..##..??..##..##", "##..##..##..##..##") == [(5, ())]
    assert episodes_in("##..##..????##..##", "##..##..##..##..##") == [(5, ("edge",))]


def test_where_any_side_counts_a_lost_side_leaves_a_silence_unknown():
    part = "##..##..##"
    lost = part + "." * 6 + "????" + "." * 5 + part
    assert episodes_in(lost, lost.replace("?", ".")) == [(6, ("edge",))]


def test_where_both_sides_are_asked_for_the_silence_of_one_is_enough():
    both = RULES.derive({"sides.combine": "both"})
    part = "##..##..##"
    lost = part + "." * 6 + "????" + "." * 5 + part
    assert len(episodes_in(lost, lost.replace("?", "."), criterion=both)) == 2
    assert len(episodes_in(lost, lost.replace("?", "#"), criterion=both)) == 1


def count_of(*rows: str, criterion: Any = RULES) -> tuple[int, int, int]:
    """Least, counted, most."""
    whole = [SILENCE + row + SILENCE for row in rows]
    bounds, count, _ = judged(whole, (0, len(whole[0])), criterion)
    return bounds.least, count, bounds.most


def test_without_lost_time_near_an_episode_nothing_could_be_otherwise():
    assert count_of("##..##..##" + "." * 12 + "?" * 20) == (1, 1, 1)


def test_two_bursts_may_have_gone_on_in_lost_time():
    assert count_of("##..##.????") == (0, 0, 1)


def test_lost_time_too_short_to_complete_an_episode_cannot():
    assert count_of("##.?") == (0, 0, 0)


def test_an_episode_may_have_begun_in_the_lost_time_before_it():
    assert count_of("????.##..##..##") == (0, 1, 1)


def test_what_was_active_at_the_end_of_lost_time_is_not_counted_but_may_have_begun_then():
    assert count_of("????##..##..##") == (0, 0, 1)


def test_two_episodes_with_lost_time_between_may_have_been_one():
    part = "##..##..##"
    assert count_of(part + "." * 8 + "????" + "." * 8 + part) == (1, 2, 2)


def test_an_episode_that_lost_time_may_have_joined_is_certain_where_its_onset_is():
    assert count_of("##..##..##..????") == (1, 1, 1)


def test_bursts_that_lost_time_may_unite_are_not_certainly_three():
    assert count_of("##..##???#") == (0, 1, 1)


def test_a_rule_that_drops_what_lost_time_cuts_has_no_certain_episode_there():
    drop = RULES.derive({"episode.at_edges": "drop"})
    assert count_of("##..##..##..????", criterion=drop) == (0, 0, 1)


def test_lost_time_of_one_side_is_no_doubt_where_the_other_side_settles_it():
    both = RULES.derive({"sides.combine": "both"})
    lost = "##..##..##" + "????" + "##"
    assert count_of(lost, lost.replace("?", "."), criterion=both) == (1, 1, 1)


@pytest.mark.parametrize("name", criterion_ids())
def test_the_count_lies_between_the_bounds_under_every_published_rule(name):
    rule, rng = load_criterion(name), np.random.default_rng(3)
    for _ in range(20):
        rows = [
            SILENCE + "".join(rng.choice(list("##...?")) * int(rng.integers(1, 9)) for _ in range(60))
            for _ in range(2)
        ]
        length = max(map(len, rows))
        whole = [row.ljust(length, ".") + SILENCE for row in rows]
        bounds, count, _ = judged(whole, (0, len(whole[0])), rule)
        assert bounds.least <= count <= bounds.most


# Signals: the same night with and without short losses


@pytest.fixture(scope="module")
def damaged():
    rows: dict[str, lost_time_table.Row] = {}
    for seed in (21, 22):
        found = lost_time_table.measured(seed, ["phasic_tonic_10mvc"], tuple(DAMAGE), 1.25)
        for (kind, _), row in found.items():
            rows[kind] = rows.get(kind, lost_time_table.Row()) + row
    return rows


@pytest.mark.parametrize("kind", DAMAGE)
def test_short_losses_leave_the_index_of_what_began_in_view(damaged, kind):
    row = damaged[kind]
    assert row.clean >= 55
    assert row.valid_h < row.hours or "pop" in kind  # a pop is repaired and need lose no time
    assert abs(row.counted - row.in_view) <= 2


@pytest.mark.parametrize("kind", DAMAGE)
def test_a_night_with_short_losses_says_how_far_its_index_may_be_off(damaged, kind):
    row = damaged[kind]
    assert row.least <= row.in_view <= row.most
    assert row.least / row.valid_h <= row.clean / row.hours <= row.most / row.valid_h
