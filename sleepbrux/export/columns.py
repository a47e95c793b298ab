"""Columns of every table that leaves the program, declared once: meaning, type, unit, range and words.

The writers take their heads from here, the data dictionary and the sidecars their descriptions, the
pandas frames their types, and the tests what each cell may hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.context.model import OTHER
from sleepbrux.scoring.episodes import ABOVE
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.signal.quality import REASONS
from sleepbrux.signal.surroundings.model import STAGES

Type = Literal["text", "integer", "number", "0 or 1"]
JOIN = "+"
FLAGS = ("edge", "clipped", ABOVE, "phasic-bursts")


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    meaning
        In one phrase.
    type
        What a cell that is not empty holds.
    unit
        Unit of a number, ``"1"`` for a count; empty for text and flags.
    low, high
        Least and greatest number.
    words
        The texts that a cell may hold; empty: any text.
    joined
        Whether a text is several words joined by ``+``.
    filled
        Whether no cell is empty.
    """

    meaning: str
    type: Type = "text"
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    words: tuple[str, ...] = ()
    joined: bool = False
    filled: bool = False

    @property
    def range(self) -> str:
        """What a cell may hold beyond its type, in words; empty where anything of the type.

        Examples
        --------
        >>> Column("", "number", "s", low=0).range, Column("", words=("a", "b")).range
        ('at least 0', 'a; b')
        """
        if self.words:
            return "; ".join(self.words)
        low, high = math.isfinite(self.low), math.isfinite(self.high)
        if low and high:
            return f"from {self.low:g} to {self.high:g}"
        return f"at least {self.low:g}" if low else ""

    def fault(self, cell: str, empty: str = "") -> str:
        """What is wrong with a cell; empty for a sound one.

        Examples
        --------
        >>> Column("", "integer", "1", low=1).fault("0")
        "'0' is not at least 1"
        """
        if cell == empty:
            return "is empty" if self.filled else ""
        if self.type == "text":
            said = cell.split(JOIN) if self.joined else [cell]
            return (
                f"{cell!r} is none of: {self.range}"
                if self.words and not (set(said) <= set(self.words))
                else ""
            )
        if self.type == "0 or 1":
            return "" if cell in ("0", "1") else f"{cell!r} is neither 0 nor 1"
        try:
            value = int(cell) if self.type == "integer" else float(cell)
        except ValueError:
            return f"{cell!r} is no {self.type}"
        sound = math.isfinite(value) and self.low <= value <= self.high
        return "" if sound else f"{cell!r} is not {self.range or 'a finite number'}"


Columns = dict[str, Column]


def _seconds(meaning: str, *, filled: bool = False, low: float = 0.0) -> Column:
    return Column(meaning, "number", "s", low=low, filled=filled)


def _level(meaning: str, unit: str) -> Column:
    return Column(meaning, "number", unit, low=0.0)


FROM_FIRST = "s from the first sample, gaps counted"
PEAK = "highest envelope, or the level of the whole burst where that is higher"
LEVEL = "level over the whole burst"
LOW_END = "lower end of the 95 % interval that column interval names"
NUMBER = "number of its episode as in all tables"

