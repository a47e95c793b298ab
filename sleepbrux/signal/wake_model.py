"""The published model ``ws-gru-mesa`` out of sleepecg's wheel: features of heart beats, and its forward pass.

The wheel brings weights, settings and the extraction of features; running the model as shipped takes
Keras and torch. Here its layers run in numpy, in double precision on inputs rounded to single as Keras
rounds them: a masked step (every feature missing) gives zeros and leaves the state of a recurrent layer
as it is, normalisation, a dense layer with ReLU, two two-way GRU layers, softmax. Gates stand in the order
update, reset, candidate, and the reset gate acts after the recurrent product and its own bias
(``reset_after``). Equal to Keras to 1e-6 (``python -m tests.wake_keras``).
"""

from __future__ import annotations

import hashlib
import io
import warnings
import zipfile
from dataclasses import dataclass
from datetime import time
from functools import cache
from importlib import metadata, resources
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Gru = tuple[Floats, Floats, Floats]

NAME = "ws-gru-mesa"
KNOWN_SHA256 = "316ce8c1f2740097d4e07723fab83b85c260a0a63d5a97275c16b668bfd5ea73"  # sleepecg 0.6.0
EPOCH_S = 30
BEFORE_S, AFTER_S = 240, 270  # of the start of an epoch: the stretch that its features look at
SHORTEST_S, LONGEST_S = 0.3, 2.0
MISSING = -1.0
MOST_MISSING = 0.5  # of a stretch, for its features of frequency
NORMAL_EPSILON = 1e-3
SEX_CODES = {"female": 0, "male": 1}
AWAKE = 2  # columns of the model: undefined, asleep, awake


@dataclass(frozen=True)
class Sleeper:
    """What the model may know of the person; what is not said enters as the package enters it, as missing.

    Attributes
    ----------
    age_years
        None where it is not said.
    sex
        Empty where it is not said.
    """

    age_years: float | None = None
    sex: Literal["", "female", "male"] = ""


NOT_SAID = Sleeper()


@dataclass(frozen=True, eq=False)
class Weights:
    """The model's numbers, float64.

    Attributes
    ----------
    normal
        Scale, shift, mean and variance of each feature.
    inner, outer
        Kernel and bias of the dense layers.
    layers
        Kernel, recurrent kernel and both rows of biases of each two-way layer, forward and backward.
    """

    normal: tuple[Floats, Floats, Floats, Floats]
    inner: tuple[Floats, Floats]
    outer: tuple[Floats, Floats]
    layers: tuple[tuple[Gru, Gru], ...]


def _file() -> bytes:
    return (resources.files("sleepecg") / "classifiers" / f"{NAME}.zip").read_bytes()


@cache
def digest() -> str:
    """SHA-256 of the model's file."""
    return hashlib.sha256(_file()).hexdigest()


def is_known() -> bool:
    """Whether the installed package brings the very model that this forward pass was written and tried for."""
    try:
        return digest() == KNOWN_SHA256
    except OSError:
        return False


def told() -> str:
    """The model by name, with the package that brings it."""
    return f"{NAME}, sleepecg {metadata.version('sleepecg')}"


@cache
def weights() -> Weights:
    """The numbers of the model, read from the package."""
    import h5py

    with zipfile.ZipFile(io.BytesIO(_file())) as outer:
        kept = outer.read("classifier.keras")
    with (
        zipfile.ZipFile(io.BytesIO(kept)) as inner,
        h5py.File(io.BytesIO(inner.read("model.weights.h5")), "r") as file,
    ):

        def numbers(layer: str, count: int) -> tuple[Any, ...]:
            group = file[f"layers/{layer}/vars"]
            return tuple(np.asarray(group[str(k)][()], dtype=np.float64) for k in range(count))

        def both(layer: str) -> tuple[Gru, Gru]:
            return numbers(f"{layer}/forward_layer/cell", 3), numbers(f"{layer}/backward_layer/cell", 3)

        return Weights(
            numbers("batch_normalization", 4),
            numbers("dense", 2),
            numbers("dense_1", 2),
            (both("bidirectional"), both("bidirectional_1")),
        )


def features(beats_s: Floats, clock: time | None = None, sleeper: Sleeper = NOT_SAID) -> Floats:
    """The 36 features of each 30 s up to the last beat, by the package, missing ones as -1.

    Parameters
    ----------
    beats_s
        Seconds of the beats from the start of the recording, in order.
    clock
        Local time of day at which the recording starts; None where it is not known.
    """
    from sleepecg.feature_extraction import extract_features
    from sleepecg.io.sleep_readers import SleepRecord, SubjectData

    about = SubjectData(gender=SEX_CODES.get(sleeper.sex), age=sleeper.age_years)  # type: ignore[arg-type]
    record = SleepRecord(heartbeat_times=beats_s, recording_start_time=clock, subject_data=about)
    with warnings.catch_warnings():
        # on a stretch of 510 s, which the model was trained on, the package doubts its slowest band
        warnings.simplefilter("ignore", RuntimeWarning)
        found, _, _ = extract_features(
            [record],
            lookback=BEFORE_S,
            lookforward=AFTER_S,
            sleep_stage_duration=EPOCH_S,
            feature_selection=["hrv-time", "hrv-frequency", "recording_start_time", "age", "gender"],
            min_rri=SHORTEST_S,
            max_rri=LONGEST_S,
            max_nans=MOST_MISSING,
        )
    rows = np.asarray(found[0], dtype=np.float64)
    rows[~np.isfinite(rows)] = MISSING
    return rows


def _sigmoid(x: Floats) -> Floats:
    with np.errstate(over="ignore"):
        return np.asarray(1.0 / (1.0 + np.exp(-x)))


def _one_way(rows: Floats, seen: Bools, gru: Gru) -> Floats:
    kernel, recurrent, bias = gru
    n = len(recurrent)
    entering = rows @ kernel + bias[0]
    state, out = np.zeros(n), np.zeros((len(rows), n))
    for k in np.flatnonzero(seen).tolist():
        own, back = entering[k], state @ recurrent + bias[1]
        gates = _sigmoid(own[: 2 * n] + back[: 2 * n])
        candidate = np.tanh(own[2 * n :] + gates[n:] * back[2 * n :])
        state = gates[:n] * state + (1.0 - gates[:n]) * candidate
        out[k] = state
    return out


def forward(rows: Floats, model: Weights) -> Floats:
    """Probabilities of undefined, asleep and awake for each row of features, shape (n, 3)."""
    rows = rows.astype(np.float32).astype(np.float64)
    seen = np.asarray((rows != MISSING).any(axis=1))
    rows = np.where(seen[:, None], rows, 0.0)
    scale, shift, mean, variance = model.normal
    rows = (rows - mean) / np.sqrt(variance + NORMAL_EPSILON) * scale + shift
    rows = np.maximum(rows @ model.inner[0] + model.inner[1], 0.0)
    for ahead, back in model.layers:
        rows = np.hstack(
            (_one_way(rows, seen, ahead), _one_way(rows[::-1], seen[::-1], back)[::-1]),
        )
    logits = rows @ model.outer[0] + model.outer[1]
    raised = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True))


def chance_awake(beats_s: Floats, clock: time | None = None, sleeper: Sleeper = NOT_SAID) -> Floats:
    """Probability of being awake in each 30 s up to the last beat, float64, shape (n_epochs,)."""
    return np.asarray(forward(features(beats_s, clock, sleeper), weights())[:, AWAKE])
