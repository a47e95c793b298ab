"""From the envelope of a channel to its bursts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion, exact
from sleepbrux.criteria.model import BurstRule
from sleepbrux.scoring.thresholds import Floats, Ints, Threshold, crossings
from sleepbrux.signal.envelope import Envelope

SHORT, PHASIC, TONIC, UNCLASSIFIED = 0, 1, 2, 3
KINDS = ("short", "phasic", "tonic", "unclassified")
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
    starts, stops = crossings(envelope, threshold, rule.release_ratio, strict=rule.comparison == ">")
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
