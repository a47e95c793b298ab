"""A night scored: the one place that knows the order of the stages."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sleepbrux.core.arguments import PATH, check, of
from sleepbrux.core.errors import Note
from sleepbrux.core.parallel import each
from sleepbrux.core.provenance import Review
from sleepbrux.core.spans import Spans
from sleepbrux.criteria import DEFAULT_ID, Criterion, exact, load_criterion
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import open_recording
from sleepbrux.recording.prefetch import hashed_meanwhile
from sleepbrux.recording.window import Window, find_window
from sleepbrux.reference import Reference
from sleepbrux.scoring.bursts import IMPROBABLE_PCT_MVC, Bursts, in_pieces
from sleepbrux.scoring.context.counts import count
from sleepbrux.scoring.context.left_out import admitted
from sleepbrux.scoring.context.model import Labels, in_seconds
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.events import Events, Track, find_events, labels_of, mvc_of
from sleepbrux.scoring.measures import NO_MVC, OTHER_KIND, Measure, NightLevels, Selection, compute
from sleepbrux.scoring.methods import NightMethods
from sleepbrux.scoring.night_notes import (
    lost_side_notes,
    near_rest_notes,
    night_notes,
    unknown_background_notes,
)
from sleepbrux.scoring.possible_counts import PossibleCounts, possible_counts
from sleepbrux.scoring.sides import CombinedBursts, combine_sides
from sleepbrux.scoring.thresholds import background_uv, knot_frames
from sleepbrux.scoring.without_doubtful import doubtful_notes, possible_readings
from sleepbrux.signal.envelope import Amplitude, Envelope
from sleepbrux.signal.extremes import Extremes
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.quantiles import median
from sleepbrux.signal.swept import Swept, digesting, scorable_channels, sweep_channels

BACKGROUND_SAMPLE_FRAMES = 100
REPLACED = "criterion-replaced"


@dataclass(frozen=True)
class AlternativeReading:
    """What the same night reads against another reference, under the same rules."""

    reference: Reference
    measures: dict[str, Measure]


@dataclass(frozen=True, eq=False, repr=False)
class Night(NightMethods):
    """A scored night.

    Attributes
    ----------
    background_uv
        Median of the envelope outside bursts in valid time, by channel label; None where unknown.
    threshold_uv
        Threshold by channel label: its median over the night where it follows the background.
    bursts
        Bursts of each scored channel, before the sides are merged.
    merged, episodes
        The night's events, those outside the window among them; ``chosen`` says which count.
    about
        What a study says of the night: pseudonym, night, condition; and the digests by which its entry and
        the recording are known again (`sleepbrux.scoring.request`).
    traces
        Filtered signal around episodes, for the eye; None where it was not kept.
    supersedes
        Id of the report of an earlier scoring of the same recording that this one replaces; empty
        for none.
    review
        What a reader changed; None for the automatic scoring, the only one that an archive holds.
    labels
        What surrounds each episode.
    beside
        With an appliance-in clench as the reference: the reading against natural teeth.
    numbers
        Of the counted episodes, in order of ``chosen.episodes``; empty: 1, 2, 3. After a review an
        episode keeps the number that the automatic scoring gave it.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> len(night.selection.episodes), night.criterion.id
    (4, 'phasic_tonic_10mvc')
    """

    swept: Swept
    quality: tuple[Quality, ...]
    criterion: Criterion
    reference: Reference | None
    window: Window
    amplitude: Amplitude
    background_uv: dict[str, float | None]
    threshold_uv: dict[str, float | None]
    bursts: tuple[Bursts, ...]
    merged: CombinedBursts
    episodes: Episodes
    selection: Selection
    labels: Labels
    measures: dict[str, Measure]
    notes: tuple[Note, ...]
    about: tuple[tuple[str, str], ...] = ()
    traces: Extremes | None = None
    supersedes: str = ""
    review: Review | None = None
    alternative_readings: tuple[AlternativeReading, ...] = ()
    numbers: tuple[int, ...] = ()

    def mvc_uv(self, label: str) -> float | None:
        """100 % MVC of a channel in the kind of µV that the rules measure; None where not known so."""
        return mvc_of(self.reference, label, self.amplitude)


def _rested(envelope: Envelope, bursts: Bursts, counted: Spans) -> float | None:
    """Median of the envelope outside bursts in valid time."""
    quiet = counted - Spans.of(bursts.grid, np.stack((bursts.starts, bursts.stops), axis=1)).grow(
        bursts.grid.slots_for(1) // 2
    )
    _, values = envelope.sampled(quiet, max(envelope.window_frames // 2, 1))
    return median(values) if len(values) else None


def _integral(
    track: Track, bursts: Bursts, counted: Spans, criterion: Criterion
) -> tuple[float | None, float | None]:
    """Envelope less running background over valid time, per valid hour: in µV·s and in % MVC·s.

    The difference is not cut off at zero: what noise adds above the background it takes away below,
    so a quiet night gives about nothing.
    """
    grid = bursts.grid
    taken = Spans.of(grid, np.stack((bursts.starts, bursts.stops), axis=1))
    quiet = track.usable - taken.grow(grid.slots_for(exact(criterion.background.guard_s)))
    knots = background_uv(track.envelope, quiet, criterion.background)
    at = np.arange(len(knots)) * knot_frames(grid)
    known = counted & Spans.of(
        grid,
        np.stack((at, at + knot_frames(grid)), axis=1)[~np.isnan(knots) & ~np.isnan(np.roll(knots, -1))],
    )
    if not len(known):
        return None, None
    level, background = 0.0, 0.0
    for a, b in known.bounds.tolist():
        level += float(track.envelope.level[a:b].sum(dtype=np.float64))
        middles = np.arange(a, b, BACKGROUND_SAMPLE_FRAMES) + BACKGROUND_SAMPLE_FRAMES / 2
        background += float(np.interp(middles, at, knots).mean()) * (b - a)
    per_hour = (level - background) / known.n_slots * 3600
    return per_hour, None if track.mvc_uv is None else per_hour * 100 / track.mvc_uv


def _possible(swept: Swept, events: Events, criterion: Criterion, window: Window) -> PossibleCounts:
    """Least and most episodes of a night, whatever its lost time held."""
    usable = [t.usable for t in events.tracks]
    parts = [in_pieces(b, known, criterion.burst) for b, known in zip(events.bursts, usable, strict=True)]
    pieces = combine_sides(parts, criterion, [None] * len(parts), known=usable)
    grid = pieces.grid
    return possible_counts(
        events.selection,
        events.episodes,
        pieces,
        criterion,
        admitted=lambda slots: admitted(swept.surroundings, criterion, window, in_seconds(slots, grid)),
    )


def score(
    swept: Swept,
    *,
    criterion: Criterion,
    window: Window,
    reference: Reference | None = None,
) -> Night:
    """Score a swept recording: from its frames alone, so an archive gives the same night again.

    Raises
    ------
    UsageError
        The criterion needs an MVC and there is none.
    RecordingError
        The criterion needs µV and the recording has no known unit.
    ReferenceLevelError
        The threshold in % MVC lies below 1.5 times the resting level of the night.
    """
    events = find_events(swept, criterion=criterion, window=window, reference=reference)
    near_rest = near_rest_notes(swept, criterion, events)
    valid = events.selection.valid

    def measured(
        pair: tuple[Track, Bursts],
    ) -> tuple[float | None, tuple[float | None, float | None]]:
        t, b = pair
        counted = t.usable & valid.on(b.grid, rounding="inward")
        return _rested(t.envelope, b, counted), _integral(t, b, counted, criterion)

    found = each(measured, zip(events.tracks, events.bursts, strict=True))
    background = {t.label: rest for t, (rest, _) in zip(events.tracks, found, strict=True)}
    usual_uv = {t.label: t.threshold.usual_uv for t in events.tracks}
    limits = [
        100 * usual / t.mvc_uv
        for t in events.tracks
        if t.mvc_uv is not None and (usual := usual_uv[t.label]) is not None
    ]
    labels = events.labels or labels_of(swept, events.merged, events.episodes, criterion)

    def bounds(reading: Swept, own: Events | None) -> tuple[PossibleCounts, float]:
        found = own or find_events(reading, criterion=criterion, window=window, reference=reference)
        return _possible(reading, found, criterion, window), found.selection.valid.hours

    measures = compute(
        events.selection,
        events.merged,
        events.episodes,
        criterion,
        NightLevels(
            background,
            sum(limits) / len(limits) if limits else None,
            NO_MVC if reference is None else OTHER_KIND,
        ),
        possible=possible_readings(swept, events, bounds),
        integrals={t.label: both for t, (_, both) in zip(events.tracks, found, strict=True)},
    )
    measures |= count(
        swept.surroundings, labels, events.selection, events.merged, events.episodes, swept.marks
    )
    return Night(
        swept=swept,
        quality=swept.quality,
        criterion=criterion,
        reference=reference,
        window=window,
        amplitude=events.amplitude,
        background_uv=background,
        threshold_uv=usual_uv,
        bursts=events.bursts,
        merged=events.merged,
        episodes=events.episodes,
        selection=events.selection,
        labels=labels,
        measures=measures,
        notes=(
            *night_notes(swept, window, reference, criterion, events.amplitude, measures),
            *unknown_background_notes(swept, events),
            *_improbable(measures),
            *lost_side_notes(swept, window),
            *near_rest,
            *doubtful_notes(swept, measures),
        ),
    )


def _improbable(measures: Mapping[str, Measure]) -> list[Note]:
    """A note on counted bursts that are improbably strong, with what the other side shows."""
    n = measures["bursts_above_200_pct_mvc_count"].value
    if not n:
        return []
    alone = measures["one_sided_bursts_above_200_pct_mvc_count"].value
    sides = (
        ""
        if alone is None
        else f"; in {alone:.0f} of them one side was active alone while the other was seen"
    )
    return [
        Note(
            "bursts-improbable",
            "warning",
            f"{n:.0f} counted bursts have a peak above {IMPROBABLE_PCT_MVC:g} % MVC, which is improbable"
            f"{sides}. They may be electrode pops, or the clench was weak: look at them, and at the clench",
        )
    ]


def score_night(
    recording: Recording | str | Path,
    reference: Reference | None = None,
    criterion: Criterion | str = "phasic_tonic_10mvc",
    *,
    channels: Sequence[str] = (),
    window: Window | None = None,
    threads: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Night:
    """Score a recording from end to end.

    Parameters
    ----------
    recording
        From `open_recording`, or the file, whose digest is then taken from before it is opened on.
    reference
        What 100 % MVC is; needed unless the criterion is relative to background.
    criterion
        A rule set or its id.
    channels
        Labels to score; default: every muscle that the rule set was made for.
    window
        Analysed window; default: lights marks, else the whole recording.
    """
    if not isinstance(recording, Recording):
        path = Path(recording)
        with nullcontext(open_recording(path)) if threads == 1 else hashed_meanwhile(path) as opened:
            return score_night(
                opened,
                reference,
                criterion,
                channels=channels,
                window=window,
                threads=threads,
                progress=progress,
            )
    rules = load_criterion(criterion) if isinstance(criterion, str) else criterion
    picked = scorable_channels(recording, channels, rules.muscle)
    with digesting(recording, threads) as digest:
        swept = sweep_channels(recording, picked, threads, progress)
        night = score(
            swept,
            criterion=rules,
            window=window or find_window(swept.marks, swept.duration_s),
            reference=reference,
        )
        return replace(night, swept=swept.named(digest()))


def rescore(night: Night, criterion: Criterion | str) -> Night:
    """The same night under other rules, from what was swept once.

    Parameters
    ----------
    night
        A scored night, or one from its archive.
    criterion
        A rule set or its id.

    Returns
    -------
    Night
        As if it had been scored by these rules at once; what a review changed is not carried over.

    Raises
    ------
    CriterionError
        There is no such rule set.
    UsageError
        The rules need an MVC and the night has none.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sb.rescore(night, "lavigne1996").criterion.id
    'lavigne1996'
    """
    check(night=(night, of(Night)), criterion=(criterion, of(Criterion) | PATH))
    rules = load_criterion(criterion) if isinstance(criterion, str) else criterion
    again = score(night.swept, criterion=rules, window=night.window, reference=night.reference)
    again = replace(again, about=night.about, traces=night.traces, supersedes=night.supersedes)
    for other in night.alternative_readings:
        again = with_alternative_reading(again, other.reference)
    return again


def meant_criterion(night: Night) -> str:
    """Id of the rule set that was meant, where the night was scored by another; empty where by that."""
    return DEFAULT_ID if any(note.code == REPLACED for note in night.notes) else ""


def with_notes(night: Night, *notes: Note) -> Night:
    """The same night with more notes."""
    return replace(night, notes=tuple(dict.fromkeys((*night.notes, *notes))))


def with_alternative_reading(night: Night, reference: Reference) -> Night:
    """The same night with its reading against another reference beside it, and a note that names both."""
    other = score(night.swept, criterion=night.criterion, window=night.window, reference=reference)
    own = night.reference
    readings = [
        f"{_rate_text(n)} against {r.teeth if r else 'no reference'} (threshold {_threshold_text(n)})"
        for n, r in ((night, own), (other, reference))
    ]
    note = Note(
        "both-readings",
        "warning",
        "episodes per valid hour: " + "; ".join(readings) + ". The two are not comparable with each other",
    )
    return replace(
        with_notes(night, note),
        alternative_readings=(*night.alternative_readings, AlternativeReading(reference, other.measures)),
    )


def _rate_text(night: Night) -> str:
    value = night.measures["episodes_per_hour"].value
    return "not computable" if value is None else f"{value:.2f}"


def _threshold_text(night: Night) -> str:
    known = [f"{label} {uv:.3g} µV" for label, uv in night.threshold_uv.items() if uv is not None]
    return ", ".join(known) or "unknown"
