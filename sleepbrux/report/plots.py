"""A night drawn by matplotlib into axes of the caller, for those who work in Python."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import UsageError
from sleepbrux.export.tables import counted_channel_bursts
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers

MOST_POINTS = 4000
BESIDE_S = 5.0
SHADE = "0.85"


def _axes(ax: Any) -> Any:
    if ax is not None:
        return ax
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError(
            "a plot needs matplotlib, which is not installed; add it with: pip install 'sleepbrux[plot]'"
        ) from error
    import sys

    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:  # a caller who uses it expects the figure there
        return pyplot.figure(layout="constrained").add_subplot()
    return Figure(layout="constrained").add_subplot()


def _highest(values: NDArray[np.float32], most: int) -> tuple[NDArray[np.float32], int]:
    """Highest value of each run of equal length, so that no peak is lost; and that length."""
    step = max(-(-len(values) // most), 1)
    padded = np.full(-(-len(values) // step) * step, np.nan, dtype=np.float32)
    padded[: len(values)] = values
    runs = padded.reshape(-1, step)
    found = np.where(np.isnan(runs), -np.inf, runs).max(axis=1)
    return np.where(np.isfinite(found), found, np.nan).astype(np.float32), step


def _threshold(night: Night, label: str, ax: Any, colour: Any) -> None:
    level = night.threshold_uv.get(label)
    if level is not None:
        ax.axhline(level, color=colour, linestyle="--", linewidth=0.8)


def _labelled(night: Night, ax: Any, along: str, title: str) -> Any:
    units = {f.channel.unit for f in night.swept.frames}
    unit = "µV" if units == {"uV"} else "unit of the recording"
    ax.set_xlabel(along)
    ax.set_ylabel(f"envelope, {unit} ({'RMS' if night.amplitude == 'rms' else 'mean rectified'})")
    ax.set_title(title)
    ax.legend(loc="upper right", title="dashed: threshold")
    return ax


def plot_night(night: Night, ax: Any = None) -> Any:
    """The whole night; see `Night.plot`."""
    ax = _axes(ax)
    table, grid = night.episodes, night.episodes.grid
    for k in episode_numbers(night):
        ax.axvspan(grid.seconds(table.starts[k]) / 3600, grid.seconds(table.stops[k]) / 3600, color=SHADE)
    for frames in night.swept.frames:
        label = frames.channel.label
        _, level_uv = night.envelope(label)
        shown, step = _highest(level_uv, MOST_POINTS)
        hours = (np.arange(len(shown)) + 0.5) * step * float(frames.grid.slot_s) / 3600
        (line,) = ax.plot(hours, shown, linewidth=0.7, label=label)
        _threshold(night, label, ax, line.get_color())
    count = len(night.selection.episodes)
    title = f"{night.swept.name}: {count} counted episode{'' if count == 1 else 's'} (grey)"
    return _labelled(night, ax, "hours from the first sample", title)


def plot_episode(night: Night, number: int, ax: Any = None) -> Any:
    """One episode; see `Night.plot_episode`."""
    places = {n: k for k, n in episode_numbers(night).items()}
    if number not in places:
        there = f"1 to {max(places)}" if places else "none"
        raise UsageError(f"number {number!r} is no counted episode of this night; there are {there}")
    ax = _axes(ax)
    table, grid = night.episodes, night.episodes.grid
    start_s, stop_s = (grid.seconds(edge[places[number]]) for edge in (table.starts, table.stops))
    bursts = [b for b in counted_channel_bursts(night) if b.episode == number]
    for frames in night.swept.frames:
        label = frames.channel.label
        times_s, level_uv = night.envelope(label)
        shown = (times_s >= start_s - BESIDE_S) & (times_s <= stop_s + BESIDE_S)
        (line,) = ax.plot(times_s[shown], level_uv[shown], linewidth=0.9, label=label)
        _threshold(night, label, ax, line.get_color())
        for burst in bursts:
            if burst.label == label:
                inside = (times_s >= burst.start_s) & (times_s <= burst.stop_s)
                ax.fill_between(times_s[inside], level_uv[inside], color=line.get_color(), alpha=0.3)
    return _labelled(
        night, ax, "seconds from the first sample", f"{night.swept.name}: episode {number} (bursts filled)"
    )
