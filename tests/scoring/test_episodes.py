"""Episodes of small tables of bursts, in slots of 0.1 s, counted by hand."""

from __future__ import annotations

from fractions import Fraction

import msgspec
import numpy as np
import pytest

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import load_criterion
from sleepbrux.scoring.bursts import PHASIC, SHORT, TONIC
from sleepbrux.scoring.episodes import (
    EPISODE_MIXED,
    EPISODE_PHASIC,
    EPISODE_TONIC,
    EPISODE_UNCLASSIFIED,
    KINDS,
    group_episodes,
    least_pause,
    longest_regular_run,
    silent_chains,
    unseen,
)
from sleepbrux.scoring.sides import CombinedBursts

GRID = Grid(Fraction(1, 10), 1000)
LAVIGNE = load_criterion("lavigne1996").episode  # 3 s between bursts end an episode
NOWHERE = GRID.none()
LETTERS = {"p": PHASIC, "t": TONIC, "s": SHORT}


def rule(**changes):
    return msgspec.structs.replace(LAVIGNE, **changes)


def table(pairs, letters, *, unknown=(), known=((0, 1000),), activity=None, **columns):
    """Bursts from (start, stop) in slots and one letter each: phasic, tonic, short."""
    n = len(pairs)

    def spans(some):
        return np.array(some, dtype=np.int64).reshape(-1, 2)

    starts, stops = spans(pairs).T
    values = {
        "peak_pct_mvc": np.full(n, 50.0),
        "mean_pct_mvc": np.full(n, 30.0),
        "peak_uv": np.full(n, 100.0),
        "mean_uv": np.full(n, 60.0),
        "channels": np.ones(n, dtype=np.int64),
        "cut": np.zeros(n, dtype=bool),
    } | {name: np.array(column) for name, column in columns.items()}
    return CombinedBursts(
        grid=GRID,
        labels=("left", "right", "chin"),
        starts=starts,
        stops=stops,
        kind=np.array([LETTERS[k] for k in letters], dtype=np.int8),
        activity=spans(pairs if activity is None else activity),
        known=spans(known),
        unknown=spans(unknown),
        **values,
    )


def grouped(bursts, of=LAVIGNE, *, types=True, clipped=NOWHERE):
    return group_episodes(bursts, of, types=types, clipped=clipped)


def found(*args, **options):
    """Kind and bursts of each episode."""
    got = grouped(*args, **options)
    return [(KINDS[k], n) for k, n in zip(got.kind.tolist(), got.n_bursts.tolist(), strict=True)]


def row(n, *, at=200, length=5, pause=10):
    """As many bursts, the same pause after each."""
    return [(at + k * (length + pause), at + k * (length + pause) + length) for k in range(n)]


def test_kinds_have_their_names():
    codes = (EPISODE_PHASIC, EPISODE_TONIC, EPISODE_MIXED, EPISODE_UNCLASSIFIED)
    assert [KINDS[k] for k in codes] == ["phasic", "tonic", "mixed", "unclassified"]
    assert codes == (0, 1, 2, 3)


def test_three_phasic_bursts_are_an_episode_and_two_are_not():
    assert found(table(row(3), "ppp")) == [("phasic", 3)]
    assert found(table(row(4), "pppp")) == [("phasic", 4)]
    assert found(table(row(2), "pp")) == []
    assert found(table([], "")) == []
    assert len(grouped(table([], ""))) == 0
    assert len(grouped(table(row(3), "ppp"))) == 1


def test_a_tonic_burst_is_an_episode_and_with_a_phasic_one_it_is_mixed():
    assert found(table(row(1), "t")) == [("tonic", 1)]
    assert found(table(row(2), "tt")) == [("tonic", 2)]
    assert found(table(row(2), "tp")) == [("mixed", 2)]
    assert found(table(row(2), "pt")) == [("mixed", 2)]


@pytest.mark.parametrize(
    ("mixed", "letters", "kind", "flagged"),
    [
        ("one_of_each", "tp", "mixed", False),
        ("one_of_each", "tppp", "mixed", False),
        ("phasic_minimum", "tpp", "tonic", True),
        ("phasic_minimum", "tppp", "mixed", False),
        ("tonic_flagged", "tp", "tonic", True),
        ("tonic_flagged", "tppp", "tonic", True),
        ("tonic_flagged", "tt", "tonic", False),
        ("phasic_minimum", "ppp", "phasic", False),
    ],
)
def test_what_phasic_bursts_beside_a_tonic_one_make_is_the_rules(mixed, letters, kind, flagged):
    got = grouped(table(row(len(letters)), letters), rule(mixed=mixed))
    assert [KINDS[k] for k in got.kind] == [kind]
    assert got.flags == ((("phasic-bursts",) if flagged else ()),)


