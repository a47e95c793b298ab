"""Which file a slice mutates, and the quick tests that are nearest to it, the quickest first."""

from __future__ import annotations

ROOMS: dict[str, tuple[str, tuple[str, ...]]] = {
    "spans": ("sleepbrux/core/spans.py", ("tests/core/test_spans_by_hand.py",)),
    "identity": ("sleepbrux/archive/identity.py", ("tests/archive/test_identity.py",)),
    "episodes": ("sleepbrux/scoring/episodes.py", ("tests/scoring/test_episodes.py",)),
    "bursts": ("sleepbrux/scoring/bursts.py", ("tests/scoring/test_bursts_by_hand.py",)),
    "uncertainty": ("sleepbrux/scoring/uncertainty.py", ("tests/scoring/test_uncertainty.py",)),
    "levels": (
        "sleepbrux/reference/levels.py",
        ("tests/reference/test_levels_and_trials.py",),
    ),
    "verdict": (
        "sleepbrux/analysis/comparison/verdict.py",
        ("tests/analysis/comparison/test_sentences.py",),
    ),
    "journal": (
        "sleepbrux/archive/journal/decision_state.py",
        ("tests/archive/journal/test_reviewed_night.py",),
    ),
    "measures": ("sleepbrux/scoring/measures.py", ("tests/scoring/test_night.py",)),
}
MORE: dict[str, tuple[str, ...]] = {
    "spans": ("tests/core/test_spans.py",),
    "bursts": ("tests/criteria/test_edges.py", "tests/scoring/test_possible_counts.py"),
}
"""Slower tests that belong to a room all the same: coverage counts them, a mutant does not wait for them."""
