"""What a user with an open polysomnography set would run, on a generated set of the same shape.

Each night is one EDF+ file with EEG, EOG, masseters and the technicians' annotations in it: sleep stages
every 30 s, and jaw-muscle episodes as a person would mark them, which here means truth with jitter and some
left out.
"""

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.recording.edf_writer import Annotation, EdfSignal, write_edf
from sleepbrux.synth import Recipe, plan_night
from sleepbrux.synth.render import edf_signals, tiles
from tests.cli.conftest import called

RATE, SLOW_HZ = 500, 100
SLOW = (EdfSignal("EEG C3-M2", SLOW_HZ), EdfSignal("EOG E1-M2", SLOW_HZ))
NIGHTS = 3
LEFT_OUT = 0.2
RECIPE = Recipe(hours=0.5, episodes_per_hour=50, awake_s=30.0, settle_s=30.0, morning_clench=False)
STAGES = ("Sleep stage W", "Sleep stage N1", "Sleep stage N2", "Sleep stage N2", "Sleep stage R")


def human(plan, rng):
    """Truth as a person would mark it: edges off by some 0.2 s, a fifth left out."""
    for episode in plan.episodes:
        if rng.random() > LEFT_OUT:
            start = episode.start_s + rng.normal(0, 0.2)
            stop = episode.stop_s + rng.normal(0, 0.2)
            yield Annotation(start, max(stop - start, 0.5), f"RMMA {episode.kind}")


def blocks(plan, rng):
    """Samples of all channels, a minute at a time."""
    for jaw in tiles(plan, RATE):
        n = len(jaw[0]) // RATE * SLOW_HZ
        yield (*jaw, *(rng.normal(0, 200, n).astype(np.int16) for _ in SLOW))


def polysomnography(folder: Path) -> int:
    """Write the set; how many episodes the person marked."""
    marked = 0
    for k in range(NIGHTS):
        plan = plan_night(RECIPE, seed=40 + k)
        rng = np.random.default_rng(k)
        events = list(human(plan, rng))
        marked += len(events)
        stages = [
            Annotation(30.0 * i, 30.0, STAGES[i // 12 % len(STAGES)]) for i in range(plan.duration_s // 30)
        ]
        cues = [Annotation(c.start_s, c.duration_s, c.text) for c in plan.cues]
        write_edf(
            folder / f"psg-{k}.edf",
            [*edf_signals(RATE), *SLOW],
            blocks(plan, rng),
            onsets=list(range(plan.duration_s)),
            annotations=sorted([*cues, *stages, *events], key=lambda a: a.start_s),
            start=datetime(2026, 3, 2 + k, 23, 0, 0),
        )
    return marked


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    folder = tmp_path_factory.mktemp("psg")
    (folder / "raw").mkdir()
    marked = polysomnography(folder / "raw")
    nights = sorted((folder / "raw").glob("*.edf"))
    scored = called("score", *nights, "--out", folder / "results")
    assert scored.code == 0, scored.err
    labels = [f"--label=RMMA {kind}={kind}" for kind in ("phasic", "tonic", "mixed")]
    done = called(
        "agreement",
        folder / "results",
        folder / "raw",
        "--scored",
        "all",
        *labels,
        "--out",
        folder / "agreement",
    )
    assert done.code == 0, done.err
    return (
        marked,
        json.loads((folder / "agreement" / "agreement.json").read_text("utf-8")),
        done.out,
    )


def test_every_night_of_the_set_is_compared_with_its_own_annotations(compared):
    _, found, printed = compared
    assert len(found["nights"]) == NIGHTS
    assert "3 nights" in printed


def test_what_the_person_left_out_is_what_lowers_precision(compared):
    marked, found, _ = compared
    overlap = found["found"][0]
    assert overlap["matched"] >= 0.97 * marked
    expected = overlap["matched"] / (overlap["matched"] + overlap["only_a"])
    assert overlap["precision"]["value"] == pytest.approx(expected, abs=0.02)
    assert 0.7 < overlap["precision"]["value"] < 0.9  # a fifth was left out


def test_onsets_differ_as_the_person_jitters(compared):
    _, found, _ = compared
    onset = next(d for d in found["differences"] if "onset" in d["name"])
    assert abs(onset["median"]) < 0.1
    assert 0.1 < (onset["p95"] - onset["p5"]) / 3.29 < 0.3  # standard deviation 0.2 s
