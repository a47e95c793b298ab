"""What a change of the recording that means nothing may change: every measure, every such change.

One table says it: by what a µV measure is multiplied, and how far a measure may move because samples lie elsewhere.
All else stays as it is, to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.signal import resample

from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark, Piece, Recording
from sleepbrux.scoring.request import Request, score_opened
from tests.nights import LABELS, RATE, rhythm, signal_of

SECONDS, MVC_UV = 130, 200.0
BURSTS = [*rhythm(20, 4), (60.0, 63.0, 90.0), *rhythm(90, 3)]
OTHER = [*rhythm(20, 4), (60.0, 63.0, 70.0)]
SHIFT_S = 7


def signals() -> np.ndarray:
    return np.stack([signal_of(b, seconds=SECONDS, seed=k) for k, b in enumerate((BURSTS, OTHER))])


def recording(
    data: np.ndarray, *, rate: int = RATE, labels: tuple[str, ...] = tuple(LABELS), later_s: int = 0
) -> Recording:
    lights = [Mark(2.0 + later_s, 0.0, "Lights off"), Mark(128.0 + later_s, 0.0, "Lights on")]
    return from_array(data, rate, list(labels), lights)


def values(made: Recording, mvc_uv: float = MVC_UV) -> dict[str, float | None]:
    night = score_opened(made, Request(mvc_uv=mvc_uv), threads=1)
    return {name: measure.value for name, measure in night.measures.items()}


@dataclass(frozen=True)
class Change:
    """A change that means nothing.

    Attributes
    ----------
    times_uv
        What measures in µV are multiplied by.
    level
        Share by which levels and integrals may move, as filter and frames meet other samples.
    time_s
        Seconds by which lengths and pauses may.
    lost_s
        Seconds by which known time may be less, as the filter settles anew where a part begins.
    """

    make: object
    mvc_uv: float = MVC_UV
    times_uv: float = 1.0
    level: float = 0.0
    time_s: float = 0.0
    lost_s: float = 0.0


def cut_in_two(made: Recording, at: int) -> Recording:
    """The same samples as two parts that follow each other at once.

    Nobody says that a part goes on where the one before it ended, so the filter begins anew: no sample of one part
    tells of the other. Where the cut lies inside a frame of 10 ms, that frame belongs to neither part, and the 0.25 s
    behind it are left out as after any hole (`quality.SETTLING_S`): 0.26 s in all. On the border of two frames
    nothing is left out. No reader makes parts without a gap between them.
    """
    channels = [replace(c, pieces=(Piece(0, 0, at), Piece(at, at, c.n_stored - at))) for c in made.channels]
    return replace(made, channels=tuple(channels))


def shifted(data: np.ndarray) -> Recording:
    before = np.stack([signal_of([], seconds=SHIFT_S, seed=k) for k in (7, 8)])
    return recording(np.concatenate((before, data), axis=1), later_s=SHIFT_S)


CHANGES = {
    "gain": Change(lambda d: recording(4 * d), mvc_uv=4 * MVC_UV, times_uv=4.0),
    "polarity": Change(lambda d: recording(-d)),
    "order of channels": Change(lambda d: recording(d[::-1], labels=tuple(LABELS[::-1]))),
    "sides called otherwise": Change(lambda d: recording(d, labels=tuple(LABELS[::-1]))),
    "split and joined within a frame": Change(
        lambda d: cut_in_two(recording(d), 64_321), level=0.001, lost_s=0.26 + 1e-9
    ),
    "split and joined between two frames": Change(lambda d: cut_in_two(recording(d), 64_320), level=0.001),
    "silent channel that is no jaw muscle": Change(
        lambda d: recording(np.concatenate((d, np.zeros((1, d.shape[1])))), labels=(*LABELS, "Light"))
    ),
    "begun earlier": Change(shifted, level=0.02, time_s=0.02),
    "twice the rate": Change(
        lambda d: recording(resample(d, 2 * d.shape[1], axis=1), rate=2 * RATE), level=0.02, time_s=0.02
    ),
}
LEVELS = {"µV", "% MVC", "µV·s/h", "% MVC·s/h", "% MVC/h·s"}
OF_HOURS = {"h", "1/h", "%", "µV·s/h", "% MVC·s/h"}
# rest on lengths, so they move as lengths do
OF_LENGTHS = {"time_in_episodes_pct", "time_in_bursts_pct"}


@pytest.fixture(scope="module")
def before():
    night = score_opened(recording(signals()), Request(mvc_uv=MVC_UV), threads=1)
    return {name: (measure.value, measure.unit) for name, measure in night.measures.items()}


def test_the_night_has_events_of_each_kind(before):
    assert before["phasic_episodes_per_hour"][0] > 0
    assert before["tonic_episodes_per_hour"][0] > 0


@pytest.mark.shows("wrong-count")
@pytest.mark.parametrize("name", CHANGES)
def test_a_change_that_means_nothing_changes_what_the_table_says_and_nothing_else(name, before):
    change = CHANGES[name]
    after = values(change.make(signals()), change.mvc_uv)
    assert set(after) == set(before)
    moved = {}
    for measure, (value, unit) in before.items():
        if value is None or after[measure] is None:
            same = value is after[measure]
        else:
            times = change.times_uv if "µV" in unit else 1.0
            share = change.level if unit in LEVELS or measure in OF_LENGTHS else 0.0
            room = change.time_s if unit in {"s", "Hz"} else 0.0
            if unit in OF_HOURS:
                share += change.lost_s / (3600 * before["valid_hours"][0] - change.lost_s)
            if measure == "excluded_hours":
                room = change.lost_s / 3600
            same = abs(after[measure] - times * value) <= share * abs(times * value) + room
        if not same:
            moved[measure] = (value, after[measure])
    assert not moved
