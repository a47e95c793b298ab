"""The tables of a page as rows of printed text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sleepbrux.core.printed import hours_text, lasting
from sleepbrux.core.spans import Spans
from sleepbrux.report.clock_hours import unit_of
from sleepbrux.report.numbers import clock, count_of, plain, seconds_of_day, text, with_unit
from sleepbrux.report.payload import mark_label
from sleepbrux.report.surroundings import flags as around_flags
from sleepbrux.report.wording import FLAG_WORDS, interval_of, reason_words
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.measures import Measure, label_of
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.numbering import episode_numbers
from sleepbrux.scoring.robustness import RuleReading

UNITS = {"1": "count"}
PER_EPISODE = ("bursts_per_episode", "bursts_per_phasic_episode")
MOST_SPANS = 8


class MeasureRow(NamedTuple):
    """One measure as printed; ``interval`` is the one to read, ``intervals`` all of them with their meaning."""

    name: str
    label: str
    value: str
    unit: str
    interval: str
    basis: str
    missing: bool
    intervals: tuple[str, ...]


GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Rates, per hour",
        (
            "episodes_per_hour",
            "phasic_episodes_per_hour",
            "tonic_episodes_per_hour",
            "mixed_episodes_per_hour",
            "episodes_per_hour_of_sleep",
            "episodes_outside_wake_per_hour",
            "episodes_outside_wake_and_movement_per_hour",
        ),
    ),
    (
        "Bursts",
        (
            "bursts_per_hour",
            "isolated_bursts_per_hour",
            "bursts_per_episode",
            "median_burst_duration_s",
            "median_phasic_rhythm_hz",
        ),
    ),
    (
        "Time",
        (
            "valid_hours",
            "excluded_hours",
            "bruxism_time_index_pct",
            "median_episode_duration_s",
            "median_inter_episode_interval_s",
        ),
    ),
    (
        "Amplitude",
        (
            "median_burst_peak_pct_mvc",
            "median_burst_peak_uv",
            "bursts_above_200_pct_mvc_count",
            "background_uv",
        ),
    ),
)


class MeasureGroup(NamedTuple):
    """Measures of one kind, as rows of one table."""

    title: str
    rows: list[MeasureRow]


def _interval(m: Measure) -> str:
    """The interval to read: of this night, else the Poisson one with a mark."""
    own = interval_of(m)
    counted = next((i for i in m.intervals if i.name == "counting_noise"), None)
    if own or counted is None:
        return own
    return f"({text(counted.low, m.unit)}–{text(counted.high, m.unit)})"


def _measure(night: Night, name: str) -> MeasureRow:
    m = night.measures[name]
    unit = "per episode" if name in PER_EPISODE else UNITS.get(m.unit, m.unit)
    intervals = tuple(
        f"95 %: {text(i.low, m.unit)}–{text(i.high, m.unit)} ({i.meaning})" for i in m.intervals
    )
    shown = text(m.value, m.unit, m.reason)
    if m.unit == "h" and m.value is not None:
        shown = lasting(3600 * m.value) if name == "excluded_hours" else hours_text(m.value)
        unit = ""
    return MeasureRow(name, label_of(name), shown, unit, _interval(m), m.basis, m.value is None, intervals)


def measures(night: Night) -> list[MeasureRow]:
    """Every measure of the night, in its order."""
    return [_measure(night, name) for name in night.measures]


def _tells_nothing(row: MeasureRow) -> bool:
    return row.missing or (row.name == "bursts_above_200_pct_mvc_count" and row.value == "0")


def measure_groups(night: Night) -> list[MeasureGroup]:
    """The measures that most readers want, by kind, without those that this night has no value of."""
    groups = []
    for title, names in GROUPS:
        rows = [_measure(night, n) for n in names if n in night.measures]
        if rows := [row for row in rows if row.name == "episodes_per_hour" or not _tells_nothing(row)]:
            groups.append(MeasureGroup(title, rows))
    return groups


class EpisodeRow(NamedTuple):
    """One episode as printed; ``number`` is that of all tables, empty where it does not count.

    ``total`` is the last number, 0 after a review: numbers of episodes that were rejected stay free.
    """

    place: int
    number: str
    onset: str
    duration: str
    kind: str
    bursts: str
    peak_pct: str
    mean_pct: str
    peak_uv: str
    sides: str
    flags: str
    counted: bool
    total: int

    @property
    def bursts_words(self) -> str:
        """``"15 bursts"``."""
        n, opening, kinds = self.bursts.partition(" (")
        return f"{count_of(int(n), 'burst')}{opening}{kinds}"

    @property
    def summary(self) -> str:
        """One sentence, as the page reads it out."""
        peak = f"{self.peak_uv}" if self.peak_pct == "n/a" else f"{self.peak_pct} % of maximal clench (MVC)"
        flags = f"; {self.flags}" if self.flags else ""
        of = f" of {self.total}" if self.total else ""
        name = f"Episode {self.number}{of}" if self.counted else "Not counted"
        return (
            f"{name}, {self.onset}: {self.kind}, {self.duration} s, {self.bursts_words}, "
            f"peak {peak}, {self.sides}{flags}"
        )


def _sides(night: Night) -> list[str]:
    channels = {f.channel.label: f.channel for f in night.swept.frames}
    names = []
    for label in night.merged.labels:
        channel = channels.get(label)
        names.append(channel.side if channel and channel.side else label)
    return names if len(set(names)) == len(names) else list(night.merged.labels)


def episodes(night: Night) -> list[EpisodeRow]:
    """Every episode of the recording, those that do not count among them."""
    table, merged = night.episodes, night.merged
    begin = seconds_of_day(night.swept.start_clock)
    slot = float(table.grid.slot_s)
    sides = _sides(night)
    counted = episode_numbers(night)
    inside_window = np.flatnonzero(night.selection.valid.holds(table.starts)).tolist()
    left_out = set(inside_window) - counted.keys()
    peak_uv = np.full(len(table), np.nan)
    inside = table.of_burst >= 0
    np.fmax.at(peak_uv, table.of_burst[inside], merged.peak_uv[inside])
    relative = night.merged.labels != tuple(f.channel.label for f in night.swept.frames)
    rows = []
    for i in range(len(table)):
        start, stop = int(table.starts[i]) * slot, int(table.stops[i]) * slot
        n, phasic, tonic = int(table.n_bursts[i]), int(table.n_phasic[i]), int(table.n_tonic[i])
        kinds = f" ({phasic} phasic, {tonic} tonic)" if phasic and tonic else ""
        who = [s for k, s in enumerate(sides) if int(table.channels[i]) >> k & 1]
        rows.append(
            EpisodeRow(
                place=i,
                number=str(counted.get(i, "")),
                onset=clock(start, begin),
                duration=text(stop - start, "s"),
                kind=KINDS[int(table.kind[i])],
                bursts=f"{n}{kinds}",
                peak_pct=text(float(table.peak_pct_mvc[i]), "% MVC"),
                mean_pct=text(float(table.mean_pct_mvc[i]), "% MVC"),
                peak_uv="n/a" if relative else with_unit(float(peak_uv[i]), unit_of(night)),
                sides=" + ".join(who),
                flags="; ".join(
                    [FLAG_WORDS.get(f, f) for f in table.flags[i]]
                    + (["left out by the rules"] if i in left_out else [])
                    + around_flags(night, i)
                ),
                counted=i in counted,
                total=0 if night.numbers else len(counted),
            )
        )
    return rows


class ExcludedRow(NamedTuple):
    """Time of a channel that cannot be scored, for one reason."""

    channel: str
    reason: str
    minutes: str
    minutes_in_window: str
    when: str


def _minutes(spans: Spans) -> str:
    return lasting(spans.duration_s)


def _when(spans: Spans, begin: float | None) -> str:
    pairs = spans.seconds()
    ends = [(clock(a, begin), clock(b, begin)) for a, b in pairs[:MOST_SPANS]]
    shown = [a if a == b else f"{a}–{b}" for a, b in ends]
    more = len(pairs) - len(shown)
    return ", ".join(shown) + (f" and {count_of(more, 'more stretch', 'more stretches')}" if more else "")


def excluded(night: Night) -> list[ExcludedRow]:
    """What was left out, by channel and reason, and together."""
    begin = seconds_of_day(night.swept.start_clock)
    rows = []
    together = night.merged.grid.none()
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        window = night.window.on(frames.grid)
        for reason, spans in quality.faults.items():
            together = together | spans.on(together.grid)
            rows.append(
                ExcludedRow(
                    frames.channel.label,
                    reason_words(reason),
                    _minutes(spans),
                    _minutes(spans & window),
                    _when(spans, begin),
                )
            )
    left_out = night.selection.window - night.selection.valid
    other = left_out - together
    if other.duration_s >= 0.05:
        minutes = _minutes(other)
        rows.append(
            ExcludedRow(
                "any",
                "background not known: too little quiet time near",
                minutes,
                minutes,
                _when(other, begin),
            )
        )
    minutes = _minutes(left_out)
    rows.append(
        ExcludedRow("all together", "left out of the hours: any scored channel unusable", "", minutes, "")
    )
    return rows


def channels(night: Night) -> list[dict[str, str]]:
    """The scored channels with their reference."""
    rows = []
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        channel = frames.channel
        level = night.reference.level(channel.label) if night.reference else None
        cv = level.cv_pct if level else None
        none = "no reference clench"
        unit = "µV" if channel.unit == "uV" else channel.unit
        rows.append(
            {
                "label": channel.label,
                "muscle": " ".join(w for w in (channel.side, channel.muscle) if w) or "not named",
                "rate": f"{float(channel.rate):.6g} Hz",
                "unit": unit,
                "mvc": text(level.mvc_uv, "µV") if level else text(None, "", none),
                "trials": (
                    f"{len(level.trials_uv)} (CV {text(cv, '%')} %)"
                    if level and cv is not None
                    else "value given"
                    if level
                    else "n/a"
                ),
                "rest": text(level.rest_uv, "µV", "not given") if level else "n/a",
                "threshold": text(
                    night.threshold_uv.get(channel.label), "µV", "the mean of channels was scored"
                ),
                "background": text(night.background_uv.get(channel.label), "µV", "not known"),
                "clipped": _minutes(quality.clipped),
            }
        )
    return rows


def settings(night: Night) -> list[tuple[str, str, str, str]]:
    """Every value of the criterion with its status and source."""
    rows: list[tuple[str, str, str, str]] = []
    for key, value in night.criterion.values():
        note = night.criterion.sources.get(key)
        rows.append((key, plain(value), note.status if note else "not stated", note.source if note else ""))
    return rows


def marks(night: Night, *, texts: bool) -> list[tuple[str, str, str]]:
    """(time, duration, text) of each mark."""
    begin = seconds_of_day(night.swept.start_clock)
    return [
        (
            clock(mark.start_s, begin),
            with_unit(mark.duration_s, "s") if mark.duration_s else "instant",
            mark_label(mark, texts=texts),
        )
        for mark in night.swept.marks
    ]


OTHER_MEASURES = (
    "episodes_per_hour",
    "phasic_episodes_per_hour",
    "tonic_episodes_per_hour",
    "mixed_episodes_per_hour",
    "bursts_per_hour",
    "time_in_episodes_pct",
)


def other_rules(rows: Sequence[RuleReading]) -> list[tuple[str, str, list[str], str]]:
    """The night under several criteria: (id, title, values in order of `OTHER_MEASURES`, reason)."""
    table = []
    for row in rows:
        values = []
        for name in OTHER_MEASURES:
            measure = row.measures.get(name)
            values.append(text(measure.value, measure.unit) if measure else "n/a")
        table.append((row.id, row.title, values, row.reason))
    return table