def test_without_types_the_count_of_bursts_decides():
    assert found(table(row(3), "ptp"), types=False) == [("unclassified", 3)]
    assert found(table(row(4), "pppp"), types=False) == [("unclassified", 4)]
    assert found(table(row(2), "tt"), types=False) == []


def test_short_bursts_neither_count_nor_belong():
    got = grouped(table(row(5), "pspsp"))
    assert got.n_bursts.tolist() == [3]
    assert got.of_burst.tolist() == [0, -1, 0, -1, 0]
    assert (got.starts.tolist(), got.stops.tolist()) == ([200], [265])
    assert found(table(row(2), "ss")) == []


def test_a_pause_of_exactly_the_limit_ends_an_episode_where_the_rule_says_so():
    assert least_pause(GRID, LAVIGNE) == 30
    assert least_pause(GRID, rule(gap_inclusive=False)) == 31
    for pause, n in [(29, 1), (30, 2), (31, 2)]:
        assert len(grouped(table(row(2, pause=pause), "tt"))) == n
    for pause, n in [(30, 1), (31, 2)]:
        assert len(grouped(table(row(2, pause=pause), "tt"), rule(gap_inclusive=False))) == n


def test_the_pause_runs_from_the_offset_or_from_the_onset():
    bursts = table([(200, 220), (235, 255), (260, 270)], "ttt")
    assert found(bursts) == [("tonic", 3)]
    assert found(bursts, rule(gap_clock="onset_to_onset")) == [("tonic", 1), ("tonic", 2)]


def test_two_tonic_bursts_are_one_episode_or_two():
    assert found(table(row(2), "tt"), rule(two_tonic="separate")) == [("tonic", 1), ("tonic", 1)]
    assert found(table(row(3), "tpt"), rule(two_tonic="separate")) == [("mixed", 3)]
    assert found(table(row(3), "ptt"), rule(two_tonic="separate")) == [("mixed", 2), ("tonic", 1)]
    assert found(table(row(2), "tp"), rule(two_tonic="separate")) == [("mixed", 2)]
    # a pause and two tonic bursts at one place begin one episode
    assert found(table(row(2, pause=40), "tt"), rule(two_tonic="separate")) == [("tonic", 1)] * 2


def test_any_activity_keeps_an_episode_going():
    bursts = table([(200, 220), (260, 280), (400, 420)], "ttt", activity=[(200, 220), (235, 240), (255, 285), (400, 420)])
    assert found(bursts) == [("tonic", 1)] * 3
    assert found(bursts, rule(gap_free_of="any_activity")) == [("tonic", 2), ("tonic", 1)]


def test_unseen_is_what_the_sides_say_or_what_is_neither_known_nor_active():
    bursts = table([(200, 220)], "t", unknown=[(1, 3)], known=[(10, 1000)], activity=[(5, 7), (200, 220)])
    assert unseen(bursts, LAVIGNE).bounds.tolist() == [[1, 3]]
    assert unseen(bursts, rule(gap_free_of="any_activity")).bounds.tolist() == [[0, 5], [7, 10]]


@pytest.mark.parametrize(
    ("pause", "lost", "n"),
    [
        (40, 5, 2),  # 35 of 40 were seen
        (40, 10, 2),  # 30: exactly the limit
        (40, 11, 1),  # 29
        (40, 29, 1),
        (40, 30, 2),  # the lost time could hold the pause
        (29, 29, 1),
        (60, 31, 2),
        (58, 29, 1),
    ],
)
def test_in_lost_time_the_clock_of_the_pause_stands_still(pause, lost, n):
    bursts = table(row(2, pause=pause), "tt", unknown=[(206, 206 + lost)] if lost < pause else [(205, 205 + lost)])
    assert len(grouped(bursts)) == n
    assert silent_chains(bursts, LAVIGNE).tolist() == [0, int(pause >= 30)]


def test_chains_as_if_lost_time_were_rest_leave_short_bursts_out():
    assert silent_chains(table(row(4, pause=20), "tsst"), LAVIGNE).tolist() == [0, 1]
    assert silent_chains(table([], ""), LAVIGNE).tolist() == []


