"""The model of wake against Keras itself: ``python -m tests.wake_keras`` where Keras and torch are installed.

Prints the furthest that the two lie apart, and fails above 1e-5. ``--keep`` writes what Keras says, for the
suite, which has no Keras. It needs of this package only numpy, h5py and sleepecg.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

from sleepbrux.signal.wake_model import NAME, forward, weights

KEPT = Path(__file__).parent / "signal" / "wake_keras.json"
FURTHEST = 1e-5


def inputs() -> dict[str, np.ndarray]:
    """Rows of features of every kind that the layers treat differently, by name."""
    rng = np.random.default_rng(27)
    scale, shift, mean, variance = weights().normal
    del scale, shift
    usual = mean + np.sqrt(variance) * rng.standard_normal((40, 36))
    gaps = usual.copy()
    gaps[:4] = gaps[17:25] = gaps[-3:] = -1.0
    untold = usual.copy()
    untold[:, 33:] = -1.0
    untold[10:14, :33] = -1.0
    return {
        "usual": usual.astype(np.float32).astype(np.float64),
        "masked steps": gaps.astype(np.float32).astype(np.float64),
        "nothing told": untold.astype(np.float32).astype(np.float64),
        "far out": (usual * 30).astype(np.float32).astype(np.float64),
    }


def of_keras() -> dict[str, np.ndarray]:
    """What Keras says of each input: undefined, asleep, awake."""
    from sleepecg.classification import load_classifier

    model = load_classifier(NAME, "SleepECG").model
    return {name: np.asarray(model.predict(rows[None], verbose=0))[0] for name, rows in inputs().items()}


def furthest() -> float:
    """Largest difference of a probability between Keras and numpy."""
    return max(
        float(np.abs(said - forward(inputs()[name], weights())).max()) for name, said in of_keras().items()
    )


def main() -> int:
    """Compare, and keep where asked to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", action="store_true", help="write what Keras says for the suite")
    if parser.parse_args().keep:
        said = {name: rows[:, ::-1].astype(float).round(8).tolist() for name, rows in of_keras().items()}
        import keras  # after the package has chosen what runs it

        about = f"Keras {keras.__version__}, {keras.backend.backend()}"
        text = json.dumps({"made_by": about, "awake_asleep_undefined": said}, separators=(",", ":"))
        KEPT.write_text(text + "\n", encoding="utf-8")
    apart = furthest()
    sys.stdout.write(f"furthest apart: {apart:.1e} (allowed {FURTHEST:g})\n")
    return int(apart > FURTHEST)


if __name__ == "__main__":
    sys.exit(main())
