"""What a recording holds besides the jaw muscles, and what is said of each episode because of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.errors import Note
from sleepbrux.recording import stages
from sleepbrux.signal.actigraphy import Probably
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.movement import Raised
from sleepbrux.signal.sound import Sound
from sleepbrux.spans import Grid

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]

STAGES = stages.STAGES
ASLEEP = tuple(STAGES.index(stage) for stage in stages.SLEEP)
OTHER = ("", "chewing-like", "talk-like")
YES, NO, UNKNOWN = 1, 0, -1


def in_seconds(slots: NDArray[np.int64], grid: Grid) -> Floats:
    """Slots of a grid as seconds, float64, same shape."""
    return np.asarray(slots * float(grid.slot_s), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Stages:
    """Sleep stages as somebody scored them: a `Hypnogram` as columns.

    Attributes
    ----------
    spans_s
        float64, shape (n, 2): start and stop of each stretch of one stage, seconds, in order.
    code
        int8, shape (n,): index into `STAGES`.
    origin
        Where they come from, in words.
    """

    spans_s: Floats
    code: Codes
    origin: str


@dataclass(frozen=True, eq=False)
class Position:
    """Body position over the night.

    Attributes
    ----------
    spans_s
        float64, shape (n, 2), seconds, in order.
    code
        int8, shape (n,): index into ``names``.
    names
        Positions: words where marks or the user say them, else ``"code 3"`` as the recorder writes it.
    """

    spans_s: Floats
    code: Codes
    names: tuple[str, ...]
    origin: str


@dataclass(frozen=True, eq=False)
class Surroundings:
    """All that a recording holds besides its jaw muscles, read once and kept in the archive.

    Attributes
    ----------
    heart, raised, probably, sound, position, stages
        Beats; activity of channels away from the jaw, or of chin and neck; when the wearer was probably
        awake; features of the sound, never the sound; body position; sleep stages. None or empty where
        the recording has none.
    files
        Name and SHA-256 of each file beside the recording that was read.
    notes
        What was there and not used, and why.
    """

    heart: Heart | None = None
    raised: tuple[Raised, ...] = ()
    probably: Probably | None = None
    sound: Sound | None = None
    position: Position | None = None
    stages: Stages | None = None
    files: tuple[tuple[str, str], ...] = ()
    notes: tuple[Note, ...] = ()


NOTHING = Surroundings()


@dataclass(frozen=True, eq=False)
class Labels:
    """What surrounds each episode of a night; one row an episode, those that do not count among them.

    Attributes
    ----------
    stage
        int8: stage at the onset, index into `STAGES`; -1 where none is scored.
    awake, movement, grinding
        int8: 1 yes, 0 no, -1 not known: onset while probably awake (accelerometer); the share of the
        episode that the rule asks for lies in a body movement; a grinding-like sound.
    rise_1s_pct, rise_5s_pct
        float64: highest heart rate in the second or the five before the onset, over the usual rate before, in
        %; NaN where not known.
    position
        int8: index into `positions`; -1 where not known.
    sound_db
        float64: loudest sound over the background while it lasts, dB; NaN where not known.
    breathing_lag_s
        float64: from the end of the nearest respiratory event to the onset, negative before it; NaN
        further than 10 s away, or without such marks.
    rhythm_hz
        float64: median of 1 / (onset to next onset) of its bursts; NaN with fewer than three.
    other
        int8: index into `OTHER`.
    swallow
        int8, one a burst of the night: 1 where it is a single burst like that of a swallow; 2 where
        the chin is active with it.
    movements_s
        float64, shape (n, 2): the night's body movements; ``movement_known`` says whether they can be
        known at all.
    """

    stage: Codes
    awake: Codes
    movement: Codes
    grinding: Codes
    rise_1s_pct: Floats
    rise_5s_pct: Floats
    position: Codes
    sound_db: Floats
    breathing_lag_s: Floats
    rhythm_hz: Floats
    other: Codes
    swallow: Codes
    movements_s: Floats
    movement_known: bool
    positions: tuple[str, ...]
    breathing_events: int