IDENTITY: Columns = {
    "person": Column("whose night it is, as the study file calls the person; empty without one"),
    "study_sha256": Column("SHA-256 over what the study file said of the night; empty without one"),
    "study_id": Column("id that the study file was drafted with; empty without one"),
    "night": Column("id in the study file; empty without one"),
    "input_sha256": Column("SHA-256 of the recording", filled=True),
}
EPISODES: Columns = {
    "episode": Column(
        "number, from 1, in order of onset; the same on the page, in the review and after it",
        "integer",
        "1",
        low=1,
        filled=True,
    ),
    "start_s": _seconds(f"onset of the first burst, {FROM_FIRST}", filled=True),
    "end_s": _seconds("offset of the last burst, s", filled=True),
    "kind": Column("kind by the rule set", words=EPISODE_KINDS, filled=True),
    "burst_count": Column("bursts in it after the sides are merged", "integer", "1", low=0, filled=True),
    "peak_pct_mvc": _level("peak of its strongest burst, % MVC; empty without a reference", "% MVC"),
    "mean_pct_mvc": _level("mean of its bursts weighted by duration, % MVC", "% MVC"),
    "sides": Column("sides that take part, joined by +", filled=True),
    "flags": Column(
        "edge (lost time in it or near), clipped (amplitude at least), above-200-mvc, "
        "phasic-bursts; joined by +",
        words=FLAGS,
        joined=True,
    ),
    "stage": Column("sleep stage at the onset; empty where none is scored", words=STAGES),
    "probably_awake": Column(
        "1 where ECG and accelerometer, or the one of them that there is, say probably awake at onset; empty: "
        "unknown",
        "0 or 1",
    ),
    "in_movement": Column(
        "1 where the share that the rules ask for lies in a body movement; empty: not computable", "0 or 1"
    ),
    "heart_rate_rise_5s_pct": Column(
        "highest heart rate in the 5 s before onset over the usual rate before, %", "number", "%", low=-100.0
    ),
    "position": Column("body position at the onset, or the recorder's code"),
    "sound_db": Column("loudest sound over its background during the episode, dB", "number", "dB"),
    "grinding_like_sound": Column(
        "1 where a sound has most energy above 1 kHz; a flag, no proof; empty: unknown", "0 or 1"
    ),
    "respiratory_lag_s": Column(
        "end of the nearest respiratory mark to onset, s; empty where none within 10 s",
        "number",
        "s",
        low=-10.0,
        high=10.0,
    ),
    "rhythm_hz": Column("median of 1 / onset to next onset of its bursts, Hz", "number", "Hz", low=0.0),
    "other_activity": Column("a label, no verdict; empty: none", words=tuple(w for w in OTHER if w)),
    "wake_probability": Column(
        "probability of being awake in the 30 s that hold the onset, by the ECG; empty: not estimated",
        "number",
        "1",
        low=0,
        high=1,
    ),
    **IDENTITY,
}
BURSTS: Columns = {
    "start_s": _seconds(f"onset, {FROM_FIRST}", filled=True),
    "end_s": _seconds("offset, s", filled=True),
    "kind": Column("kind by its duration", words=BURST_KINDS, filled=True),
    "peak_pct_mvc": _level(f"{PEAK}; % MVC of the channel in which it is highest", "% MVC"),
    "mean_pct_mvc": _level(f"{LEVEL}, % MVC", "% MVC"),
    "peak_uv": _level(f"{PEAK}; µV", "µV"),
    "mean_uv": _level(f"{LEVEL}, µV", "µV"),
    "channel": Column("channels that take part, joined by +", filled=True),
    "episode": Column(f"{NUMBER}; empty where in none", "integer", "1", low=1),
    "flags": Column(
        "edge (lost time in it or near it), above-200-mvc (improbable peak); joined by +",
        words=("edge", ABOVE),
        joined=True,
    ),
    **IDENTITY,
}
MEASURES: Columns = {
    "measure": Column("name, as in the summary", filled=True),
    "value": Column("in the measure's unit; empty where it cannot be computed", "number", "as in unit"),
    "unit": Column("1 is a plain count or ratio", filled=True),
    "basis": Column("what it was computed from or divided by", filled=True),
    "reason": Column("why there is no value"),
    "low_95": Column(LOW_END, "number", "as in unit"),
    "high_95": Column("upper end", "number", "as in unit"),
    "interval": Column("what that interval can say"),
    "keys": Column("settings that it depends on, joined by spaces"),
}
EXCLUDED: Columns = {
    "start_s": _seconds(FROM_FIRST, filled=True),
    "end_s": _seconds("s", filled=True),
    "channel": Column("label", filled=True),
    "reason": Column("word for programs", words=tuple(REASONS), filled=True),
    "text": Column("in words", words=tuple(REASONS.values()), filled=True),
}
EVENTS: Columns = {
    "onset_s": _seconds(FROM_FIRST, filled=True),
    "duration_s": _seconds("s", filled=True),
    "type": Column("type of event, the same words in every file", filled=True),
    "channel": Column("channel that it belongs to"),
    "episode": Column(NUMBER, "integer", "1", low=1),
    "peak_pct_mvc": _level("peak, % MVC", "% MVC"),
    "mean_pct_mvc": _level("level over the whole event, % MVC", "% MVC"),
    "peak_uv": _level("peak, µV", "µV"),
    "mean_uv": _level("level over the whole event, µV", "µV"),
}
BIDS_NAMES = {"onset_s": "onset", "duration_s": "duration", "type": "trial_type"}
BIDS_EVENTS: Columns = {BIDS_NAMES.get(name, name): column for name, column in EVENTS.items()}
NIGHTS: Columns = {
    "night": Column("id in the study file", filled=True),
    "condition": Column("what was worn"),
    "episode_count": Column(
        "episodes whose onset lies in the valid window", "integer", "1", low=0, filled=True
    ),
    "valid_hours": Column("denominator of the rate", "number", "h", low=0.0, filled=True),
    "episodes_per_hour": Column("episodes per valid hour", "number", "1/h", low=0.0),
    "criterion": Column("id of the rule set", filled=True),
    "instead_of": Column("id of the rule set that was meant, where another one had to be used"),
    "basis": Column("what the window is based on", filled=True),
    "reference": Column("where the clench came from"),
    "warnings": Column("warnings in the night's notes", "integer", "1", low=0, filled=True),
}
STUDY: Columns = {
    "file": Column("name that the files of the night share", filled=True),
    "person": Column("what the study calls the person"),
    "night": replace(NIGHTS["night"], filled=False),
    "condition": NIGHTS["condition"],
    "recording": Column("name of the recording, or what stands for it", filled=True),
    "report_id": Column("id of the report of these values", filled=True),
    "supersedes": Column("id of the report that it replaces; empty for none"),
    "input_sha256": Column("SHA-256 of the recording", filled=True),
    "criterion": NIGHTS["criterion"],
    "instead_of": NIGHTS["instead_of"],
    "criterion_digest": Column("SHA-256 of the rule set", filled=True),
    "window": NIGHTS["basis"],
    "reference": NIGHTS["reference"],
    "warnings": NIGHTS["warnings"],
}
STUDY_INTERVAL: Columns = {
    "episodes_per_hour_low_95": Column(LOW_END, "number", "1/h", low=0.0),
    "episodes_per_hour_high_95": Column("upper end", "number", "1/h", low=0.0),
    "interval": MEASURES["interval"],
}
TABLES: dict[str, Columns] = {
    "episodes": EPISODES,
    "bursts": BURSTS,
    "channel_bursts": BURSTS,
    "measures": MEASURES,
    "excluded": EXCLUDED,
    "events": EVENTS,
    "bids_events": BIDS_EVENTS,
    "nights": NIGHTS,
    "study_table": {**STUDY, **STUDY_INTERVAL},
}


def measure_column(name: str, unit: str, basis: str) -> Column:
    """A measure as a column of the study table: counts are whole, hours and rates not negative."""
    count = name.endswith("_count")
    low = 0.0 if count or unit in ("1/h", "h", "1/min") else -math.inf
    return Column(f"measure of the night; {basis}", "integer" if count else "number", unit, low=low)
