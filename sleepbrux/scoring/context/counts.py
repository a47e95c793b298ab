"""Measures of what surrounds the episodes: all of them, and those outside wake and movement, side by side."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.recording.model import Mark
from sleepbrux.scoring.bursts import CombinedBursts, Ints
from sleepbrux.scoring.context.drop import on_grid
from sleepbrux.scoring.context.label import BREATHING_S
from sleepbrux.scoring.context.model import ASLEEP, OTHER, UNKNOWN, YES, Labels
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.measures import EPISODE_KEYS, Measure, Selection
from sleepbrux.signal.sound import RISE_DB
from sleepbrux.signal.surroundings.marks import breathing_events
from sleepbrux.signal.surroundings.model import STAGES, Surroundings

RISES_PCT = (5, 10, 20, 25)
TWITCH_S = 0.25
KEYS = (*EPISODE_KEYS, "context.")
NO_WAKE = "the recording has neither sleep stages nor an accelerometer with three axes"
NO_MOVEMENT = "no leg, no arm and no accelerometer, so body movements are not computable"
Bools = NDArray[np.bool_]


@dataclass
class _MeasureTable:
    """Measures as they are entered."""

    chosen: Selection
    out: dict[str, Measure] = field(default_factory=dict)

    @property
    def basis(self) -> str:
        return f"valid hours of: {self.chosen.basis}"

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


def _asleep(around: Surroundings, valid: Spans) -> Spans:
    """Valid time that is scored as sleep."""
    stages = around.stages
    if stages is None:
        return valid.grid.none()
    return valid & on_grid(valid.grid, stages.spans_s[np.isin(stages.code, ASLEEP)])


def in_wake(around: Surroundings, labels: Labels) -> Bools | None:
    """Episodes that begin outside scored sleep, or, without stages, while probably awake."""
    if around.stages is not None:
        return ~np.isin(labels.stage, ASLEEP)
    return labels.awake == YES if around.probably is not None else None


def wake_words(around: Surroundings) -> tuple[str, str]:
    """What the count outside wake leaves out, and what it is divided by."""
    if around.stages is not None:
        return "begin in scored sleep", "valid hour scored as sleep"
    return (
        "begin while the accelerometer does not say probably awake",
        "valid hour of the window, as time probably awake is no measure of sleep",
    )


def _both_ways(book: _MeasureTable, around: Surroundings, labels: Labels) -> None:
    index = book.chosen.episodes
    wake = in_wake(around, labels)
    moved = labels.movement[index] == YES if labels.movement_known else None
    staged = around.stages is not None
    hours = _asleep(around, book.chosen.valid).hours if staged else book.chosen.valid.hours
    kept, divisor = wake_words(around)
    if wake is not None:
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
            book.chosen.valid.hours,
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


def _rates_by_stage(book: _MeasureTable, around: Surroundings, labels: Labels) -> None:
    stages, valid = around.stages, book.chosen.valid
    if stages is None:
        return
    at = labels.stage[book.chosen.episodes]
    asleep = _asleep(around, valid)
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


def _rates_by_position(book: _MeasureTable, around: Surroundings, labels: Labels) -> None:
    position, valid = around.position, book.chosen.valid
    if position is None:
        return
    at = labels.position[book.chosen.episodes]
    for code, word in enumerate(position.names):
        hours = (valid & on_grid(valid.grid, position.spans_s[position.code == code])).hours
        if hours > 0:
            book.rate(
                f"episodes_position_{slug(word)}_per_hour",
                int((at == code).sum()),
                hours,
                f"per valid hour in the position {word}: {hours:.2f} h",
            )


def _heart(book: _MeasureTable, around: Surroundings, labels: Labels) -> None:
    if around.heart is None:
        return
    rise = labels.rise_5s_pct[book.chosen.episodes]
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


def _sound(book: _MeasureTable, around: Surroundings, labels: Labels) -> None:
    if around.sound is None:
        return
    index = book.chosen.episodes
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
    lags = labels.breathing_lag_s[book.chosen.episodes]
    near = lags[~np.isnan(lags)]
    valid = book.chosen.valid
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
    chosen = book.chosen
    slot = float(bursts.grid.slot_s)
    single = chosen.bursts[episodes.of_burst[chosen.bursts] < 0]
    brief = (bursts.stops - bursts.starts)[single] * slot < TWITCH_S
    book.count("twitch_count", int(brief.sum()), "single bursts shorter than 0.25 s")
    swallow = labels.swallow[chosen.bursts]
    book.count(
        "swallow_like_burst_count",
        int((swallow > 0).sum()),
        "single bursts of 0.5-2 s with no other within 3 s; a label only",
    )
    at = labels.other[chosen.episodes]
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
    around: Surroundings,
    labels: Labels,
    chosen: Selection,
    bursts: CombinedBursts,
    episodes: Episodes,
    marks: tuple[Mark, ...],
) -> dict[str, Measure]:
    """Measures by name; those of signals that the night does not have are left out."""
    book = _MeasureTable(chosen)
    _both_ways(book, around, labels)
    if labels.movement_known:
        begins = np.rint(labels.movements_s[:, 0] / float(chosen.valid.grid.slot_s)).astype(np.int64)
        book.rate(
            "body_movements_per_hour", int(chosen.valid.holds(begins).sum()), chosen.valid.hours, book.basis
        )
    _rates_by_stage(book, around, labels)
    _rates_by_position(book, around, labels)
    _heart(book, around, labels)
    _sound(book, around, labels)
    _breathing(book, labels, marks)
    _other(book, labels, bursts, episodes)
    return book.out


def positions(around: Surroundings, labels: Labels, chosen: Selection) -> dict[str, Ints]:
    """The counted episodes that the measures of `count` count, by name; positions in the night's table."""
    index = chosen.episodes
    found: dict[str, Ints] = {}
    wake = in_wake(around, labels)
    moved = labels.movement == YES
    if wake is not None:
        found["episodes_outside_wake"] = index[~wake[index]]
    if labels.movement_known:
        found["episodes_in_movement"] = index[moved[index]]
        found["episodes_outside_movement"] = index[~moved[index]]
    if wake is not None and labels.movement_known:
        found["episodes_outside_wake_and_movement"] = index[~(wake | moved)[index]]
    if around.stages is not None:
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
