"""The numbers of a night, each with its unit, its basis, and a reason where there is none."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.criteria import Criterion
from sleepbrux.scoring.bursts import IMPROBABLE_PCT_MVC, SHORT
from sleepbrux.scoring.episodes import EPISODE_MIXED, EPISODE_PHASIC, KINDS, Episodes
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.scoring.thresholds import Ints
from sleepbrux.scoring.uncertainty import TOO_FEW, Blocks, Interval, counting_interval
from sleepbrux.signal.quantiles import median

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
    intervals
        How sure it is; empty where nothing honest can be said.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> measure = night.measures["episode_count"]
    >>> measure.value, measure.unit
    (4.0, '1')
    """

    value: float | None
    unit: str
    basis: str
    reason: str = ""
    keys: tuple[str, ...] = ()
    intervals: tuple[Interval, ...] = ()

    @property
    def own_interval(self) -> Interval | None:
        """The interval that allows for events in clusters; None where there is none."""
        return next((i for i in self.intervals if i.name == "scaled_counting"), None)


@dataclass(frozen=True, eq=False)
class Selection:
    """Events of the analysed window, and the time in which they could be seen.

    Attributes
    ----------
    window, valid
        Spans on the events' grid: the analysed window, and its usable part.
    bursts, episodes
        Positions in the night's tables of those that count: episodes whose onset was seen in the valid
        window with all their bursts, and single bursts whose onset was.
    """

    window: Spans
    valid: Spans
    basis: str
    bursts: NDArray[np.int64]
    episodes: NDArray[np.int64]


def select(
    bursts: CombinedBursts,
    episodes: Episodes,
    window: Spans,
    known: Spans,
    basis: str,
    *,
    drop_cut: bool = False,
    drop: NDArray[np.bool_] | None = None,
) -> Selection:
    """Events whose onset was seen in the window; a burst of an episode follows its episode.

    What was active already when lost time ended began in lost time, which is not among the hours, and
    does not count either. ``drop_cut`` leaves out episodes with lost time in or beside them, ``drop`` those
    that it marks.
    """
    valid = window & known
    unseen = Spans.of(bursts.grid, bursts.unknown) - Spans.of(bursts.grid, bursts.known)

    def seen(starts: Ints) -> NDArray[np.bool_]:
        return valid.holds(starts) & (starts > 0) & ~unseen.holds(starts - 1)

    inside = seen(episodes.starts)
    if drop_cut:
        inside &= np.array(["edge" not in flags for flags in episodes.flags], dtype=np.bool_)
    if drop is not None:
        inside &= ~drop
    of = episodes.of_burst
    counted = np.where(of >= 0, np.append(inside, False)[of], seen(bursts.starts))
    return Selection(window, valid, basis, np.flatnonzero(counted), np.flatnonzero(inside))


BURST_KEYS = ("threshold.", "envelope.", "burst.", "sides.")
EPISODE_KEYS = (*BURST_KEYS, "episode.")


def _median(values: NDArray[np.floating[Any]]) -> float | None:
    values = values[~np.isnan(values)]
    return median(values) if len(values) else None


def _clipped_s(starts: Iterable[int], stops: Iterable[int], valid: Spans) -> float:
    """Seconds of events inside the valid window."""
    pairs = list(zip(starts, stops, strict=True))
    return (Spans.of(valid.grid, pairs) & valid).duration_s


class _MeasureTable:
    """Measures as they are entered, with what they share."""

    def __init__(self, selection: Selection, *, intervals: bool) -> None:
        self.out: dict[str, Measure] = {}
        self.hours = selection.valid.hours
        self.basis = f"valid hours of: {selection.basis}"
        self.none_valid = "" if self.hours > 0 else "no valid time in the window"
        self.blocks = Blocks.of(selection.valid) if intervals else None

    def rate(self, name: str, onsets: Ints, keys: tuple[str, ...], *, why: str = "") -> None:
        """Events per valid hour, with its intervals where they are wanted."""
        reason = self.none_valid or why
        value = None if reason else len(onsets) / self.hours
        intervals: tuple[Interval, ...] = ()
        if self.blocks is not None and not reason:
            counting = counting_interval(len(onsets), self.hours)
            scaled = self.blocks.interval(onsets)
            intervals = (
                (counting, scaled)
                if scaled
                else (replace(counting, meaning=f"{counting.meaning}; {TOO_FEW}"),)
            )
        self.out[name] = Measure(value, "1/h", self.basis, reason, keys, intervals)

    def number(
        self,
        name: str,
        value: float | None,
        unit: str,
        basis: str,
        keys: tuple[str, ...] = (),
        *,
        why: str = "",
    ) -> None:
        """Any other measure; without a value and a reason there was no such event."""
        reason = self.none_valid or why or ("none in the window" if value is None else "")
        known = None if reason or value is None else float(value)
        self.out[name] = Measure(known, unit, basis, reason, keys)


