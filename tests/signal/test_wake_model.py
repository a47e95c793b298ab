"""The published model in numpy: equal to what its package publishes, to Keras, and to a plain second writing."""

import io
import json
import math
import zipfile
from datetime import time
from importlib import resources

import numpy as np
import pytest

from sleepbrux.signal import wake_model
from sleepbrux.signal.wake_model import Sleeper, features, forward, weights
from tests.wake_keras import KEPT, inputs

# sleepecg 0.6.0, tests/test_classification.py: default_rng(0).standard_normal((1, 50, 36)) as float32,
# first three rows of the prediction of ws-gru-mesa (read).
PUBLISHED = [
    [0.010579, 0.308753, 0.680669],
    [0.003326, 0.220124, 0.776550],
    [0.002070, 0.234330, 0.763600],
]


def beats(hours=1.0, seed=1):
    rng = np.random.default_rng(seed)
    n = int(hours * 3600 / 0.9)
    interval = 0.9 + 0.05 * np.sin(np.arange(n) * 1.4) + rng.normal(0, 0.03, n)
    return np.cumsum(interval)


def test_the_predictions_that_the_package_publishes():
    rows = np.random.default_rng(0).standard_normal((1, 50, 36)).astype("float32")[0]
    assert np.abs(forward(rows, weights())[:3] - PUBLISHED).max() < 1e-6


@pytest.mark.parametrize("name", sorted(inputs()))
def test_the_predictions_of_keras_that_were_kept(name):
    kept = json.loads(KEPT.read_text("utf-8"))
    found = forward(inputs()[name], weights())
    assert np.abs(found - np.array(kept["awake_asleep_undefined"][name])[:, ::-1]).max() < 1e-5


@pytest.mark.slow
def test_keras_itself_where_it_is_installed(monkeypatch):
    monkeypatch.setenv("KERAS_BACKEND", "torch")
    pytest.importorskip("torch", reason="Keras and torch are not among the dependencies")
    pytest.importorskip("keras", reason="Keras and torch are not among the dependencies")
    from tests.wake_keras import furthest

    assert furthest() < 1e-5


def plain_gru(rows, seen, kernel, recurrent, bias, backwards):
    """One gate, one unit and one step at a time, as the equations are printed."""
    n = len(recurrent)
    order = range(len(rows) - 1, -1, -1) if backwards else range(len(rows))
    state = [0.0] * n
    out = [[0.0] * n for _ in rows]
    for t in order:
        if not seen[t]:
            continue
        into = [[0.0] * n for _ in range(3)]
        back = [[0.0] * n for _ in range(3)]
        for gate in range(3):
            for unit in range(n):
                column = gate * n + unit
                into[gate][unit] = bias[0][column] + sum(x * kernel[i][column] for i, x in enumerate(rows[t]))
                back[gate][unit] = bias[1][column] + sum(
                    h * recurrent[i][column] for i, h in enumerate(state)
                )
        fresh = []
        for unit in range(n):
            update = 1 / (1 + math.exp(-(into[0][unit] + back[0][unit])))
            reset = 1 / (1 + math.exp(-(into[1][unit] + back[1][unit])))
            candidate = math.tanh(into[2][unit] + reset * back[2][unit])
            fresh.append(update * state[unit] + (1 - update) * candidate)
        state, out[t] = fresh, fresh
    return out


def plain_model(rows, model):
    seen = [any(x != -1 for x in row) for row in rows.tolist()]
    found = []
    for row, known in zip(rows.tolist(), seen, strict=True):
        values = row if known else [0.0] * len(row)
        scale, shift, mean, variance = model.normal
        normal = [
            (x - m) / math.sqrt(v + 0.001) * g + b
            for x, m, v, g, b in zip(values, mean, variance, scale, shift, strict=True)
        ]
        kernel, bias = model.inner
        found.append(
            [max(0.0, b + sum(x * kernel[i][j] for i, x in enumerate(normal))) for j, b in enumerate(bias)]
        )
    for ahead, back in model.layers:
        one, other = plain_gru(found, seen, *ahead, False), plain_gru(found, seen, *back, True)
        found = [a + b for a, b in zip(one, other, strict=True)]
    kernel, bias = model.outer
    out = []
    for row in found:
        raised = [math.exp(b + sum(x * kernel[i][j] for i, x in enumerate(row))) for j, b in enumerate(bias)]
        out.append([x / sum(raised) for x in raised])
    return np.array(out)


def test_a_second_plain_writing_of_the_equations_masked_steps_among_them():
    rows = features(beats(0.4), time(23))[:14]
    rows = rows.astype(np.float32).astype(np.float64)
    rows[3:5] = -1
    rows[-1] = -1
    assert np.abs(forward(rows, weights()) - plain_model(rows, weights())).max() < 1e-12


def test_the_layers_are_those_that_the_forward_pass_was_written_for():
    outer = zipfile.ZipFile(resources.files("sleepecg") / "classifiers" / "ws-gru-mesa.zip")
    inner = zipfile.ZipFile(io.BytesIO(outer.read("classifier.keras")))
    config = json.loads(inner.read("config.json"))["config"]["layers"]
    kinds = [layer["class_name"] for layer in config]
    assert kinds == [
        "InputLayer",
        "Masking",
        "BatchNormalization",
        "Dense",
        "ReLU",
        "Bidirectional",
        "Bidirectional",
        "Dense",
    ]
    by_kind = {layer["class_name"]: layer["config"] for layer in config}
    assert by_kind["Masking"]["mask_value"] == wake_model.MISSING
    assert by_kind["BatchNormalization"]["epsilon"] == wake_model.NORMAL_EPSILON
    assert config[3]["config"]["activation"] == "linear"
    assert config[-1]["config"]["activation"] == "softmax"
    for layer in config[5:7]:
        assert layer["config"]["merge_mode"] == "concat"
        for way in ("layer", "backward_layer"):
            gru = layer["config"][way]["config"]
            assert gru["reset_after"]
            assert gru["zero_output_for_mask"]
            assert (gru["activation"], gru["recurrent_activation"]) == ("tanh", "sigmoid")
            assert gru["go_backwards"] == (way == "backward_layer")


def test_the_settings_of_the_features_are_those_of_the_model():
    import yaml

    outer = zipfile.ZipFile(resources.files("sleepecg") / "classifiers" / "ws-gru-mesa.zip")
    said = yaml.safe_load(outer.read("info.yml"))
    assert said["mask_value"] == wake_model.MISSING
    assert said["feature_extraction_params"] == {
        "feature_selection": ["hrv-time", "hrv-frequency", "recording_start_time", "age", "gender"],
        "lookback": wake_model.BEFORE_S,
        "lookforward": wake_model.AFTER_S,
        "max_nans": wake_model.MOST_MISSING,
        "min_rri": wake_model.SHORTEST_S,
        "max_rri": wake_model.LONGEST_S,
    }


def test_what_is_not_said_of_the_person_enters_as_missing():
    at = slice(33, 36)  # time of day, age, sex: the last three features
    known = features(beats(), time(22, 30), Sleeper(44, "male"))
    assert (known[:, at] == [81_000, 44, 1]).all()
    assert (features(beats(), None, Sleeper())[:, at] == -1).all()
    assert (features(beats(), time(0), Sleeper(sex="female"))[:, at] == [0, -1, 0]).all()
