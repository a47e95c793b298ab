"""Measures of what surrounds the episodes: all of them, and those outside wake and movement, side by side."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.recording.model import Mark
from sleepbrux.scoring.context.awake import by_heart, by_movement, estimate_words, estimated, known_s
from sleepbrux.scoring.context.label import BREATHING_S
from sleepbrux.scoring.context.left_out import on_grid
from sleepbrux.scoring.context.model import ASLEEP, NO, OTHER, UNKNOWN, YES, Labels, in_seconds
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.measures import EPISODE_KEYS, Measure, Selection
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.scoring.thresholds import Ints
from sleepbrux.signal.sound import RISE_DB
from sleepbrux.signal.surroundings.marks import breathing_events
from sleepbrux.signal.surroundings.model import STAGES, Surroundings

RISES_PCT = (5, 10, 20, 25)
TWITCH_S = 0.25
KEYS = (*EPISODE_KEYS, "context.")
NO_WAKE = "the recording has neither sleep stages nor an ECG or a wrist sensor that tells who is awake"
NO_MOVEMENT = "no leg, no arm and no accelerometer, so body movements are not computable"
Bools = NDArray[np.bool_]


@dataclass
class _MeasureTable:
    """Measures as they are entered."""

    selection: Selection
    out: dict[str, Measure] = field(default_factory=dict)

    @property
    def basis(self) -> str:
        return f"valid hours of: {self.selection.basis}"

    def count(self, name: str, value: int | None, basis: str, why: str = "") -> None:
        known = None if value is None else float(value)
        self.out[name] = Measure(known, "1", basis, why, KEYS)

    def rate(
        self, name: str, n: int | None, hours: float, basis: str, why: str = "", unit: str = "1/h"
    ) -> None:
        reason = why or ("" if hours > 0 else "no such time in the window")
        value = None if reason or n is None else n / hours
        self.out[name] = Measure(value, unit, basis, reason, KEYS)

    def number(self, name: str, value: float | None, unit: str, basis: str) -> None:
        self.out[name] = Measure(value, unit, basis, "none in the window" if value is None else "", KEYS)


def _asleep(surroundings: Surroundings, valid: Spans) -> Spans:
    """Valid time that is scored as sleep."""
    stages = surroundings.stages
    if stages is None:
        return valid.grid.none()
    return valid & on_grid(valid.grid, stages.spans_s[np.isin(stages.code, ASLEEP)])


def in_wake(surroundings: Surroundings, labels: Labels) -> Bools | None:
    """Episodes that begin outside scored sleep, or, without stages, while probably awake."""
    if surroundings.stages is not None:
        return ~np.isin(labels.stage, ASLEEP)
    return labels.awake == YES if estimated(surroundings) else None


def wake_words(surroundings: Surroundings) -> tuple[str, str]:
    """What the count outside wake leaves out, and what it is divided by."""
    if surroundings.stages is not None:
        return "begin in scored sleep", "valid hour scored as sleep"
    return (
        f"begin while {estimate_words(surroundings)}",
        "valid hour of the window, as time probably awake is no measure of sleep",
    )


def _both_ways(book: _MeasureTable, surroundings: Surroundings, labels: Labels) -> None:
    index = book.selection.episodes
    wake = in_wake(surroundings, labels)
    moved = labels.movement[index] == YES if labels.movement_known else None
    staged = surroundings.stages is not None
    hours = _asleep(surroundings, book.selection.valid).hours if staged else book.selection.valid.hours
    kept, divisor = wake_words(surroundings)
    if wake is not None and staged:
        out = wake[index]
        basis = f"episodes that {kept}, per {divisor}"
        book.count("episodes_outside_wake_count", int((~out).sum()), f"episodes that {kept}")
        book.rate("episodes_outside_wake_per_hour", int((~out).sum()), hours, basis)
    if moved is not None:
        book.count(
            "episodes_in_movement_count",
            int(moved.sum()),
            "episodes of which the share that the rules ask for lies in a body movement",
        )
        book.count("episodes_outside_movement_count", int((~moved).sum()), "episodes outside body movements")
        book.rate(
            "episodes_outside_movement_per_hour",
            int((~moved).sum()),
            book.selection.valid.hours,
            f"episodes outside body movements; {book.basis}",
        )
    reason = "; ".join(why for why, lacks in ((NO_WAKE, wake is None), (NO_MOVEMENT, moved is None)) if lacks)
    n = None if wake is None or moved is None else int((~wake[index] & ~moved).sum())
    basis = f"episodes that {kept} and lie outside body movements, per {divisor}"
    name = "episodes_outside_wake_and_movement"
    book.count(f"{name}_count", n, basis.split(", per")[0], reason)
    if reason:
        basis = book.basis
    book.rate(f"{name}_per_hour", n, hours, basis, reason)


def _in_probable_sleep(
    book: _MeasureTable, surroundings: Surroundings, labels: Labels, episodes: Episodes
) -> None:
    """Episodes by the estimate of who is awake, where no stages are scored."""
    if surroundings.stages is not None or not estimated(surroundings):
        return
    index, grid = book.selection.episodes, book.selection.valid.grid
    at = labels.awake[index]
    known = book.selection.valid & on_grid(grid, known_s(surroundings, float(grid.duration_s)))
    kept = f"episodes that begin while {estimate_words(surroundings)}"
    name = "episodes_in_probable_sleep"
    book.count(f"{name}_count", int((at == NO).sum()), f"{kept}; an estimate")
    book.rate(
        f"{name}_per_hour",
        int((at == NO).sum()),
        known.hours,
        f"{kept}, per valid hour for which that is estimated: {known.hours:.2f} h; no rate per hour of sleep",
    )
    book.number(
        "awake_estimated_hours", known.hours, "h", "valid hours for which awake or asleep is estimated"
    )
    book.count("episodes_probably_awake_count", int((at == YES).sum()), "the others, by the same estimate")
    book.count(
        "episodes_unknown_awake_count", int((at == UNKNOWN).sum()), "episodes for which nothing is estimated"
    )
    if surroundings.wake_probability is not None and surroundings.wake_estimate is not None:
        seconds = in_seconds(episodes.starts[index], grid)
        heart, movement = by_heart(surroundings, seconds), by_movement(surroundings, seconds)
        differ = (heart != movement) & (heart != UNKNOWN) & (movement != UNKNOWN)
        book.count(
            "episodes_heart_and_movement_differ_count",
            int(differ.sum()),
            "episodes of which one of ECG and accelerometer says probably awake and the other does not",
        )


def _rates_by_stage(book: _MeasureTable, surroundings: Surroundings, labels: Labels) -> None:
    stages, valid = surroundings.stages, book.selection.valid
    if stages is None:
        return
    at = labels.stage[book.selection.episodes]
    asleep = _asleep(surroundings, valid)
    book.number("sleep_hours", asleep.hours, "h", f"valid hours scored as sleep ({stages.origin})")
    n = int(np.isin(at, ASLEEP).sum())
    book.rate(
        "episodes_per_hour_of_sleep",
        n,
        asleep.hours,
        f"episodes that begin in scored sleep, per hour of sleep ({stages.origin})",
    )
    for code, word in enumerate(STAGES):
        hours = (valid & on_grid(valid.grid, stages.spans_s[stages.code == code])).hours
        if hours > 0:
            book.rate(
                f"episodes_in_{slug(word)}_per_hour",
                int((at == code).sum()),
                hours,
                f"per valid hour scored as {word}: {hours:.2f} h",
            )


def slug(text: str) -> str:
    """A position's word as part of a measure's name."""
    return re.sub(r"[^a-z0-9]+", "_", text.casefold()).strip("_") or "unnamed"


def _rates_by_position(book: _MeasureTable, surroundings: Surroundings, labels: Labels) -> None:
    position, valid = surroundings.position, book.selection.valid
    if position is None:
        return
    at = labels.position[book.selection.episodes]
    for code, word in enumerate(position.names):
        hours = (valid & on_grid(valid.grid, position.spans_s[position.code == code])).hours
        if hours > 0:
            book.rate(
                f"episodes_position_{slug(word)}_per_hour",
                int((at == code).sum()),
                hours,
                f"per valid hour in the position {word}: {hours:.2f} h",
            )


def _heart(book: _MeasureTable, surroundings: Surroundings, labels: Labels) -> None:
    if surroundings.heart is None:
        return
    rise = labels.rise_5s_pct[book.selection.episodes]
    rise = rise[~np.isnan(rise)]
    told = "highest rate in the 5 s before onset over the median of the 60 s that end 10 s before"
    book.count("episodes_with_heart_rate_count", len(rise), "episodes whose heart rate is known")
    book.number("median_heart_rate_rise_pct", float(np.median(rise)) if len(rise) else None, "%", told)
    for limit in RISES_PCT:
        book.count(
            f"episodes_with_heart_rate_rise_{limit}_pct_count",
            int((rise >= limit).sum()),
            f"{told}, at or above {limit} %",
        )


def _sound(book: _MeasureTable, surroundings: Surroundings, labels: Labels) -> None:
    if surroundings.sound is None:
        return
    index = book.selection.episodes
    loud = labels.sound_db[index]
    loud = loud[~np.isnan(loud)]
    book.count(
        "episodes_with_sound_count",
        int((loud >= RISE_DB).sum()),
        f"episodes in which the sound rises {RISE_DB:g} dB or more over its background",
    )
    flag = labels.grinding[index]
    known = bool((flag != UNKNOWN).any())
    book.count(
        "episodes_with_grinding_like_sound_count",
        int((flag == YES).sum()) if known else None,
        "episodes with a sound whose energy lies mostly above 1 kHz; a flag, no proof of grinding",
        "" if known else "the sound channel is too slow, or no sound was recorded",
    )


def _breathing(book: _MeasureTable, labels: Labels, marks: tuple[Mark, ...]) -> None:
    events_s = breathing_events(marks)
    if not len(events_s):
        return
    lags = labels.breathing_lag_s[book.selection.episodes]
    near = lags[~np.isnan(lags)]
    valid = book.selection.valid
    reach = on_grid(valid.grid, events_s + np.array([-BREATHING_S, BREATHING_S]))
    share = (valid & reach).hours / valid.hours if valid.hours else 0.0
    book.count(
        "episodes_near_respiratory_event_count",
        len(near),
        f"episodes that begin within {BREATHING_S:g} s of a marked respiratory event",
    )
    book.number(
        "episodes_near_respiratory_event_by_chance",
        share * len(lags),
        "1",
        f"episodes that would begin there if they fell anywhere in valid time: {100 * share:.1f} % "
        "of it lies so near",
    )
    book.number(
        "median_lag_after_respiratory_event_s",
        float(np.median(near)) if len(near) else None,
        "s",
        "end of the nearest marked respiratory event to onset, those within 10 s",
    )


def _other(book: _MeasureTable, labels: Labels, bursts: CombinedBursts, episodes: Episodes) -> None:
    selection = book.selection
    slot = float(bursts.grid.slot_s)
    single = selection.bursts[episodes.of_burst[selection.bursts] < 0]
    brief = (bursts.stops - bursts.starts)[single] * slot < TWITCH_S
    book.count("twitch_count", int(brief.sum()), "single bursts shorter than 0.25 s")
    swallow = labels.swallow[selection.bursts]
    book.count(
        "swallow_like_burst_count",
        int((swallow > 0).sum()),
        "single bursts of 0.5–2 s with no other within 3 s; a label only",
    )
    at = labels.other[selection.episodes]
    book.count(
        "chewing_like_episode_count",
        int((at == OTHER.index("chewing-like")).sum()),
        "episodes faster than 1.25 Hz for 9 s or longer; a label, no verdict",
    )
    book.count(
        "talk_like_episode_count",
        int((at == OTHER.index("talk-like")).sum()),
        "episodes of short bursts without rhythm; a label, no verdict",
    )


def count(
    surroundings: Surroundings,
    labels: Labels,
    selection: Selection,
    bursts: CombinedBursts,
    episodes: Episodes,
    marks: tuple[Mark, ...],
) -> dict[str, Measure]:
    """Measures by name; those of signals that the night does not have are left out."""
    book = _MeasureTable(selection)
    _both_ways(book, surroundings, labels)
    if labels.movement_known:
        begins = np.rint(labels.movements_s[:, 0] / float(selection.valid.grid.slot_s)).astype(np.int64)
        book.rate(
            "body_movements_per_hour",
            int(selection.valid.holds(begins).sum()),
            selection.valid.hours,
            book.basis,
        )
    _in_probable_sleep(book, surroundings, labels, episodes)
    _rates_by_stage(book, surroundings, labels)
    _rates_by_position(book, surroundings, labels)
    _heart(book, surroundings, labels)
    _sound(book, surroundings, labels)
    _breathing(book, labels, marks)
    _other(book, labels, bursts, episodes)
    return book.out


def positions(surroundings: Surroundings, labels: Labels, selection: Selection) -> dict[str, Ints]:
    """The counted episodes that the measures of `count` count, by name; positions in the night's table."""
    index = selection.episodes
    found: dict[str, Ints] = {}
    wake = in_wake(surroundings, labels)
    moved = labels.movement == YES
    if wake is not None:
        estimate = surroundings.stages is None
        asleep = labels.awake == NO if estimate else ~wake
        found["episodes_in_probable_sleep" if estimate else "episodes_outside_wake"] = index[asleep[index]]
    if labels.movement_known:
        found["episodes_in_movement"] = index[moved[index]]
        found["episodes_outside_movement"] = index[~moved[index]]
    if wake is not None and labels.movement_known:
        found["episodes_outside_wake_and_movement"] = index[~(wake | moved)[index]]
    if surroundings.stages is not None:
        found["episodes_per_hour_of_sleep"] = index[np.isin(labels.stage[index], ASLEEP)]
        for code, stage in enumerate(STAGES):
            found[f"episodes_in_{stage}"] = index[labels.stage[index] == code]
    for code, word in enumerate(labels.positions):
        found[f"episodes_position_{slug(word)}"] = index[labels.position[index] == code]
    for limit in RISES_PCT:
        name = f"episodes_with_heart_rate_rise_{limit}_pct"
        found[name] = index[labels.rise_5s_pct[index] >= limit]
    found["episodes_with_sound"] = index[labels.sound_db[index] >= RISE_DB]
    found["episodes_with_grinding_like_sound"] = index[labels.grinding[index] == YES]
    found["episodes_near_respiratory_event"] = index[~np.isnan(labels.breathing_lag_s[index])]
    for code, word in enumerate(OTHER):
        if word:
            found[f"{slug(word)}_episode"] = index[labels.other[index] == code]
    return found