NO_MVC, OTHER_KIND = "no reference clench", "the clench is stated in the other kind of µV"
LOST_TIME_OF_REVIEWED = "not computed after a review: it is about the automatic scoring"
IN_EPISODES = "bursts inside counted episodes"


def _counts(
    book: _MeasureTable,
    selection: Selection,
    bursts: CombinedBursts,
    episodes: Episodes,
    untyped: str,
    unmixed: str,
) -> None:
    """How many episodes and bursts there were, and how much of the time they took."""
    kind = episodes.kind[selection.episodes]
    starts, stops = episodes.starts[selection.episodes], episodes.stops[selection.episodes]
    in_episode = selection.bursts[episodes.of_burst[selection.bursts] >= 0]
    single = selection.bursts[episodes.of_burst[selection.bursts] < 0]
    short = bursts.kind[single] == SHORT
    book.rate("episodes_per_hour", starts, EPISODE_KEYS)
    for code, word in enumerate(KINDS[:3]):
        why = untyped or (unmixed if code == EPISODE_MIXED else "")
        book.rate(f"{word}_episodes_per_hour", starts[kind == code], EPISODE_KEYS, why=why)
    book.number(
        "episode_count", len(kind), "1", "episodes whose onset was seen in the valid window", EPISODE_KEYS
    )
    book.rate("bursts_per_hour", bursts.starts[in_episode], EPISODE_KEYS)
    book.number("burst_count", len(in_episode), "1", IN_EPISODES, EPISODE_KEYS)
    book.rate("isolated_bursts_per_hour", bursts.starts[single[~short]], EPISODE_KEYS)
    book.rate("short_bursts_per_hour", bursts.starts[single[short]], BURST_KEYS)
    book.number(
        "bursts_per_episode",
        len(in_episode) / len(kind) if len(kind) else None,
        "1",
        f"{IN_EPISODES} / counted episodes",
        EPISODE_KEYS,
    )
    phasic = episodes.n_bursts[selection.episodes[kind == EPISODE_PHASIC]]
    book.number(
        "bursts_per_phasic_episode",
        float(phasic.mean()) if len(phasic) else None,
        "1",
        "bursts inside counted phasic episodes / these episodes",
        EPISODE_KEYS,
        why=untyped,
    )
    valid_s = selection.valid.duration_s
    for name, a, b, what in (
        ("time_in_episodes_pct", starts, stops, "episode spans, first onset to last offset"),
        ("time_in_bursts_pct", bursts.starts[in_episode], bursts.stops[in_episode], IN_EPISODES),
    ):
        seconds = _clipped_s(a.tolist(), b.tolist(), selection.valid)
        book.number(
            name,
            100 * seconds / valid_s if valid_s else None,
            "%",
            f"{what}, as a share of the {book.basis}",
            EPISODE_KEYS,
        )


@dataclass(frozen=True)
class Possible:
    """What lost and doubtful time could change.

    Attributes
    ----------
    least, most
        Episodes, from `possible_counts.possible_counts`.
    doubtful_hours, doubtful_episodes
        Valid time that is doubtful, and counted episodes that meet it.
    rates_per_hour
        Lowest and highest rate by another reading of doubtful time; empty without one.
    """

    least: int
    most: int
    doubtful_hours: float = 0.0
    doubtful_episodes: int = 0
    rates_per_hour: tuple[float, ...] = ()


def _possible(book: _MeasureTable, possible: Possible | None) -> None:
    """How many episodes it can have been, whatever lost time held, and by another reading of doubtful time."""
    why = LOST_TIME_OF_REVIEWED if possible is None else ""
    for k, (word, fewest) in enumerate((("least", "fewest"), ("most", "most"))):
        n = None if possible is None else (possible.least, possible.most)[k]
        basis = f"{fewest} episodes that can have begun in valid time, whatever lost time held"
        book.number(f"{word}_episode_count", n, "1", basis, EPISODE_KEYS, why=why)
        rate = n / book.hours if n is not None and book.hours > 0 else None
        book.number(f"{word}_episodes_per_hour", rate, "1/h", book.basis, EPISODE_KEYS, why=why)
    found = possible or Possible(0, 0)
    for word, furthest, bound in (("lowest", min, found.least), ("highest", max, found.most)):
        known = possible is not None and book.hours > 0
        rate = furthest((bound / book.hours, *found.rates_per_hour)) if known else None
        basis = f"{word} rate by any reading of lost and doubtful time; {book.basis}"
        book.number(f"{word}_episodes_per_hour", rate, "1/h", basis, EPISODE_KEYS, why=why)
    doubtful = (None, None) if possible is None else (found.doubtful_hours, found.doubtful_episodes)
    book.number("doubtful_hours", doubtful[0], "h", "valid time whose activity is doubtful; counted", why=why)
    book.number(
        "episodes_in_doubtful_time_count",
        doubtful[1],
        "1",
        "counted episodes that meet doubtful time",
        EPISODE_KEYS,
        why=why,
    )


