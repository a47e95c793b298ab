"""Whether what an archive holds can be a night: every column of its length, type and range.

A check sum shows that bytes are those that were written, not who wrote them. So what is read is held
against what scoring makes before anything counts, indexes or loops by it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass
from fractions import Fraction
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import CriterionError
from sleepbrux.core.spans import Grid
from sleepbrux.criteria import from_table
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.bursts import Bursts
from sleepbrux.scoring.context.model import OTHER, Labels
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.events import AVERAGE_LABEL
from sleepbrux.scoring.measures import Measure, Selection
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.signal.doubtful_activity import DOUBTS
from sleepbrux.signal.extremes import Extremes
from sleepbrux.signal.quality import REASONS, REPAIRS, Quality
from sleepbrux.signal.surroundings.model import STAGES, Surroundings
from sleepbrux.signal.sweep import STAT_NAMES, ChannelFrames, Layout
from sleepbrux.signal.swept import LEAST_RATE_HZ, MOST_RATE_HZ, Swept

LONGEST_S = 31 * 86_400.0
LARGEST = 1e15
MOST_CHANNELS = 62
NEEDED_MEASURES = ("analysed_hours", "valid_hours", "excluded_hours", "episodes_per_hour")
NEEDED_OF_SOUND = ("episodes_with_sound_count", "episodes_with_grinding_like_sound_count")
NEEDED_OF_BREATHING = (
    "episodes_near_respiratory_event_count",
    "episodes_near_respiratory_event_by_chance",
    "median_lag_after_respiratory_event_s",
)

Array = NDArray[Any]


class IncoherentError(ValueError):
    """What an archive holds is no night; the message names the field."""


def _refuse(name: str, what: str) -> None:
    raise IncoherentError(f"{name} {what}")


def _column(
    name: str,
    values: Array,
    kinds: str,
    n: int | None = None,
    *,
    low: float = -LARGEST,
    high: float = LARGEST,
    gaps: bool = False,
    width: int = 0,
) -> None:
    """Refuse a column of another type, length or range; ``gaps`` allows NaN, ``width`` asks for pairs."""
    shape = (len(values) if n is None else n, width) if width else (len(values) if n is None else n,)
    if values.dtype.kind not in kinds:
        _refuse(name, f"holds values of type {values.dtype}")
    if values.shape != shape:
        _refuse(name, f"has shape {values.shape}, where {shape} belongs")
    if values.dtype.kind in "iuf" and values.size:
        skips = gaps and values.dtype.kind == "f"
        least, most = (np.fmin.reduce, np.fmax.reduce) if skips else (np.min, np.max)
        lowest, highest = least(values, axis=None), most(values, axis=None)
        if not (low <= lowest and highest <= high) and not (skips and np.isnan(lowest)):
            _refuse(name, "holds values that are out of range")


def _ascending(name: str, starts: Array, stops: Array, end: float) -> None:
    """Refuse stretches that are empty, overlap, or lie outside ``[0, end]``."""
    _column(f"{name}.starts", starts, "if", low=0, high=end)
    _column(f"{name}.stops", stops, "if", len(starts), low=0, high=end)
    if not (starts < stops).all() or not (starts[1:] >= stops[:-1]).all():
        _refuse(name, "are not in order")


def _pairs(name: str, values: Array, kinds: str = "f", *, end: float = LARGEST) -> None:
    _column(name, values, kinds, low=-end, high=end, width=2)
    if not (values[:, 0] <= values[:, 1]).all():
        _refuse(name, "end before they begin")


def _numbers(name: str, value: Any) -> None:
    """Refuse numbers that no night has, anywhere in a value but in its arrays."""
    if isinstance(value, bool) or value is None:
        return
    if isinstance(value, int | float | Fraction):
        if not abs(float(value)) <= LARGEST:
            _refuse(name, "is a number that is out of range")
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            _numbers(f"{name}.{field.name}", getattr(value, field.name))
    elif isinstance(value, dict):
        for key, each in value.items():
            _numbers(f"{name}.{key}", each)
    elif isinstance(value, tuple):
        for each in value:
            _numbers(name, each)


def _frames(swept: Swept) -> None:
    if not 0 < len(swept.frames) <= MOST_CHANNELS or len(swept.quality) != len(swept.frames):
        _refuse("channels", f"are {len(swept.frames)}")
    labels = [f.channel.label for f in swept.frames]
    if len(set(labels)) < len(labels):
        _refuse("labels", "are there twice")
    if not 0 < swept.duration_s <= LONGEST_S:
        _refuse("duration_s", f"is {swept.duration_s:g}")
    for k, frames in enumerate(swept.frames):
        _one_channel(f"frames/{k}", frames, swept.duration_s)
    for a, b in swept.gaps:
        if not 0 <= a <= b <= LONGEST_S:
            _refuse("gaps", "are out of range")
    for mark in swept.marks:
        if not (abs(mark.start_s) <= LARGEST and 0 <= mark.duration_s <= LARGEST):
            _refuse("marks", "are out of range")


def _one_channel(name: str, frames: ChannelFrames, duration_s: float) -> None:
    channel, grid = frames.channel, frames.grid
    if not LEAST_RATE_HZ <= channel.rate <= MOST_RATE_HZ:
        _refuse(name, f"has {float(channel.rate):g} samples a second")
    layout = Layout.at(channel.rate)
    if grid.slot_s != layout.hop / channel.rate or frames.frames_per_block != layout.frames_per_block:
        _refuse(name, "are not those of its rate")
    if grid.duration_s > duration_s + 2:
        _refuse(name, "are longer than the recording")
    _column(f"{name}/energy", frames.energy, "f", grid.n_slots, low=0, high=LARGEST**2, gaps=True)
    _column(f"{name}/rectified", frames.rectified, "f", grid.n_slots, low=0, gaps=True)
    blocks = -(-grid.n_slots // layout.frames_per_block)
    _column(
        f"{name}/stats", frames.stats, "f", blocks, low=-np.inf, high=np.inf, gaps=True, width=len(STAT_NAMES)
    )
    if frames.energy.dtype != np.float32 or frames.rectified.dtype != np.float32:
        _refuse(name, "are no float32")
    for piece in channel.pieces:
        if min(piece.night, piece.stored) < 0 or piece.n <= 0:
            _refuse(f"{name} pieces", "are out of range")
    if channel.gain == 0 or channel.n_stored < 0:
        _refuse(name, "have no scale")


def _bursts(night: Night) -> None:
    grids = {f.channel.label: f.grid for f in night.swept.frames}
    labels = [b.label for b in night.bursts]
    average = labels == [AVERAGE_LABEL]
    if not average and labels != list(grids):
        _refuse("bursts", "are not those of the channels")
    for k, bursts in enumerate(night.bursts):
        expected = night.swept.frames[0].grid if average else grids[bursts.label]
        if bursts.grid != expected:
            _refuse(f"bursts/{k}", "are not on the frames of their channel")
        _burst_columns(f"bursts/{k}", bursts)
    merged = night.merged
    if merged.labels != tuple(labels):
        _refuse("merged", "are not of these channels")
    first, *others = [b.grid for b in night.bursts]
    if merged.grid != first.refined(*others):
        _refuse("merged", "are on another clock than the channels")
    _burst_columns("merged", merged)
    n = len(merged)
    for name in ("peak_pct_mvc", "mean_pct_mvc"):
        _column(f"merged/{name}", getattr(merged, name), "f", n, low=0, gaps=True)
    _column("merged/channels", merged.channels, "i", n, low=0, high=2.0 ** len(labels) - 1)
    _pairs("merged/activity", merged.activity, "i", end=merged.grid.n_slots)
    for table in (night.background_uv, night.threshold_uv):
        if not set(table) <= {*labels, AVERAGE_LABEL}:
            _refuse("levels", "are not of these channels")


def _burst_columns(name: str, table: Bursts | CombinedBursts) -> None:
    _ascending(name, table.starts, table.stops, table.grid.n_slots)
    n = len(table.starts)
    _column(f"{name}/starts", table.starts, "i", n)
    _column(f"{name}/stops", table.stops, "i", n)
    _column(f"{name}/kind", table.kind, "i", n, low=0, high=len(BURST_KINDS) - 1)
    _column(f"{name}/peak_uv", table.peak_uv, "f", n, low=0, gaps=True)
    _column(f"{name}/mean_uv", table.mean_uv, "f", n, low=0, gaps=True)
    _column(f"{name}/cut", table.cut, "b", n)


def _episodes(episodes: Episodes, merged: CombinedBursts) -> None:
    n = len(episodes.starts)
    _ascending("episodes", episodes.starts, episodes.stops, merged.grid.n_slots)
    for name in ("starts", "stops", "n_bursts", "n_phasic", "n_tonic", "channels"):
        _column(f"episodes/{name}", getattr(episodes, name), "i", n, low=0)
    _column("episodes/kind", episodes.kind, "i", n, low=0, high=len(EPISODE_KINDS) - 1)
    for name in ("peak_pct_mvc", "mean_pct_mvc"):
        _column(f"episodes/{name}", getattr(episodes, name), "f", n, low=0, gaps=True)
    _column("episodes/of_burst", episodes.of_burst, "i", len(merged), low=-1, high=n - 1)
    if len(episodes.flags) != n:
        _refuse("episodes/flags", f"are {len(episodes.flags)}, where {n} belong")


def _selection(selection: Selection, merged: CombinedBursts, episodes: Episodes) -> None:
    for name, of in (("bursts", len(merged)), ("episodes", len(episodes.starts))):
        values = getattr(selection, name)
        _column(f"selection/{name}", values, "i", low=0, high=of - 1)
        if not (np.diff(values) > 0).all():
            _refuse(f"selection/{name}", "are not in order")


def _labels(labels: Labels, n: int, n_bursts: int) -> None:
    _column("labels/stage", labels.stage, "i", n, low=-1, high=len(STAGES) - 1)
    _column("labels/position", labels.position, "i", n, low=-1, high=len(labels.positions) - 1)
    _column("labels/other", labels.other, "i", n, low=0, high=len(OTHER) - 1)
    for name in ("awake", "movement", "grinding"):
        _column(f"labels/{name}", getattr(labels, name), "i", n, low=-1, high=1)
    for name in ("rise_1s_pct", "rise_5s_pct", "sound_db", "breathing_lag_s", "rhythm_hz"):
        _column(f"labels/{name}", getattr(labels, name), "f", n, gaps=True)
    _column("labels/swallow", labels.swallow, "i", n_bursts, low=0, high=2)
    _pairs("labels/movements_s", labels.movements_s, end=LONGEST_S)


def _surroundings(surroundings: Surroundings) -> None:
    heart, wake_estimate, sound = surroundings.heart, surroundings.wake_estimate, surroundings.sound
    if (likely := surroundings.wake_probability) is not None:
        _column("wake_probability/probability", likely.probability, "f", low=0, high=1, gaps=True)
        _column("wake_probability/trusted", likely.trusted, "f", len(likely.probability), low=0, high=1)
    if heart is not None:
        _column("heart/beats_s", heart.beats_s, "f", high=LONGEST_S)
        _column("heart/trusted", heart.trusted, "b", len(heart.beats_s))
        if not (np.diff(heart.beats_s) >= 0).all() or heart.trusted[:1].any():
            _refuse("heart/beats_s", "are not in order")
    if wake_estimate is not None:
        _pairs("wake_estimate/awake_s", wake_estimate.awake_s, end=LONGEST_S)
        _pairs("wake_estimate/known_s", wake_estimate.known_s, end=LONGEST_S)
        _pairs("wake_estimate/counted_awake_s", wake_estimate.counted_awake_s, end=LONGEST_S)
        _pairs("wake_estimate/counted_known_s", wake_estimate.counted_known_s, end=LONGEST_S)
    if sound is not None:
        if not 0 < sound.step_s <= 60 or not abs(sound.start_s) <= LONGEST_S:
            _refuse("sound", "has no step")
        _column("sound/rise_db", sound.rise_db, "f", gaps=True)
        _column("sound/grinding", sound.grinding, "i", len(sound.rise_db), low=-1, high=1)
    for name, coded, words in (
        ("position", surroundings.position, len(surroundings.position.names) if surroundings.position else 0),
        ("stages", surroundings.stages, len(STAGES)),
    ):
        if coded is not None:
            _pairs(f"{name}/spans_s", coded.spans_s, end=LONGEST_S)
            _column(f"{name}/code", coded.code, "i", len(coded.spans_s), low=0, high=words - 1)
    for k, channel in enumerate(surroundings.activity_channels):
        _pairs(f"activity_channels/{k}/spans_s", channel.spans_s, end=LONGEST_S)
        _pairs(f"activity_channels/{k}/known_s", channel.known_s, end=LONGEST_S)


def _traces(traces: Extremes, n_channels: int) -> None:
    n = len(traces.channel)
    _column("traces/channel", traces.channel, "i", n, low=0, high=n_channels - 1)
    _column("traces/first_s", traces.first_s, "f", n, high=LONGEST_S)
    _column("traces/step_s", traces.step_s, "f", n, low=1e-6, high=60)
    _column("traces/offsets", traces.offsets, "i", n + 1, low=0, high=len(traces.low))
    if not (np.diff(traces.offsets) >= 0).all() or traces.offsets[-1] != len(traces.low):
        _refuse("traces/offsets", "are not in order")
    _column("traces/low", traces.low, "f", gaps=True)
    _column("traces/high", traces.high, "f", len(traces.low), gaps=True)


def _measures(name: str, measures: dict[str, Measure], needed: Sequence[str]) -> None:
    missing = [n for n in needed if n not in measures or measures[n].value is None]
    missing = [n for n in missing if n != "episodes_per_hour" or n not in measures]
    if missing:
        _refuse(name, f"lack {missing[0]}")
    _numbers(name, measures)
    for key, measure in measures.items():
        if key.endswith("_count") and measure.value is not None and measure.value != int(measure.value):
            _refuse(f"{name}.{key}", "is no whole number")


def _measures_of_signals(night: Night) -> None:
    """A signal that was recorded has its measures, which the report shows beside it."""
    needed: tuple[str, ...] = NEEDED_OF_SOUND if night.swept.surroundings.sound is not None else ()
    needed += NEEDED_OF_BREATHING if night.labels.breathing_events else ()
    missing = next((name for name in needed if name not in night.measures), None)
    if missing:
        _refuse("measures", f"lack {missing}")


def _window(spans_s: Iterable[tuple[float, float]], duration_s: float) -> None:
    for a, b in spans_s:
        if not (math.isfinite(a) and math.isfinite(b) and -1 <= a <= b <= duration_s + LONGEST_S):
            _refuse("window", "is out of range")


def _grid(name: str, grid: Grid) -> None:
    if not grid.slot_s > 0 or not 0 <= grid.n_slots * grid.slot_s <= LONGEST_S:
        _refuse(name, "is no clock of a night")


def check_night(night: Night) -> None:
    """Refuse what cannot be a night.

    Raises
    ------
    IncoherentError
        With the field that is wrong.
    """
    for name, grid in (
        ("event_slot", night.merged.grid),
        *((f"frames/{k}", f.grid) for k, f in enumerate(night.swept.frames)),
        *((f"bursts/{k}", b.grid) for k, b in enumerate(night.bursts)),
    ):
        _grid(name, grid)
    for value in (
        night.window,
        night.reference,
        night.background_uv,
        night.threshold_uv,
        night.notes,
    ):
        _numbers("header", value)
    _frames(night.swept)
    _bursts(night)
    _episodes(night.episodes, night.merged)
    _selection(night.selection, night.merged, night.episodes)
    _labels(night.labels, len(night.episodes.starts), len(night.merged))
    _surroundings(night.swept.surroundings)
    if night.traces is not None:
        _traces(night.traces, len(night.swept.frames))
    _window(night.window.spans_s, night.swept.duration_s)
    _measures("measures", night.measures, NEEDED_MEASURES)
    _measures_of_signals(night)
    for other in night.alternative_readings:
        _measures("alternative_readings", other.measures, ())
        _levels(other.reference.levels)
    if night.reference is not None:
        _levels(night.reference.levels)
    _reasons(night.quality)
    try:
        from_table(msgspec.to_builtins(night.criterion), "criterion")
    except CriterionError as error:
        raise IncoherentError(str(error)) from error


def _reasons(qualities: Iterable[Quality]) -> None:
    for quality in qualities:
        for name, known in (("faults", REASONS), ("doubts", DOUBTS), ("repaired", REPAIRS)):
            if not set(getattr(quality, name)) <= set(known):
                _refuse(name, "have an unknown reason")


def _levels(levels: Iterable[Any]) -> None:
    for level in levels:
        if not 0 < level.mvc_uv <= LARGEST or not (level.rest_uv or 0) >= 0:
            _refuse("reference", "has a level that is none")
