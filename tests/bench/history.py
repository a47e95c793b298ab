"""What the benchmark measured before: one line of JSON a run in ``history.jsonl``, the last one last."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypedDict

from tests.bench.measure import Run, median

HISTORY = Path(__file__).with_name("history.jsonl")
WORSE = 1.1


class Kept(TypedDict):
    """One run: its date and load, and each task's times as multiples of those of the bare pass."""

    about: str
    wall: dict[str, float]
    cpu: dict[str, float]
    peak_mb: dict[str, float]


def kept(about: str, found: Mapping[str, Sequence[Run]]) -> Kept:
    """A run as the history holds it: ratios, since seconds of two days do not compare."""
    known = {name: runs for name, runs in found.items() if runs}
    times: dict[str, dict[str, float]] = {}
    for kind in ("wall_s", "cpu_s"):
        base = median(known["a"], kind)
        times[kind] = {
            name: round(median(runs, kind) / base, 2) for name, runs in known.items() if name != "a"
        }
    peaks = {name: round(median(runs, "peak_mb")) for name, runs in known.items()}
    return Kept(about=about, wall=times["wall_s"], cpu=times["cpu_s"], peak_mb=peaks)


def last(path: Path = HISTORY) -> Kept | None:
    """The last run of the history; None where it has none."""
    lines = path.read_text("utf-8").splitlines() if path.is_file() else []
    return json.loads(lines[-1]) if lines else None


def keep(run: Kept, path: Path = HISTORY) -> None:
    """Add a run to the history."""
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(run) + "\n")


def worse(now: Kept, before: Kept | None) -> list[str]:
    """A sentence for each ratio that is worse by a tenth or more than in the run before."""
    if before is None:
        return []
    words = {"wall": "times the bare pass", "cpu": "times its processor time", "peak_mb": "MB at most"}
    return [
        f"worse by a tenth or more: ({name}) {now[kind][name]:g} {what}, {before[kind][name]:g} in the run before "
        f"({before['about']})"
        for kind, what in words.items()
        for name in now[kind]
        if name in before[kind] and now[kind][name] >= WORSE * before[kind][name]
    ]