def _hours(book: _MeasureTable, selection: Selection) -> None:
    """The window and what is left of it."""
    for name, hours, basis in (
        ("analysed_hours", selection.window.hours, f"window: {selection.basis}"),
        (
            "excluded_hours",
            (selection.window - selection.valid).hours,
            "gaps and unusable time inside the window",
        ),
        ("valid_hours", book.hours, "window less gaps and unusable time; denominator of every rate"),
    ):
        book.out[name] = Measure(hours, "h", basis)


def _amplitudes(
    book: _MeasureTable, selection: Selection, bursts: CombinedBursts, episodes: Episodes, no_mvc: str
) -> None:
    """How strong the bursts of episodes were."""
    in_episode = selection.bursts[episodes.of_burst[selection.bursts] >= 0]
    peaks = bursts.peak_pct_mvc[in_episode]
    no_mvc = no_mvc if len(peaks) and np.isnan(peaks).all() else ""
    book.number("median_burst_peak_pct_mvc", _median(peaks), "% MVC", IN_EPISODES, BURST_KEYS, why=no_mvc)
    _improbable(book, selection, bursts, no_mvc)
    book.number("median_burst_peak_uv", _median(bursts.peak_uv[in_episode]), "µV", IN_EPISODES, BURST_KEYS)


def _improbable(book: _MeasureTable, selection: Selection, bursts: CombinedBursts, no_mvc: str) -> None:
    """Bursts stronger than a muscle is likely to be, and what the other side says of them."""
    strong = selection.bursts[bursts.improbable[selection.bursts]]
    lost = ~Spans.of(bursts.grid, bursts.known)
    seen = lost.slots_before(bursts.stops[strong]) == lost.slots_before(bursts.starts[strong])
    alone = np.isin(bursts.channels[strong], 1 << np.arange(len(bursts.labels)))
    several = len(bursts.labels) > 1
    book.number(
        "bursts_above_200_pct_mvc_count",
        len(strong),
        "1",
        f"counted bursts with a peak above {IMPROBABLE_PCT_MVC:g} % MVC",
        BURST_KEYS,
        why=no_mvc,
    )
    book.number(
        "one_sided_bursts_above_200_pct_mvc_count",
        int((alone & seen).sum()),
        "1",
        "of these, shown by one channel while every other was seen and was not active",
        BURST_KEYS,
        why=no_mvc or ("" if several else "one channel was scored"),
    )


def _times(
    book: _MeasureTable, selection: Selection, bursts: CombinedBursts, episodes: Episodes, untyped: str
) -> None:
    """How long bursts and episodes lasted, and how they followed each other."""
    slot = float(bursts.grid.slot_s)
    in_episode = selection.bursts[episodes.of_burst[selection.bursts] >= 0]
    of, begin, end = (v[in_episode] for v in (episodes.of_burst, bursts.starts, bursts.stops))
    starts, stops = episodes.starts[selection.episodes], episodes.stops[selection.episodes]
    book.number("median_burst_duration_s", _median((end - begin) * slot), "s", IN_EPISODES, BURST_KEYS)
    book.number(
        "median_episode_duration_s",
        _median((stops - starts) * slot),
        "s",
        "first onset to last offset",
        EPISODE_KEYS,
    )
    book.number(
        "median_inter_episode_interval_s",
        _median((starts[1:] - stops[:-1]) * slot),
        "s",
        "offset to next onset, excluded time counted",
        EPISODE_KEYS,
    )
    within = np.diff(of) == 0
    book.number(
        "median_inter_burst_interval_s",
        _median((begin[1:] - end[:-1])[within] * slot),
        "s",
        "offset to next onset inside counted episodes",
        EPISODE_KEYS,
    )
    phasic = within & (episodes.kind[of[1:]] == EPISODE_PHASIC)
    book.number(
        "median_phasic_rhythm_hz",
        _median(1 / (np.diff(begin)[phasic] * slot)),
        "Hz",
        "1 / onset to next onset inside counted phasic episodes",
        EPISODE_KEYS,
        why=untyped,
    )


