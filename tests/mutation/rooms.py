"""Which file a slice mutates, and the quick tests that are nearest to it, the quickest first."""

from __future__ import annotations

ROOMS: dict[str, tuple[str, tuple[str, ...]]] = {
    "spans": ("sleepbrux/core/spans.py", ("tests/core/test_spans_by_hand.py",)),
    "identity": ("sleepbrux/archive/identity.py", ("tests/archive/test_identity.py",)),
    "episodes": ("sleepbrux/scoring/episodes.py", ("tests/scoring/test_episodes.py",)),
}
