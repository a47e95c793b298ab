"""Two scorings compared: matching, time known to both, and a human-like scorer made by jitter."""

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.analysis.agreement.compare import NONE, compare, pair, slot_table
from sleepbrux.analysis.agreement.scorings import Scoring, of_rows, spans_of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.matching import match_events

HOUR = 3600.0
KINDS = ("phasic", "tonic", "mixed")


def scoring(events, kinds=None, known=((0.0, HOUR),), night="n", **more):
    events = np.array(events, dtype=float).reshape(-1, 2)
    options = {"who": "x", "origin": "human", "input_sha256": "", "person": "", "level": "episode"}
    return Scoring(
        night=night,
        events=events,
        kinds=tuple(kinds or ["phasic"] * len(events)),
        known=spans_of(list(known)),
        **(options | more),
    )


def truth(seed=0, n=60, hours=8.0):
    """Episodes of 2 to 20 s, apart from each other."""
    rng = np.random.default_rng(seed)
    starts = np.sort(rng.choice(np.arange(60, int(hours * 3600) - 60, 40), n, replace=False))
    starts = starts + rng.uniform(0, 10, n)
    return np.stack((starts, starts + rng.uniform(2, 20, n)), axis=1), [
        KINDS[k] for k in rng.integers(0, 3, n)
    ]


def human(events, kinds, rng, *, edge_s=0.0, miss=0.0, extra=0, confuse=0.0, hours=8.0):
    """A scorer who sees the truth blurred: edges moved, events missed, added and mislabelled."""
    keep = rng.random(len(events)) >= miss
    moved = events[keep] + rng.normal(0, edge_s, (int(keep.sum()), 2))
    moved[:, 1] = np.maximum(moved[:, 1], moved[:, 0] + 0.3)
    names = [
        str(rng.choice(KINDS)) if rng.random() < confuse else k
        for k, kept in zip(kinds, keep, strict=True)
        if kept
    ]
    more = rng.uniform(0, hours * 3600 - 60, extra)
    moved = np.concatenate((moved, np.stack((more, more + rng.uniform(2, 9, extra)), axis=1)))
    order = np.argsort(moved[:, 0])
    return np.maximum(moved[order], 0), [(names + ["phasic"] * extra)[i] for i in order]


def against(**blur):
    rows = []
    for seed in range(6):
        events, kinds = truth(seed)
        rng = np.random.default_rng(100 + seed)
        seen, names = human(events, kinds, rng, **blur)
        known = ((0.0, 8 * HOUR),)
        rows.append((scoring(events, kinds, known, f"n{seed}"), scoring(seen, names, known, f"n{seed}")))
    return compare(rows)[0]


def test_a_scorer_agrees_wholly_with_itself():
    found = against()
    assert all(f.f1.value == 1.0 for f in found.found)
    assert [s.kappa.value for s in found.slots] == [1.0, 1.0]
    assert found.kappa_kinds == 1.0
    assert all(d.mean == 0 for d in found.differences)
    assert found.limits.bias == 0


def test_agreement_falls_as_edges_are_jittered_more():
    """Jitter alone first costs overlap, then matches; onset spread comes out as it was put in."""
    found = [against(edge_s=s) for s in (0.1, 0.5, 2.0, 6.0)]
    kappas = [f.slots[0].kappa.value for f in found]
    ious = [f.found[1].f1.value for f in found]
    assert kappas == sorted(kappas, reverse=True)
    assert kappas[0] > 0.95
    assert kappas[-1] < 0.7
    assert ious == sorted(ious, reverse=True)
    assert ious[-1] < 0.95
    assert [f.differences[0].sd for f in found][:3] == pytest.approx([0.1, 0.5, 2.0], rel=0.12)
    assert all(f.found[0].f1.value >= f.found[1].f1.value for f in found)


@pytest.mark.parametrize("miss", [0.1, 0.3, 0.6])
def test_missed_events_cost_precision_of_a_and_nothing_else(miss):
    """A has all, B (the reference) misses some: A finds all of B's, but not all of A's are B's."""
    events = against(miss=miss).found[0]
    assert events.sensitivity.value == 1.0
    assert events.precision.value == pytest.approx(1 - miss, abs=0.06)
    assert events.precision.low <= 1 - miss <= events.precision.high


def test_added_events_cost_sensitivity_and_shift_the_index():
    found = against(extra=20)
    assert found.found[0].sensitivity.value == pytest.approx(60 / 80, abs=0.04)
    assert found.limits.bias == pytest.approx(-20 / 8, abs=0.3)
    assert found.limits.upper < 0


def test_mislabelled_events_cost_the_kappa_of_kinds_only():
    found = [against(confuse=c) for c in (0.1, 0.5, 1.0)]
    kinds = [f.kappa_kinds for f in found]
    assert kinds == sorted(kinds, reverse=True)
    assert abs(kinds[-1]) < 0.15
    assert all(f.found[0].f1.value == 1 for f in found)


def test_a_scorer_that_ignores_the_trace_agrees_by_chance_only():
    rng = np.random.default_rng(5)
    events, kinds = truth(1)
    other, _ = truth(77)
    found = compare([(scoring(events, kinds, ((0, 8 * HOUR),)), scoring(other, None, ((0, 8 * HOUR),)))])[0]
    assert abs(found.slots[0].kappa.value) < 0.06
    assert found.found[0].f1.value < 0.3
    del rng


lists = st.lists(
    st.tuples(st.integers(0, 60), st.integers(1, 15)).map(lambda p: (p[0], p[0] + p[1])),
    max_size=12,
).map(lambda e: np.array(e, dtype=float).reshape(-1, 2))


