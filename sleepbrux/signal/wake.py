"""When the wearer of an ECG was probably awake: one probability each 30 s, or the reason for none.

The model (`wake_model`) was trained on nights of a population study, on beats of an ECG. It is not asked
where its input would not be what it was made for: no ECG, a recording under four hours, most beats lost,
a rhythm that is not the sinus node's. The limits of `refusal` are our choice where no source stands
beside them; what they were tried on stands in ``docs/awake.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note
from sleepbrux.signal import wake_model
from sleepbrux.signal.heart import Heart, covered_s
from sleepbrux.signal.wake_model import AFTER_S, BEFORE_S, EPOCH_S, NOT_SAID, Sleeper

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

NOT_ESTIMATED = "wake-not-estimated"
AWAKE_FROM = 0.5
LEAST_HOURS = 4.0
LEAST_TRUSTED = 0.5
# Dash S et al., Ann Biomed Eng 2009;37:1701-1709 (from memory): stretches of 128 beats, the root mean
# square of successive differences over the mean above 0.1, and turning points as in a random series.
STRETCH_BEATS = 128
UNSTEADY = 0.1
TURNING = (0.54, 0.77)
MOST_IRREGULAR = 0.5
PACED_WITHIN_S, MOST_PACED = 0.008, 0.5


@dataclass(frozen=True, eq=False)
class WakeProbability:
    """Probability of being awake over a night, from heart beats.

    Attributes
    ----------
    label
        The channel that the beats come from.
    model, digest
        The model by name, and the SHA-256 of its file.
    given
        What was told to it beside the beats: of ``"age"``, ``"sex"`` and ``"time of day"``.
    probability
        float32, shape (n,): of each 30 s from the start of the recording on; NaN where trusted intervals
        cover less than half of the 8.5 min that the model looks at.
    trusted
        float32, shape (n,): that share, 0 to 1.
    """

    label: str
    model: str
    digest: str
    given: tuple[str, ...]
    probability: Singles
    trusted: Singles

    def at(self, seconds: Floats) -> Floats:
        """Probability at each second, NaN where it is not known."""
        place = np.floor(seconds / EPOCH_S).astype(np.int64)
        inside = (place >= 0) & (place < len(self.probability))
        found = np.full(len(seconds), np.nan)
        found[inside] = self.probability[place[inside]]
        return found

    def spans_s(self, low: float, high: float) -> Floats:
        """Stretches whose probability lies in ``[low, high]``, float64, shape (n, 2), seconds."""
        with np.errstate(invalid="ignore"):
            mask = (self.probability >= low) & (self.probability <= high)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).view(np.int8)))
        return np.asarray(edges.reshape(-1, 2) * float(EPOCH_S), dtype=np.float64)


def _stretches(heart: Heart) -> Floats:
    """Possible intervals in stretches of 128 that follow each other, shape (n, 128), seconds."""
    interval = np.diff(heart.beats_s)
    interval = interval[(interval >= wake_model.SHORTEST_S) & (interval <= wake_model.LONGEST_S)]
    n = len(interval) // STRETCH_BEATS
    return np.asarray(interval[: n * STRETCH_BEATS].reshape(n, STRETCH_BEATS))


def irregular_share(heart: Heart) -> float:
    """Share of stretches of 128 beats in which the intervals are as unsteady as in atrial fibrillation."""
    rows = _stretches(heart)
    if not len(rows):
        return 0.0
    step = np.diff(rows, axis=1)
    unsteady = np.sqrt((step**2).mean(axis=1)) / rows.mean(axis=1) > UNSTEADY
    turns = (np.sign(step[:, 1:]) != np.sign(step[:, :-1])).mean(axis=1)
    return float((unsteady & (turns > TURNING[0]) & (turns < TURNING[1])).mean())


def paced_share(heart: Heart) -> float:
    """Share of trusted intervals within 8 ms of the commonest one: a pacemaker beats like a clock."""
    start, stop = heart.intervals()
    interval = np.sort(stop - start)
    if not len(interval):
        return 0.0
    within = np.searchsorted(interval, interval + 2 * PACED_WITHIN_S, side="right") - np.arange(len(interval))
    return float(within.max()) / len(interval)


def refusal(heart: Heart, duration_s: float) -> str:
    """Why no probability is formed from these beats, in words with what to do; empty where one is."""
    if heart.kind != "ecg":
        return (
            "it is a pulse wave, whose beats come late and vary with the vessels; the model was made for beats of "
            "an ECG. Its rise before an episode is still reported, in windows of 5 s or longer. Record an ECG"
        )
    if not wake_model.is_known():
        return (
            f"the installed sleepecg brings another model than {wake_model.NAME} of version 0.6.0, on which all "
            "figures rest; install that version"
        )
    if duration_s < LEAST_HOURS * 3600:
        return (
            f"the recording lasts {duration_s / 3600:.2f} h, and the model was made for whole nights: "
            f"{LEAST_HOURS:g} h or more"
        )
    return _of_rhythm(heart, duration_s)


def _of_rhythm(heart: Heart, duration_s: float) -> str:
    if (share := irregular_share(heart)) > MOST_IRREGULAR:
        return (
            f"the intervals between beats are irregular in {100 * share:.0f} % of the night, an irregular rhythm "
            "or noise taken for beats, and the model was made for neither; look at the ECG"
        )
    known = float(covered_s(heart, np.zeros(1), np.array([duration_s]))[0]) / duration_s
    if known < LEAST_TRUSTED:
        return (
            f"its beats can be trusted in only {100 * known:.0f} % of the night, and half is needed; look at its "
            "electrodes"
        )
    if (share := paced_share(heart)) > MOST_PACED:
        return (
            f"{100 * share:.0f} % of the intervals between beats are equal to within 8 ms either way, as under a "
            "pacemaker, and the model reads changes of the heart rate"
        )
    return ""


def trusted_shares(heart: Heart, duration_s: float) -> Floats:
    """Share of the 8.5 min around the start of each 30 s that trusted intervals cover."""
    begin = np.arange(int(duration_s // EPOCH_S)) * float(EPOCH_S)
    low, high = np.maximum(begin - BEFORE_S, 0.0), np.minimum(begin + AFTER_S, duration_s)
    return np.asarray(np.clip(covered_s(heart, low, high) / (high - low), 0.0, 1.0))


def estimate_wake(
    heart: Heart, duration_s: float, clock: time | None = None, sleeper: Sleeper = NOT_SAID
) -> WakeProbability | Note:
    """Probability of being awake over a night, or the note that says why there is none.

    Parameters
    ----------
    clock
        Local time of day at which the recording starts; None where it is not known.
    """
    why = refusal(heart, duration_s)
    if why:
        return Note(
            NOT_ESTIMATED,
            "note",
            f"no probability of being awake is formed from channel {heart.label!r}: {why}",
        )
    trusted = trusted_shares(heart, duration_s)
    found = wake_model.chance_awake(heart.beats_s, clock, sleeper)[: len(trusted)]
    chance = np.full(len(trusted), np.nan)
    chance[: len(found)] = found
    chance[trusted < LEAST_TRUSTED] = np.nan
    given = (("age", sleeper.age_years is not None), ("sex", sleeper.sex), ("time of day", clock is not None))
    return WakeProbability(
        heart.label,
        wake_model.told(),
        wake_model.digest(),
        tuple(word for word, known in given if known),
        chance.astype(np.float32),
        trusted.astype(np.float32),
    )