def test_the_longest_regular_run_is_counted_within_both_limits():
    regular = rule(regular=True, regular_minimum_s=1.0, regular_maximum_s=2.0)
    runs = {
        (): 0,
        (5,): 1,
        (0, 10): 2,
        (0, 20): 2,
        (0, 9): 1,
        (0, 21): 1,
        (0, 10, 20, 50, 60): 3,
        (0, 10, 40, 50, 60, 70): 4,
        (0, 40, 80): 1,
    }
    for starts, longest in runs.items():
        assert longest_regular_run(np.array(starts, dtype=np.int64), regular, GRID) == longest
        assert longest_regular_run(np.array(starts, dtype=np.int64), LAVIGNE, GRID) == len(starts)
    assert found(table([(200, 205), (210, 215), (235, 240)], "ppp"), regular) == []
    assert found(table([(200, 205), (210, 215), (230, 235)], "ppp"), regular) == [("phasic", 3)]


def test_an_episode_says_where_it_is_and_what_it_holds():
    bursts = table(
        [(200, 204), (210, 211), (220, 226), (400, 430), (440, 444)],
        "pptpt"[:2] + "ptp",
        peak_pct_mvc=[50.0, 90.0, 70.0, 60.0, 40.0],
        mean_pct_mvc=[10.0, 40.0, 20.0, 30.0, 13.0],
        channels=[1, 2, 1, 4, 1],
    )
    got = grouped(bursts)
    assert got.grid == GRID
    assert got.starts.tolist() == [200, 400]
    assert got.stops.tolist() == [226, 444]
    assert got.kind.tolist() == [EPISODE_PHASIC, EPISODE_MIXED]
    assert got.kind.dtype == np.int8
    assert got.n_bursts.tolist() == [3, 2]
    assert got.n_phasic.tolist() == [3, 1]
    assert got.n_tonic.tolist() == [0, 1]
    assert got.peak_pct_mvc.tolist() == [90.0, 60.0]
    assert got.mean_pct_mvc.tolist() == [(4 * 10 + 40 + 6 * 20) / 11, (30 * 30 + 4 * 13) / 34]
    assert got.channels.tolist() == [3, 5]
    assert got.of_burst.tolist() == [0, 0, 0, 1, 1]
    assert got.flags == ((), ())


def test_what_makes_no_episode_has_no_number_and_the_next_one_has_the_first():
    got = grouped(table([*row(2), (400, 430), (500, 505), (600, 640)], "pptpt"))
    assert got.of_burst.tolist() == [-1, -1, 0, -1, 1]
    assert (got.starts.tolist(), got.stops.tolist()) == ([400, 600], [430, 640])


@pytest.mark.parametrize(
    ("pair", "edge"),
    [((29, 60), True), ((30, 60), False), ((900, 970), False), ((900, 971), True), ((200, 230), False)],
)
def test_an_episode_nearer_to_an_end_than_the_pause_lies_at_an_edge(pair, edge):
    assert grouped(table([pair], "t")).flags == ((("edge",) if edge else ()),)


@pytest.mark.parametrize(
    ("lost", "edge"),
    [((260, 262), False), ((259, 262), True), ((160, 170), False), ((160, 171), True), ((210, 212), True)],
)
def test_so_does_one_nearer_to_lost_time_or_with_lost_time_in_it(lost, edge):
    assert grouped(table([(200, 230)], "t", unknown=[lost])).flags == ((("edge",) if edge else ()),)


def test_a_cut_burst_lies_at_an_edge_and_flags_stand_in_their_order():
    got = grouped(
        table([(200, 230), (240, 245), (400, 430)], "tpt", cut=[False, True, False], peak_pct_mvc=[50.0, 201.0, 200.0]),
        rule(mixed="tonic_flagged"),
        clipped=Spans.of(GRID, [(229, 231)]),
    )
    assert got.flags == (("edge", "clipped", "above-200-mvc", "phasic-bursts"), ())


@pytest.mark.parametrize(
    ("rail", "clipped"),
    [((190, 200), False), ((190, 201), True), ((229, 240), True), ((230, 240), False), ((210, 211), True)],
)
def test_an_episode_is_clipped_where_it_shares_a_slot_with_the_rail(rail, clipped):
    got = grouped(table([(200, 230)], "t"), clipped=Spans.of(GRID, [(100, 110), rail, (300, 310)]))
    assert got.flags == ((("clipped",) if clipped else ()),)