@settings(deadline=None, derandomize=True, max_examples=100)
@given(lists, lists)
def test_as_many_are_matched_by_iou_as_mir_eval_matches(reference, estimate):
    graph = {}
    for e, (c, d) in enumerate(estimate):
        for r, (a, b) in enumerate(reference):
            shared = min(b, d) - max(a, c)
            if shared > 0 and shared / (max(b, d) - min(a, c)) >= 0.2:
                graph.setdefault(e, []).append(r)
    expected = mir_eval.util._bipartite_match(graph) if graph else {}
    assert match_events(reference, estimate, least_share=0.2).found == len(expected)


def test_only_time_known_to_both_counts():
    a = scoring([[100, 110], [1000, 1010], [2000, 2010]], known=((0, 1500), (1900, 3000)))
    b = scoring([[100, 110], [2900, 2910], [3200, 3210]], known=((50, 2950), (3100, 3300)))
    found, (p,) = compare([(a, b)])
    assert p.hours == pytest.approx((1450 + 1050) / 3600)
    assert (found.nights[0].a, found.nights[0].b) == (3, 2)
    assert p.left_out == (0, 1)
    assert found.slots[0].table == ((2470, 10), (20, 10)) or sum(map(sum, found.slots[0].table)) == 2500


def test_unscored_is_not_nothing():
    a = scoring([[100, 110], [200, 210]])
    rows = [(100.0, 110.0, "phasic")]
    with pytest.raises(UsageError, match="unscored is not the same as nothing found"):
        of_rows(rows, night="n", who="f.csv", level="episode", mapping={}, scored=None)
    half = of_rows(
        [(0.0, 150.0, "scored"), *rows], night="n", who="f", level="episode", mapping={}, scored=None
    )
    assert compare([(a, half)])[0].found[0].only_a == 0
    all_of_it = of_rows(rows, night="n", who="f", level="episode", mapping={}, scored=[(0, HOUR)])
    assert compare([(a, all_of_it)])[0].found[0].only_a == 1
    without = of_rows(
        [*rows, (190.0, 220.0, "not scored")],
        night="n",
        who="f",
        level="episode",
        mapping={},
        scored=[(0, HOUR)],
    )
    assert compare([(a, without)])[0].found[0].only_a == 0


def test_no_shared_time_is_an_error():
    a, b = scoring([], known=((0, 10),)), scoring([], known=((20, 30),))
    with pytest.raises(UsageError, match="no time is known to both"):
        pair(a, b)


def test_slots_by_the_definition():
    p = pair(scoring([[10.0, 10.6], [20.4, 22.4]]), scoring([[10.0, 10.4], [21.0, 22.0]]))
    seconds = slot_table(p, 1, least_share=0.5)
    # A: seconds 10, 20 and 21; B: second 21
    assert seconds.tolist() == [[3597, 0], [2, 1]]
    epochs = slot_table(p, 30, least_share=0.0)
    assert epochs.tolist() == [[119, 0], [0, 1]]


def test_the_confusion_names_what_only_one_side_has():
    a = scoring([[0, 5], [10, 15], [20, 25]], ["phasic", "tonic", "mixed"])
    b = scoring([[0, 5], [11, 14], [40, 45]], ["phasic", "phasic", "tonic"])
    found = compare([(a, b)])[0]
    assert found.kinds == ("phasic", "tonic", "mixed", NONE)
    assert found.confusion == ((1, 0, 0, 0), (1, 0, 0, 0), (0, 0, 0, 1), (0, 1, 0, 0))


def test_nothing_found_by_either_is_agreement_on_absence_only():
    found = compare([(scoring([]), scoring([]))])[0]
    assert found.found[0].f1.value is None
    assert found.slots[0].kappa.value is None
    assert found.slots[0].on_absence == 1.0


def test_the_page_says_whether_intervals_are_over_persons_or_what_is_assumed():
    def rows(persons):
        return [
            (
                scoring([[0, 5]] * (2 + k), night=f"n{k}", person=person),
                scoring([[0, 5]] * (1 + k % 3), night=f"n{k}", person=person),
            )
            for k, person in enumerate(persons)
        ]

    unknown = compare(rows([""] * 6))[0]
    assert "do not say whose nights these are" in unknown.notes[0]
    assert unknown.limits.persons is None
    assert "nights resampled" in unknown.found[0].sensitivity.meaning
    known = compare(rows(["A", "A", "B", "B", "C", "C"]))[0]
    assert "Intervals are over 3 persons" in known.notes[0]
    assert known.limits.persons == 3
    assert "3 persons resampled with all their nights" in known.found[0].sensitivity.meaning
    one = compare(rows(["A"] * 6))[0]
    assert "All nights are of one person" in one.notes[0]
    few = compare(rows(["A", "A", "B"]))[0]
    assert all(i.low is None for i in few.indices)


def test_index_agreement_needs_three_nights_and_classes_are_asked_for():
    one = compare([(scoring([[0, 5]]), scoring([[0, 5]]))])[0]
    assert one.indices == ()
    assert "three are the least" in one.no_indices
    assert one.classes is None
    rows = [(scoring([[0, 5]] * k, night=f"n{k}"), scoring([[0, 5]], night=f"n{k}")) for k in (1, 2, 3)]
    found = compare(rows, cut_off_per_h=2.0)[0]
    assert (found.classes.both, found.classes.only_a, found.classes.neither) == (0, 2, 1)
    assert "nights" in found.classes.of
    assert any("laboratory" in text for text in found.classes.cautions)
    persons = [
        (scoring([[0, 5]] * k, night=f"n{k}", person="P"), b)
        for k, (_, b) in zip((1, 2, 3), rows, strict=True)
    ]
    pooled = compare(persons, cut_off_per_h=2.0)[0].classes
    assert (pooled.only_a, pooled.neither) == (1, 0)
    assert pooled.of.startswith("persons")