def _integrals(
    book: _MeasureTable, integrals: Mapping[str, tuple[float | None, float | None]], no_mvc: str
) -> None:
    """Activity above the background, without a threshold."""
    basis = "envelope less running background, summed over valid time without a threshold; mean over channels"
    for k, (name, unit) in enumerate((("uv_s", "µV·s/h"), ("pct_mvc_s", "% MVC·s/h"))):
        seen = [v[k] for v in integrals.values() if v[k] is not None]
        lacking = no_mvc if k == 1 and not seen else ""
        book.number(
            f"integral_above_background_{name}_per_hour",
            _mean(seen),
            unit,
            basis,
            ("envelope.", "background."),
            why=lacking,
        )


def _mean(values: Iterable[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return math.fsum(known) / len(known) if known else None


@dataclass(frozen=True)
class NightLevels:
    """Levels that measures of a night name.

    Attributes
    ----------
    background_uv
        Resting level by channel.
    threshold_pct_mvc
        Usual threshold, mean over channels; None where it is none in % MVC.
    no_mvc
        Why there is no amplitude in % MVC, where there is none.
    """

    background_uv: Mapping[str, float | None]
    threshold_pct_mvc: float | None = None
    no_mvc: str = NO_MVC


NO_LEVELS = NightLevels({})


def compute(
    selection: Selection,
    bursts: CombinedBursts,
    episodes: Episodes,
    criterion: Criterion,
    levels: NightLevels = NO_LEVELS,
    *,
    integrals: Mapping[str, tuple[float | None, float | None]] | None = None,
    possible: Possible | None = None,
) -> dict[str, Measure]:
    """Measures of a night, by name, in the order in which a report shows them.

    Parameters
    ----------
    integrals
        Integral above background by channel, per valid hour: µV·s, and % MVC·s. None leaves out these
        two measures, what lost time could change, and all intervals, which take more time than the rest.
    possible
        What lost and doubtful time could change; None after a review.
    """
    background, threshold_pct_mvc, no_mvc = levels.background_uv, levels.threshold_pct_mvc, levels.no_mvc
    book = _MeasureTable(selection, intervals=integrals is not None)
    untyped = "" if criterion.burst.types else "the criterion has no burst types"
    flagged = criterion.episode.mixed == "tonic_flagged"
    unmixed = "the criterion has no mixed class: such episodes are tonic, flagged" if flagged else ""
    _counts(book, selection, bursts, episodes, untyped, unmixed)
    if integrals is not None:
        _possible(book, possible)
    _hours(book, selection)
    _amplitudes(book, selection, bursts, episodes, no_mvc)
    _times(book, selection, bursts, episodes, untyped)
    book.number(
        "background_uv",
        _mean(background.values()),
        "µV",
        "median of the envelope outside bursts in valid time, mean over channels",
        BURST_KEYS,
    )
    if integrals is not None:
        book.number(
            "threshold_pct_mvc",
            threshold_pct_mvc,
            "% MVC",
            "threshold, its median over the night where it follows the background; mean over channels",
            ("threshold.", "background."),
            why="" if threshold_pct_mvc is not None else no_mvc,
        )
        _integrals(book, integrals, no_mvc)
    return book.out


def histogram(values: NDArray[np.float64], borders: tuple[float, ...]) -> list[tuple[str, int]]:
    """Counts between borders, the last class open: ``[("0-10", 3), ..., (">= 200", 1)]``.

    A value on a border falls into the class above it.
    """
    values = values[~np.isnan(values)]
    place = np.searchsorted(np.array(borders), values, side="right") - 1
    names = [f"{a:g}-{b:g}" for a, b in pairwise(borders)]
    names.append(f">= {borders[-1]:g}")
    return [(name, int((place == k).sum())) for k, name in enumerate(names)]


LABELS = {
    "episodes_per_hour": "episodes per hour",
    "phasic_episodes_per_hour": "phasic episodes per hour",
    "tonic_episodes_per_hour": "tonic episodes per hour",
    "mixed_episodes_per_hour": "mixed episodes per hour",
    "episode_count": "episodes",
    "least_episode_count": "episodes at least, whatever lost time held",
    "most_episode_count": "episodes at most, whatever lost time held",
    "least_episodes_per_hour": "episodes per hour at least, whatever lost time held",
    "most_episodes_per_hour": "episodes per hour at most, whatever lost time held",
    "lowest_episodes_per_hour": "lowest episodes per hour by any reading of lost and doubtful time",
    "highest_episodes_per_hour": "highest episodes per hour by any reading of lost and doubtful time",
    "doubtful_hours": "hours of doubtful activity",
    "episodes_in_doubtful_time_count": "episodes that meet doubtful time",
    "bursts_above_200_pct_mvc_count": "bursts above 200 % MVC",
    "one_sided_bursts_above_200_pct_mvc_count": "bursts above 200 % MVC on one side alone",
    "bursts_per_hour": "bursts in episodes per hour",
    "burst_count": "bursts in episodes",
    "isolated_bursts_per_hour": "single bursts per hour",
    "short_bursts_per_hour": "short single bursts per hour",
    "bursts_per_episode": "bursts per episode",
    "bursts_per_phasic_episode": "bursts per phasic episode",
    "time_in_episodes_pct": "time in episodes",
    "time_in_bursts_pct": "time in bursts of episodes",
    "analysed_hours": "analysed hours (the window)",
    "excluded_hours": "excluded hours",
    "valid_hours": "valid hours",
    "median_burst_peak_pct_mvc": "median burst peak, % MVC",
    "median_burst_peak_uv": "median burst peak, µV",
    "median_burst_duration_s": "median burst duration",
    "median_episode_duration_s": "median episode duration",
    "median_inter_episode_interval_s": "median pause between episodes",
    "median_inter_burst_interval_s": "median pause between bursts",
    "median_phasic_rhythm_hz": "median rhythm of phasic episodes",
    "integral_above_background_uv_s_per_hour": "integral above background, µV s per hour",
    "integral_above_background_pct_mvc_s_per_hour": "integral above background, % MVC s per hour",
    "background_uv": "background",
    "threshold_pct_mvc": "threshold",
    "sleep_hours": "hours of sleep",
    "episodes_per_hour_of_sleep": "episodes per hour of sleep",
    "episodes_outside_wake_count": "episodes outside wake",
    "episodes_outside_wake_per_hour": "episodes outside wake per hour",
    "episodes_in_probable_sleep_count": "episodes in probable sleep",
    "episodes_in_probable_sleep_per_hour": "episodes in probable sleep per hour",
    "awake_estimated_hours": "hours for which awake or asleep is estimated",
    "episodes_probably_awake_count": "episodes while probably awake",
    "episodes_unknown_awake_count": "episodes for which awake or asleep is not estimated",
    "episodes_heart_and_movement_differ_count": "episodes on which ECG and accelerometer differ",
    "episodes_in_movement_count": "episodes in body movements",
    "episodes_outside_movement_count": "episodes outside body movements",
    "episodes_outside_movement_per_hour": "episodes outside body movements per hour",
    "episodes_outside_wake_and_movement_count": "episodes outside wake and body movements",
    "episodes_outside_wake_and_movement_per_hour": "episodes outside wake and body movements per hour",
    "body_movements_per_hour": "body movements per hour",
    "episodes_with_heart_rate_count": "episodes with a known heart rate",
    "median_heart_rate_rise_pct": "median rise of the heart rate before episodes",
    "episodes_with_sound_count": "episodes with sound",
    "episodes_with_grinding_like_sound_count": "episodes with a grinding-like sound",
    "episodes_near_respiratory_event_count": "episodes near a respiratory event",
    "episodes_near_respiratory_event_by_chance": "episodes near a respiratory event by chance",
    "median_lag_after_respiratory_event_s": "median time from a respiratory event to an episode",
    "twitch_count": "twitches",
    "swallow_like_burst_count": "swallow-like bursts",
    "chewing_like_episode_count": "chewing-like episodes",
    "talk_like_episode_count": "talk-like episodes",
}
_FAMILIES = (
    (re.compile(r"episodes_position_(\w+)_per_hour"), "episodes per hour in the position {}"),
    (re.compile(r"episodes_in_(\w+)_per_hour"), "episodes per hour in stage {}"),
    (
        re.compile(r"episodes_with_heart_rate_rise_(\d+)_pct_count"),
        "episodes with a heart rate that rises by {} % or more",
    ),
)


def label_of(name: str) -> str:
    """A measure's name as people read it.

    Examples
    --------
    >>> label_of("swallow_like_burst_count"), label_of("episodes_in_n2_per_hour")
    ('swallow-like bursts', 'episodes per hour in stage n2')
    """
    if name in LABELS:
        return LABELS[name]
    for pattern, words in _FAMILIES:
        found = pattern.fullmatch(name)
        if found:
            return words.format(found[1].replace("_", " "))
    return name.replace("_", " ")
