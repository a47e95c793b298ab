"""The numbers of a night, each with its unit, its basis, and a reason where there is none."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.bursts import SHORT, Merged
from sleepbrux.criteria import Criterion
from sleepbrux.episodes import KINDS, Episodes
from sleepbrux.spans import Spans

DURATION_BORDERS_S = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0)
PEAK_BORDERS_PCT = (*range(0, 100, 10), 100, 120, 150, 200)


@dataclass(frozen=True)
class Measure:
    """One number.

    Attributes
    ----------
    value
        None where it cannot be computed; ``reason`` then says why.
    unit, basis
        What it counts in, and what it was computed from or divided by.
    keys
        Settings of the criterion that it depends on.
    """

    value: float | None
    unit: str
    basis: str
    reason: str = ""
    keys: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Selection:
    """Events of the analysed window, and the time in which they could be seen.

    Attributes
    ----------
    window, valid
        Spans on the events' grid: the analysed window, and its usable part.
    bursts, episodes
        Positions in the night's tables of those that count: episodes whose onset lies in the valid
        window with all their bursts, and single bursts whose onset does.
    """

    window: Spans
    valid: Spans
    basis: str
    bursts: NDArray[np.int64]
    episodes: NDArray[np.int64]


def select(
    bursts: Merged, episodes: Episodes, window: Spans, known: Spans, basis: str
) -> Selection:
    """Events whose onset lies in the window; a burst of an episode follows its episode."""
    valid = window & known
    inside = valid.holds(episodes.starts)
    of = episodes.of_burst
    counted = np.where(of >= 0, np.append(inside, False)[of], valid.holds(bursts.starts))
    return Selection(window, valid, basis, np.flatnonzero(counted), np.flatnonzero(inside))


BURST_KEYS = ("threshold.", "envelope.", "burst.", "sides.")
EPISODE_KEYS = (*BURST_KEYS, "episode.")


def _median(values: NDArray[np.floating[Any]]) -> float | None:
    values = values[~np.isnan(values)]
    return float(np.median(values)) if len(values) else None


def _clipped_s(starts: Iterable[int], stops: Iterable[int], valid: Spans) -> float:
    """Seconds of events inside the valid window."""
    pairs = list(zip(starts, stops, strict=True))
    return (Spans.of(valid.grid, pairs) & valid).duration_s


def compute(
    chosen: Selection,
    bursts: Merged,
    episodes: Episodes,
    criterion: Criterion,
    background: dict[str, float | None],
) -> dict[str, Measure]:
    """Measures of a night, by name, in the order in which a report shows them."""
    hours = chosen.valid.hours
    basis = f"valid hours of: {chosen.basis}"
    none_valid = "" if hours > 0 else "no valid time in the window"
    types = criterion.burst.types
    in_episode = chosen.bursts[episodes.of_burst[chosen.bursts] >= 0]
    single = chosen.bursts[(episodes.of_burst[chosen.bursts] < 0)]
    isolated = single[bursts.kind[single] != SHORT]
    twitches = single[bursts.kind[single] == SHORT]
    kind = episodes.kind[chosen.episodes]
    out: dict[str, Measure] = {}

    def rate(name: str, count: int, keys: tuple[str, ...], reason: str = "") -> None:
        why = none_valid or reason
        out[name] = Measure(None if why else count / hours, "1/h", basis, why, keys)

    def number(name: str, value: float | None, unit: str, what: str, keys: tuple[str, ...],
               why: str = "") -> None:  # fmt: skip
        reason = why or ("none in the window" if value is None else "")
        out[name] = Measure(None if reason or value is None else float(value), unit, what, reason, keys)

    counted = "events whose onset lies in the valid window"
    rate("episodes_per_hour", len(kind), EPISODE_KEYS)
    untyped = "" if types else "the criterion has no burst types"
    for code, word in enumerate(KINDS[:3]):
        rate(f"{word}_episodes_per_hour", int((kind == code).sum()), EPISODE_KEYS, untyped)
    number("episode_count", len(kind), "1", counted, EPISODE_KEYS, none_valid)
    rate("bursts_per_hour", len(in_episode), EPISODE_KEYS)
    number("burst_count", len(in_episode), "1", "bursts inside counted episodes", EPISODE_KEYS,
           none_valid)  # fmt: skip
    rate("isolated_bursts_per_hour", len(isolated), EPISODE_KEYS)
    rate("short_bursts_per_hour", len(twitches), BURST_KEYS)
    number("bursts_per_episode", len(in_episode) / len(kind) if len(kind) else None, "1",
           "bursts inside counted episodes / counted episodes", EPISODE_KEYS)  # fmt: skip
    starts, stops = episodes.starts[chosen.episodes], episodes.stops[chosen.episodes]
    spans_s = _clipped_s(starts.tolist(), stops.tolist(), chosen.valid)
    bursts_s = _clipped_s(
        bursts.starts[in_episode].tolist(), bursts.stops[in_episode].tolist(), chosen.valid
    )
    valid_s = chosen.valid.duration_s
    for name, seconds, what in (
        ("bruxism_time_index_pct", spans_s, "episode spans, first onset to last offset"),
        ("burst_time_index_pct", bursts_s, "bursts inside episodes"),
    ):
        number(name, 100 * seconds / valid_s if valid_s else None, "%",
               f"{what}, as a share of the {basis}", EPISODE_KEYS, none_valid)  # fmt: skip
    number("analysed_hours", chosen.window.hours, "h", f"window: {chosen.basis}", ())
    number("excluded_hours", (chosen.window - chosen.valid).hours, "h",
           "gaps and unusable time inside the window", ())  # fmt: skip
    number("valid_hours", hours, "h", "window less gaps and unusable time; denominator of every rate",
           ())  # fmt: skip
    slot = float(bursts.grid.slot_s)
    peaks = bursts.peak_pct_mvc[in_episode]
    no_mvc = "no reference clench" if len(peaks) and np.isnan(peaks).all() else ""
    number("median_burst_peak_pct_mvc", _median(peaks), "% MVC", "bursts inside counted episodes",
           BURST_KEYS, no_mvc)  # fmt: skip
    number("median_burst_peak_uv", _median(bursts.peak_uv[in_episode]), "µV",
           "bursts inside counted episodes", BURST_KEYS)  # fmt: skip
    length = (bursts.stops - bursts.starts)[in_episode] * slot
    number("median_burst_duration_s", _median(length), "s", "bursts inside counted episodes",
           BURST_KEYS)  # fmt: skip
    number("median_episode_duration_s", _median((stops - starts) * slot), "s",
           "first onset to last offset", EPISODE_KEYS)  # fmt: skip
    pause = (starts[1:] - stops[:-1]) * slot
    number("median_inter_episode_interval_s", _median(pause), "s",
           "offset to next onset, excluded time counted", EPISODE_KEYS)  # fmt: skip
    known = [v for v in background.values() if v is not None]
    number("background_uv", math.fsum(known) / len(known) if known else None, "µV",
           "median of the envelope outside bursts in valid time, mean over channels", BURST_KEYS,
           none_valid)  # fmt: skip
    return out


def histogram(values: NDArray[np.float64], borders: tuple[float, ...]) -> list[tuple[str, int]]:
    """Counts between borders, the last class open: ``[("0-10", 3), ..., (">= 200", 1)]``.

    A value on a border falls into the class above it.
    """
    values = values[~np.isnan(values)]
    place = np.searchsorted(np.array(borders), values, side="right") - 1
    names = [f"{a:g}-{b:g}" for a, b in pairwise(borders)]
    names.append(f">= {borders[-1]:g}")
    return [(name, int((place == k).sum())) for k, name in enumerate(names)]
