"""From the envelope of a channel to its bursts, and from the channels' bursts to the night's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion, exact
from sleepbrux.criteria.model import Background, BurstRule
from sleepbrux.signal.envelope import Envelope
from sleepbrux.signal.quantiles import median, ranked

SHORT, PHASIC, TONIC, UNCLASSIFIED = 0, 1, 2, 3
KINDS = ("short", "phasic", "tonic", "unclassified")
KNOT_S = 30
# The quiet level: medians of 5 s, their lower fifth, a factor for what a lower fifth of such medians lies
# below their middle where the muscle rests throughout (0.8 to 1.5 % on steady generated rest; our choice).
QUIET_BLOCK_S = 5
QUIET_SHARE = 0.2
QUIET_CORRECTION = 1.02
EDGE_REACH_S = 0.3
EDGE_FLANK_S = 0.25
# A step is sought to a level at least this part of the burst's power, so that neither the filter's
# ringing nor a frame of which a sliver belongs to the burst counts as burst.
LEAST_STEP = 1 / 30
# A burst whose peak lies above this is improbable: at night jaws bit with 17 to 112 % of the force that
# they were clenched with by day (Nishigawa 2001). Such bursts are named and counted, never removed.
IMPROBABLE_PCT_MVC = 200.0
# Around a pause between bursts this share of a window's frames looks like rest.
REST_SHARE = 0.75
# A burst that runs into lost time of at most this length and one that runs out of it are one burst: a
# pause between two bursts seldom is as short. Our choice; on generated nights with 0.3 to 1 s lost every
# 20 s tonic episodes were as many as without (4 % fewer at most), and 19 to 22 % fewer where all lost time
# ended a burst. From 1 to 2 s on it would join bursts that are two.
GOES_ON_S = 0.5
# Power that the filter still gives 0-50 ms after a burst has ended, as a part of the burst's, three
# times what was measured on EMG-shaped noise at 500-2000 Hz.
FILTER_TAIL = np.array([0.35, 0.02, 0.01, 0.002, 0.002])

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Threshold:
    """Threshold over the night in µV: straight lines between knots, nowhere below a floor.

    Attributes
    ----------
    knots_uv
        float64, shape (n_knots,); NaN where the threshold is not known.
    step
        Frames from one knot to the next, the last holds to the end; 0: one value holds everywhere.
    """

    grid: Grid
    knots_uv: Floats
    step: int = 0
    floor_uv: float = 0.0

    def at(self, frames: Ints) -> Floats:
        """Threshold of frames, float64, shape of ``frames``; NaN beside an unknown knot."""
        if self.step == 0:
            return np.full(len(frames), max(self.knots_uv[0], self.floor_uv))
        k = frames // self.step
        before = self.knots_uv[k]
        after = self.knots_uv[np.minimum(k + 1, len(self.knots_uv) - 1)]
        level: Floats = before + (after - before) * ((frames - k * self.step) / self.step)
        return np.maximum(level, self.floor_uv)

    @property
    def known(self) -> Spans:
        """Frames that have a threshold."""
        if self.step == 0:
            return self.grid.none() if np.isnan(self.knots_uv[0]) else self.grid.all()
        whole = ~np.isnan(self.knots_uv) & ~np.isnan(np.append(self.knots_uv[1:], 0.0))
        at = np.flatnonzero(whole) * self.step
        return Spans.of(self.grid, np.stack((at, at + self.step), axis=1))

    @property
    def usual_uv(self) -> float | None:
        """Median over the night, one frame a second; None where nothing is known."""
        every = max(self.grid.slots_for(1), 1)
        last = self.grid.n_slots if self.step else min(self.grid.n_slots, 1)
        level = self.at(np.arange(0, last, every))
        return None if np.isnan(level).all() else float(np.nanmedian(level))


@dataclass(frozen=True, eq=False)
class Bursts:
    """Bursts of one channel, in its frames, sorted and disjoint.

    Attributes
    ----------
    starts, stops
        int64, shape (n,), frames of ``grid``.
    kind
        int8, shape (n,): index into `KINDS`.
    peak_uv, mean_uv
        float64, shape (n,): level over the whole burst (RMS or mean rectified, as the envelope), and
        the highest envelope inside it, or that level where it is higher: around a burst that is shorter
        than the smoothing window the envelope holds rest as well.
    cut
        bool, shape (n,): time that is not usable touches the burst, or lies in it.
    """

    label: str
    grid: Grid
    starts: Ints
    stops: Ints
    kind: NDArray[np.int8]
    peak_uv: Floats
    mean_uv: Floats
    cut: NDArray[np.bool_]

    def __len__(self) -> int:
        """Count of bursts."""
        return len(self.starts)


def _crossings(
    envelope: Envelope, threshold: Threshold, release_ratio: float, *, strict: bool
) -> tuple[Ints, Ints]:
    from sleepbrux.signal import kernels

    n = len(envelope.level)
    starts, stops = np.empty(n // 2 + 1, dtype=np.int64), np.empty(n // 2 + 1, dtype=np.int64)
    count = kernels.crossings(
        envelope.level,
        threshold.knots_uv,
        threshold.step,
        threshold.floor_uv,
        release_ratio,
        strict,
        starts,
        stops,
    )
    return starts[:count].copy(), stops[:count].copy()


def background_uv(envelope: Envelope, quiet: Spans, rule: Background) -> Floats:
    """Resting level every 30 s: median of the envelope in quiet time, float64, shape (n_knots,).

    The envelope is sampled once a smoothing window, where its values are all but independent; the
    median is taken over ``half_window_s`` either way. NaN where less than ``minimum_quiet_s`` of quiet
    time lies within reach. Between the knots, `KNOT_S` apart, the background runs in straight lines.
    """
    from sleepbrux.signal import kernels

    grid, stride = envelope.grid, envelope.window_frames
    at, values = envelope.sampled(quiet, stride)
    least = max(math.ceil(exact(rule.minimum_quiet_s) / grid.slot_s / stride), 1)
    knots = np.arange(0, grid.n_slots, knot_frames(grid))
    if rule.estimator == "night_median":
        return np.full(len(knots), median(values) if len(at) >= least else np.nan)
    reach = grid.slots_for(exact(rule.half_window_s))
    medians = np.empty(len(knots))
    rank, ascending = ranked(values)
    kernels.window_medians(
        rank,
        ascending,
        np.searchsorted(at, knots - reach, side="left"),
        np.searchsorted(at, knots + reach, side="right"),
        least,
        np.empty(len(rank), dtype=np.bool_),
        np.empty(len(rank) // 100 + 1, dtype=np.int64),
        medians,
    )
    return medians


def quiet_level_uv(envelope: Envelope, rule: Background) -> Floats:
    """Level around which the envelope lies in its quieter time, every 30 s, float64, shape (n_knots,).

    Where the first round of a running background starts, for activity of more than half of the time
    would lift a median. Of the medians of blocks of `QUIET_BLOCK_S` the lower fifth is taken on either side
    of a knot, within ``half_window_s``, and of these two the higher: activity has rest before and after it,
    while a level that rises and stays is the new rest from then on. NaN where neither side holds
    ``minimum_quiet_s`` of blocks.
    """
    grid = envelope.grid
    step = max(envelope.window_frames, 1)
    per_block = max(grid.slots_for(QUIET_BLOCK_S) // step, 1)
    sampled = envelope.level[::step]
    n = -(-len(sampled) // per_block)
    blocks = np.full(n * per_block, np.nan, dtype=np.float32)
    blocks[: len(sampled)] = sampled
    medians = _of_rows(blocks.reshape(n, per_block), 0.5, max(per_block // 2, 1))
    block_s = float(per_block * step * grid.slot_s)
    reach = max(round(rule.half_window_s / block_s), 1)
    least = max(math.ceil(rule.minimum_quiet_s / block_s), 1)
    knots = np.arange(0, grid.n_slots, knot_frames(grid))
    # a block belongs to the side on which its middle lies
    at = np.minimum((knots / (per_block * step) + 0.5).astype(np.int64), n)
    around = np.pad(medians, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(around, reach)
    before, after = (_of_rows(windows[at + k * reach], QUIET_SHARE, least) for k in (0, 1))
    return np.fmax(before, after) * QUIET_CORRECTION


def _of_rows(rows: NDArray[np.floating], share: float, least: int) -> Floats:
    """Quantile of the known values of each row, float64, shape (n_rows,); NaN with fewer than ``least``."""
    ascending = np.sort(rows, axis=1)  # not-a-number comes last
    known = (~np.isnan(ascending)).sum(axis=1)
    place = np.minimum((known * share).astype(np.int64), np.maximum(known - 1, 0))
    found = np.asarray(ascending[np.arange(len(rows)), place], dtype=np.float64).copy()
    found[known < least] = np.nan
    return found


def knot_frames(grid: Grid) -> int:
    """Frames from one knot of the background to the next."""
    return max(grid.slots_for(KNOT_S), 1)


def _quiet(grid: Grid, usable: Spans, starts: Ints, stops: Ints, guard_s: float) -> Spans:
    guard = grid.slots_for(exact(guard_s))
    return usable - Spans.of(grid, np.stack((starts, stops), axis=1)).grow(guard)


def thresholds(
    envelope: Envelope,
    usable: Spans,
    criterion: Criterion,
    mvc_uv: float | None,
    *,
    noise_uv: float = 0.0,
) -> Threshold:
    """Threshold of one channel.

    One relative to background compares activity with background after the recorder's noise
    was taken off both in power: ``k * sqrt(b**2 - noise**2)`` above the noise, not ``k * b``. NaN where
    the background is not known, or where the threshold lies below twice the noise.

    Raises
    ------
    ValueError
        The criterion asks for an MVC and there is none.
    """
    rule = criterion.threshold
    if criterion.needs_mvc and mvc_uv is None:
        raise ValueError(f"criterion {criterion.id} needs an MVC")
    if rule.times_background is None:
        assert rule.level_pct_mvc is not None  # noqa: S101
        assert mvc_uv is not None  # noqa: S101
        return Threshold(envelope.grid, np.array([rule.level_pct_mvc / 100 * mvc_uv]))
    quiet = usable
    floor = 0.0
    if rule.floor_pct_mvc is not None and mvc_uv is not None:
        floor = rule.floor_pct_mvc / 100 * mvc_uv
    running = criterion.background.estimator == "running_median"
    for k in range(criterion.background.passes):
        if k == 0 and running:
            background = quiet_level_uv(envelope, criterion.background)
        else:
            background = background_uv(envelope, quiet, criterion.background)
        muscle = np.maximum(background**2 - noise_uv**2, 0.0)
        knots = np.sqrt(rule.times_background**2 * muscle + noise_uv**2)
        knots[knots < 2 * noise_uv] = np.nan
        found = Threshold(envelope.grid, knots, knot_frames(envelope.grid))
        starts, stops = _crossings(envelope, found, rule.release_ratio, strict=False)
        quiet = _quiet(envelope.grid, usable, starts, stops, criterion.background.guard_s)
    return replace(found, floor_uv=floor)


def _without_dips(envelope: Envelope, starts: Ints, stops: Ints) -> tuple[Ints, Ints]:
    """Runs joined where the envelope of a burst near the threshold dipped below it by chance.

    A pause as short as the smoothing window is a pause only where its frames look like rest.
    """
    from sleepbrux.signal import kernels

    if not len(starts):
        return starts, stops
    to_power = math.pi / 2 if envelope.amplitude == "rectified" else 1.0
    rest = envelope.quantile(0.5) ** 2 * to_power
    n = kernels.join_dips(
        envelope.energy, starts, stops, envelope.window_frames // 2, rest, LEAST_STEP, REST_SHARE
    )
    return starts[:n], stops[:n]


def _corrected(
    envelope: Envelope, usable: Spans, starts: Ints, stops: Ints, threshold: Threshold
) -> tuple[Ints, Ints]:
    """On- and offsets re-estimated from the frames.

    A smoothing window of W frames lets the envelope cross up to W/2 frames before the burst begins
    and after it ends. Each edge is set where the frames' power most likely steps from the level of
    the flank outside to the level inside, within half a window of the crossing and not past the
    middle of the pause to the next burst; then it moves outward over frames that lie above the
    threshold themselves, which a burst with a slope has and a rectangular one has not.
    """
    from sleepbrux.signal import kernels

    grid = envelope.grid
    index = np.searchsorted(usable.starts, starts, side="right") - 1
    new_starts, new_stops = starts.copy(), stops.copy()
    to_power = math.pi / 2 if envelope.amplitude == "rectified" else 1.0
    kernels.correct_edges(
        envelope.energy,
        starts,
        stops,
        usable.starts[index],
        usable.stops[index],
        threshold.knots_uv,
        threshold.step,
        threshold.floor_uv,
        to_power,
        envelope.window_frames // 2,
        grid.slots_for(exact(EDGE_FLANK_S)),
        grid.slots_for(exact(EDGE_REACH_S)),
        LEAST_STEP,
        FILTER_TAIL,
        new_starts,
        new_stops,
    )
    return new_starts, new_stops


def least_slots(grid: Grid, limit_s: float, *, inclusive: bool) -> int:
    """Slots that reach a limit (``inclusive``), or pass it; decided on exact fractions."""
    limit = exact(limit_s) / grid.slot_s
    return math.ceil(limit) if inclusive else math.floor(limit) + 1


def least_burst(grid: Grid, rule: BurstRule) -> int:
    """Slots of the shortest burst that qualifies."""
    return least_slots(grid, rule.minimum_s, inclusive=rule.minimum_inclusive)


def least_tonic(grid: Grid, rule: BurstRule) -> int:
    """Slots of the shortest tonic burst."""
    return least_slots(grid, rule.phasic_maximum_s, inclusive=not rule.phasic_maximum_inclusive)


def bridge_slots(grid: Grid, rule: BurstRule) -> int:
    """Slots of the longest dip that is closed."""
    return math.floor(exact(rule.bridge_s) / grid.slot_s)


def kinds(length: Ints, grid: Grid, rule: BurstRule) -> NDArray[np.int8]:
    """Kind of bursts of these lengths in slots, int8, shape (n,)."""
    enough = length >= least_burst(grid, rule)
    if not rule.types:
        return np.where(enough, UNCLASSIFIED, SHORT).astype(np.int8)
    tonic = length >= least_tonic(grid, rule)
    return np.where(tonic & enough, TONIC, np.where(enough, PHASIC, SHORT)).astype(np.int8)


def find_bursts(
    envelope: Envelope, usable: Spans, criterion: Criterion, threshold: Threshold, *, label: str
) -> Bursts:
    """Bursts of one channel under a criterion.

    Crossings of the envelope, their edges re-estimated where the rule says so, dips of at most
    ``bridge_s`` closed (measured between the final edges), kinds by duration. Time that is not usable
    ends a burst, unless it can hold no more than such a dip, or lasts `GOES_ON_S` at most and is touched by
    a burst on either side.
    """
    rule, grid = criterion.threshold, envelope.grid
    starts, stops = _crossings(envelope, threshold, rule.release_ratio, strict=rule.comparison == ">")
    if criterion.envelope.edges == "corrected":
        starts, stops = _without_dips(envelope, starts, stops)
        starts, stops = _corrected(envelope, usable, starts, stops, threshold)
    spans = Spans.of(grid, np.stack((starts, stops), axis=1))
    spans = over_lost(spans.join(bridge_slots(grid, criterion.burst)), ~usable)
    peak, mean = _levels(envelope, spans)
    if rule.test != "crossing":
        judged = peak if rule.test == "peak" else mean
        limit = threshold.at(spans.starts)
        keep = judged > limit if rule.comparison == ">" else judged >= limit
        spans = Spans.of(grid, spans.bounds[keep])
        peak, mean = peak[keep], mean[keep]
    return Bursts(
        label=label,
        grid=grid,
        starts=spans.starts,
        stops=spans.stops,
        kind=kinds(spans.stops - spans.starts, grid, criterion.burst),
        peak_uv=peak,
        mean_uv=mean,
        cut=_cut(spans, usable),
    )


def over_lost(spans: Spans, lost: Spans) -> Spans:
    """Bursts of one channel, those joined that run into short lost time and out of it again."""
    short = lost.bounds[lost.stops - lost.starts <= lost.grid.slots_for(exact(GOES_ON_S))]
    touched = spans.holds(short[:, 0] - 1) & spans.holds(short[:, 1])
    return spans | Spans.of(spans.grid, short[touched])


def in_pieces(bursts: Bursts, usable: Spans, rule: BurstRule) -> Bursts:
    """The parts of a channel's bursts that were seen, as bursts; those together that nothing can part.

    Levels are those of the whole burst.
    """
    lost = (~usable).drop_shorter(bridge_slots(bursts.grid, rule) + 1)
    whole = Spans.of(bursts.grid, np.stack((bursts.starts, bursts.stops), axis=1))
    parts = whole - lost
    of = np.searchsorted(bursts.starts, parts.starts, side="right") - 1
    return replace(
        bursts,
        starts=parts.starts,
        stops=parts.stops,
        cut=_cut(parts, usable),
        kind=kinds(parts.stops - parts.starts, bursts.grid, rule),
        peak_uv=bursts.peak_uv[of],
        mean_uv=bursts.mean_uv[of],
    )


def _cut(spans: Spans, usable: Spans) -> NDArray[np.bool_]:
    """Whether time that is not usable lies in each span or beside it; so does that beyond the grid."""
    ends = (spans.starts == 0) | (spans.stops == spans.grid.n_slots)
    return np.asarray(spans.meet((~usable).grow(1)) | ends, dtype=np.bool_)


def _levels(envelope: Envelope, spans: Spans) -> tuple[Floats, Floats]:
    """Peak and level of each span, in µV: see `Bursts`."""
    from sleepbrux.signal import kernels

    peak, mean = np.empty(len(spans)), np.empty(len(spans))
    power = envelope.energy if envelope.amplitude == "rms" else envelope.level
    kernels.span_levels(envelope.level, power, spans.starts, spans.stops, peak, mean)
    mean = np.sqrt(mean) if envelope.amplitude == "rms" else mean
    return np.maximum(peak, mean), mean


@dataclass(frozen=True, eq=False)
class CombinedBursts:
    """Bursts of the night after its channels are merged, on the night's common clock.

    Attributes
    ----------
    starts, stops, kind
        As in `Bursts`, in slots of ``grid``.
    peak_pct_mvc, mean_pct_mvc, peak_uv, mean_uv
        float64, shape (n,): those of the channel in which they are highest; NaN without an MVC.
    channels
        int64, shape (n,): bit ``k`` set where channel ``k`` takes part.
    cut
        bool, shape (n,): an edge of usable time touches a contributing burst.
    activity
        int64, shape (n_spans, 2): where any channel is above its threshold, however shortly.
    known
        int64, shape (n_spans, 2): time that is usable in every channel.
    unknown
        int64, shape (n_spans, 2): outside bursts that qualify, where one may have gone unseen. Under
        ``any`` that is where some channel is lost, under ``both`` where each is lost or active; with what
        touches such time and is too short to qualify by itself, less what is too short for any burst.
    """

    grid: Grid
    labels: tuple[str, ...]
    starts: Ints
    stops: Ints
    kind: NDArray[np.int8]
    peak_pct_mvc: Floats
    mean_pct_mvc: Floats
    peak_uv: Floats
    mean_uv: Floats
    channels: Ints
    cut: NDArray[np.bool_]
    activity: Ints
    known: Ints
    unknown: Ints

    @property
    def improbable(self) -> NDArray[np.bool_]:
        """Whether the peak of each burst lies above `IMPROBABLE_PCT_MVC`, bool of shape (n,)."""
        return self.peak_pct_mvc > IMPROBABLE_PCT_MVC

    def __len__(self) -> int:
        """Count of bursts."""
        return len(self.starts)

    def names(self, i: int) -> list[str]:
        """Labels of the channels that take part in burst ``i``."""
        return [label for k, label in enumerate(self.labels) if self.channels[i] >> k & 1]


def combine_sides(
    channels: Sequence[Bursts],
    criterion: Criterion,
    mvc_uv: Sequence[float | None],
    *,
    known: Sequence[Spans] | None = None,
) -> CombinedBursts:
    """One list from several channels.

    ``any``: bursts that qualify in some channel unite where they overlap or are at most
    ``bridge_s`` apart; ``both``: only the time that every channel shares. The united burst's kind
    follows from its own duration. Bursts too short to qualify unite among themselves, unless they lie on
    a qualifying one, and stay short.

    Parameters
    ----------
    known
        Usable time of each channel, on its grid; None: all of it.
    """
    grid = channels[0].grid.refined(*(b.grid for b in channels[1:]))
    long = [_on(grid, b, b.kind != SHORT) for b in channels]
    short = [_on(grid, b, b.kind == SHORT) for b in channels]
    every = [a | b for a, b in zip(long, short, strict=True)]
    seen = [grid.all()] * len(channels) if known is None else [k.on(grid) for k in known]
    bridge = bridge_slots(grid, criterion.burst)
    if criterion.sides.combine == "both":
        united = reduce(Spans.__and__, long)
        brief = reduce(Spans.__and__, every)
    else:
        united = reduce(Spans.__or__, long).join(bridge)
        brief = reduce(Spans.__or__, short)
    brief = Spans.of(grid, brief.bounds[~brief.meet(united)])
    kind = kinds(united.stops - united.starts, grid, criterion.burst)
    certain = Spans.of(grid, united.bounds[kind != SHORT])
    starts = np.concatenate((united.starts, brief.starts))
    order = np.argsort(starts, kind="stable")
    merged = CombinedBursts(
        grid=grid,
        labels=tuple(b.label for b in channels),
        starts=starts[order],
        stops=np.concatenate((united.stops, brief.stops))[order],
        kind=np.concatenate((kind, np.full(len(brief), SHORT, dtype=np.int8)))[order],
        peak_pct_mvc=np.full(len(order), np.nan),
        mean_pct_mvc=np.full(len(order), np.nan),
        peak_uv=np.full(len(order), np.nan),
        mean_uv=np.full(len(order), np.nan),
        channels=np.zeros(len(order), dtype=np.int64),
        cut=np.zeros(len(order), dtype=np.bool_),
        activity=reduce(Spans.__or__, every).bounds,
        known=reduce(Spans.__and__, seen).bounds,
        unknown=_unknown(every, seen, certain, criterion).bounds,
    )
    for k, bursts in enumerate(channels):
        _assign_amplitudes(merged, k, bursts, mvc_uv[k])
    return merged


def _unknown(every: Sequence[Spans], known: Sequence[Spans], certain: Spans, criterion: Criterion) -> Spans:
    """Time outside ``certain`` bursts in which one that qualifies may have gone unseen."""
    grid = certain.grid
    bridge = bridge_slots(grid, criterion.burst)
    possible = [(a | ~k).join(bridge) for a, k in zip(every, known, strict=True)]
    combine = Spans.__and__ if criterion.sides.combine == "both" else Spans.__or__
    united = reduce(combine, possible)
    runs = united.join(bridge).drop_shorter(least_burst(grid, criterion.burst))
    lost = ~reduce(Spans.__and__, known)
    return (united & Spans.of(grid, runs.bounds[runs.meet(lost)])) - certain


def _on(grid: Grid, bursts: Bursts, which: NDArray[np.bool_]) -> Spans:
    pairs = np.stack((bursts.starts[which], bursts.stops[which]), axis=1)
    return Spans.of(bursts.grid, pairs).on(grid)


def _assign_amplitudes(merged: CombinedBursts, k: int, bursts: Bursts, mvc_uv: float | None) -> None:
    """Enter one channel's amplitudes into the merged bursts that its bursts overlap."""
    if not len(merged) or not len(bursts):
        return
    up = int(bursts.grid.slot_s / merged.grid.slot_s)
    first = np.searchsorted(merged.stops, bursts.starts * up, side="right")
    last = np.searchsorted(merged.starts, bursts.stops * up, side="left")
    overlaps = np.maximum(last - first, 0)
    i = np.repeat(np.arange(len(bursts)), overlaps)
    j = np.arange(overlaps.sum()) - np.repeat(np.cumsum(overlaps) - overlaps, overlaps) + first[i]
    np.bitwise_or.at(merged.channels, j, 1 << k)
    np.logical_or.at(merged.cut, j, bursts.cut[i])
    np.fmax.at(merged.peak_uv, j, bursts.peak_uv[i])
    np.fmax.at(merged.mean_uv, j, bursts.mean_uv[i])
    if mvc_uv is not None:
        np.fmax.at(merged.peak_pct_mvc, j, bursts.peak_uv[i] * (100 / mvc_uv))
        np.fmax.at(merged.mean_pct_mvc, j, bursts.mean_uv[i] * (100 / mvc_uv))
