"""What is told of a measured room: its shares, and each line and branch that no test took."""

from __future__ import annotations

from tests.coverage.__main__ import ROOT, belonging, never_run, row
from tests.mutation.rooms import MORE, ROOMS

FOUND = {
    "summary": {
        "covered_lines": 8,
        "num_statements": 10,
        "covered_branches": 3,
        "num_branches": 6,
        "percent_covered": 68.75,
    },
    "missing_lines": [4, 9],
    "missing_branches": [[3, 4], [6, -1], [7, 8]],
}


def test_lines_are_named_and_branches_that_do_not_follow_from_them():
    assert never_run(FOUND) == ["line 4", "line 9", "branch 6 to the end", "branch 7 to 8"]
    assert row("spans", FOUND) == "| spans | sleepbrux/core/spans.py | 8 of 10 | 3 of 6 | 68.8 |"


def test_every_test_that_belongs_to_a_room_is_there():
    assert MORE.keys() <= ROOMS.keys()
    assert all((ROOT / name).is_file() for room in ROOMS for name in belonging(room))
