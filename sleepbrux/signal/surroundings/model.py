"""What a recording holds besides the jaw muscles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note
from sleepbrux.recording import stages
from sleepbrux.signal.actigraphy import WakeEstimate
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.movement import ActivityChannel
from sleepbrux.signal.sound import Sound
from sleepbrux.signal.wake import WakeProbability

Floats = NDArray[np.float64]


Codes = NDArray[np.int8]


STAGES = stages.STAGES


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
    heart, wake_probability, activity_channels, wake_estimate, sound, position, stages
        Beats; the probability of being awake that they give; activity of channels away from the jaw, or of
        chin and neck; when the wearer was probably awake by movement; features of the sound, never the
        sound; body position; sleep stages. None or empty where the recording has none.
    files
        Name and SHA-256 of each file beside the recording that was read.
    notes
        What was there and not used, and why.
    """

    heart: Heart | None = None
    wake_probability: WakeProbability | None = None
    activity_channels: tuple[ActivityChannel, ...] = ()
    wake_estimate: WakeEstimate | None = None
    sound: Sound | None = None
    position: Position | None = None
    stages: Stages | None = None
    files: tuple[tuple[str, str], ...] = ()
    notes: tuple[Note, ...] = ()


NOTHING = Surroundings()
