"""How the events of a night are numbered and named, the same in every table, page and file."""

from __future__ import annotations

from sleepbrux.scoring.night import Night


def side_names(night: Night, mask: int) -> str:
    """Sides that a bit mask of channels names, joined by ``+``; labels where a side is unknown."""
    if len(night.merged.labels) != len(night.swept.frames):
        return "+".join(night.merged.labels)
    channels = [f.channel for k, f in enumerate(night.swept.frames) if mask >> k & 1]
    return "+".join(dict.fromkeys(c.side or c.label for c in channels))


def episode_numbers(night: Night) -> dict[int, int]:
    """Position in the night's table to the number that pages, tables, review and exports print.

    Episodes that do not count have none.
    """
    counted = night.selection.episodes.tolist()
    return dict(zip(counted, night.numbers or range(1, len(counted) + 1), strict=True))
