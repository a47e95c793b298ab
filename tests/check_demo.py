"""``python -m tests.check_demo DIR``: the scored nights of a demo study against their own truth.

Every true episode whose time was usable must be found once, with its kind, and nothing else. Prints a
line a night, then whether the comparison's intervals hold the true ratios and its sentences are allowed;
exits with 1 where something differs.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

from sleepbrux.analysis.comparison.fixing import load_record, record_path
from sleepbrux.archive.file import load_night
from sleepbrux.core.matching import match_events
from sleepbrux.core.spans import Spans
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.synth.study import load_scenario


def check(folder: Path, night_id: str) -> bool:
    night = load_night(folder / "results" / f"{night_id}.night.h5")
    truth = json.loads((folder / f"{night_id}.truth.json").read_text("utf-8"))
    valid, table = night.selection.valid, night.episodes
    grid = valid.grid
    expected = []
    for episode in truth["episodes"]:
        span = (grid.slot_at(episode["start_s"] - 0.2), grid.slot_at(episode["stop_s"] + 0.2))
        if (Spans.of(grid, [span]) - valid).n_slots == 0:
            expected.append((episode["start_s"], episode["stop_s"], episode["kind"]))
    found = [
        (grid.seconds(table.starts[k]), grid.seconds(table.stops[k]), KINDS[table.kind[k]])
        for k in night.selection.episodes
    ]
    times = [np.array([e[:2] for e in events], dtype=float).reshape(-1, 2) for events in (expected, found)]
    pairs = match_events(*times)
    kinds = sum(expected[a][2] != found[b][2] for a, b in pairs.pairs)
    cut = [found[i] for i in set(range(len(found))) - set(pairs.pairs[:, 1].tolist())]
    false = [f for f in cut if not any(f[0] < e["stop_s"] and f[1] > e["start_s"] for e in truth["episodes"])]
    print(
        f"{night_id}: {len(expected)} true episodes in usable time, {pairs.missed} missed, "
        f"{len(false)} false, {kinds} of another kind"
    )
    return pairs.missed == 0 and not false and kinds == 0


def check_comparison(folder: Path) -> bool:
    """Whether the stated intervals hold the true ratios, and no sentence says what is not so."""
    table = json.loads((folder / "results" / "study.comparison.json").read_text("utf-8"))
    true = {c.name: c.effect for c in load_scenario().condition}
    right = True
    for contrast in table["comparison"]["contrasts"]:
        ratio, verdict = contrast["ratio"], contrast["verdict"]
        truth = true[contrast["condition"]] / true[contrast["against"]]
        allowed = {
            "lower": truth < 1,
            "higher": truth > 1,
            "no more than a quarter less or a third more": 0.75 <= truth <= 4 / 3,
            "cannot tell yet": True,
            "described, not tested": True,
        }[verdict]
        holds = ratio["low"] <= truth <= ratio["high"]
        print(
            f"{contrast['condition']} / {contrast['against']}: {ratio['low']:.2f} to {ratio['high']:.2f} "
            f'{"holds" if holds else "MISSES"} the true {truth:.2f}; "{verdict}" is '
            f"{'allowed' if allowed else 'WRONG'}"
        )
        right &= holds and allowed
    return right


def check_fixing(folder: Path) -> bool:
    """Outcome, criterion and design must be on record from before the first night was scored."""
    record = load_record(record_path(folder / "study.toml"))
    fine = bool(record.entries) and record.entries[0].scored == 0 and record.broken_at is None
    print(f"{'ok' if fine else 'WRONG'}: outcome and design recorded before the first night was scored")
    return fine


def main(folder: Path) -> int:
    nights = sorted(p.name.removesuffix(".night.h5") for p in (folder / "results").glob("*.night.h5"))
    right = [check(folder, night) for night in nights]
    print(f"{sum(right)} of {len(right)} nights agree with their truth")
    compared = check_comparison(folder)
    fixed = check_fixing(folder)
    return 0 if right and all(right) and compared and fixed else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
