"""Whether decisions that stand in a file can have a meaning: alone, and for a night."""

from __future__ import annotations

import math
import re

from sleepbrux.archive.journal.model import LONGEST_TEXT, DamagedError, Entry
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS

EVENT = re.compile(r"(?:e|b|a|g|ga)[0-9]{1,7}")
ITEM = re.compile(r"[en][0-9]{1,7}")
LONGEST_ITEMS = 40_000
KINDS = {"", *EPISODE_KINDS, *BURST_KINDS}


def _is_span(entry: Entry) -> bool:
    a, b = entry.start_s, entry.stop_s
    return a is not None and b is not None and math.isfinite(a) and math.isfinite(b) and 0 <= a < b


def _wrong(entry: Entry) -> dict[str, bool]:
    """What would make a decision alone one that no review writes, and whether it is so."""
    action = entry.action
    spoken = (entry.reason, entry.kind, entry.target, entry.who, entry.at)
    on_event = action in ("accept", "reject", "relabel", "move")
    judged = ITEM.fullmatch(entry.target) is not None and entry.accepted is not None
    drawn = len(entry.items) <= LONGEST_ITEMS and all(map(ITEM.fullmatch, entry.items))
    return {
        f"a text of more than {LONGEST_TEXT} characters": max(map(len, spoken)) > LONGEST_TEXT,
        f"kind {entry.kind!r}": entry.kind not in KINDS,
        f"event {entry.target!r}": on_event and not EVENT.fullmatch(entry.target),
        f"item {entry.target!r}": action == "judge" and not judged,
        "no kind": action in ("relabel", "add") and not entry.kind,
        "neither an episode nor a burst": action == "add" and not entry.level,
        f"a span from {entry.start_s} s to {entry.stop_s} s": action in ("move", "add")
        and not _is_span(entry),
        f"decision {entry.undoes} to take back": action == "undo" and not 0 < (entry.undoes or 0) < entry.seq,
        "items that no sample has": action == "sample" and not drawn,
    }


def check_entry(entry: Entry, where: str) -> None:
    """Refuse a decision that could have a meaning for no night.

    Raises
    ------
    DamagedError
        Named after ``where``.
    """
    wrong = next((what for what, so in _wrong(entry).items() if so), "")
    if wrong:
        raise DamagedError(
            f"{where}: decision {entry.seq} ({entry.action}) has {wrong}, which no review writes"
        )
