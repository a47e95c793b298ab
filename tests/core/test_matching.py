"""Events are matched one to one, as many as can be."""

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.core.matching import match_events

events = st.lists(
    st.tuples(st.integers(0, 60), st.integers(1, 15)).map(lambda p: (p[0], p[0] + p[1])),
    max_size=12,
).map(lambda e: np.array(e, dtype=float).reshape(-1, 2))


@pytest.mark.shows("outside-matching")
@settings(deadline=None, derandomize=True, max_examples=300)
@given(events, events)
def test_as_many_are_matched_as_by_mir_eval(reference, estimate):
    def overlaps(ref, est):
        return np.array([[min(r[1], e[1]) - max(r[0], e[0]) for e in est] for r in ref]).reshape(
            len(ref), len(est)
        )

    hits = np.nonzero(overlaps(reference, estimate) > 0)
    graph = {}
    for r, e in zip(*hits, strict=True):
        graph.setdefault(int(e), []).append(int(r))
    expected = mir_eval.util._bipartite_match(graph) if graph else {}
    found = match_events(reference, estimate)
    assert found.found == len(expected)
    assert found.found + found.missed == len(reference)
    assert found.found + found.false == len(estimate)
    for r, e in found.pairs:
        assert min(reference[r][1], estimate[e][1]) > max(reference[r][0], estimate[e][0])
    assert len(set(found.pairs[:, 0].tolist())) == len(set(found.pairs[:, 1].tolist())) == found.found


def test_two_detections_near_one_event_are_one_hit_and_one_false():
    found = match_events(np.array([[0.0, 10.0]]), np.array([[0.0, 4.0], [5.0, 10.0]]))
    assert (found.found, found.missed, found.false) == (1, 0, 1)


def test_a_greedy_choice_does_not_cost_a_match():
    reference = np.array([[0.0, 10.0], [9.0, 20.0]])
    estimate = np.array([[8.0, 12.0], [0.0, 5.0]])
    assert match_events(reference, estimate).found == 2


def test_the_least_share_is_intersection_over_union():
    reference, estimate = np.array([[0.0, 10.0]]), np.array([[8.0, 18.0]])  # 2 of 18
    assert match_events(reference, estimate, least_share=0.1).found == 1
    assert match_events(reference, estimate, least_share=0.12).found == 0


def test_touching_is_not_overlapping_and_nothing_matches_nothing():
    assert match_events(np.array([[0.0, 1.0]]), np.array([[1.0, 2.0]])).found == 0
    assert match_events(np.empty((0, 2)), np.array([[1.0, 2.0]])).false == 1
