"""Runs the command in-process, on short recordings written as EDF+."""

import contextlib
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from edfio import Edf, EdfAnnotation, EdfSignal

from sleepbrux.cli import main
from tests.nights import LABELS, rhythm, signal_of

SECONDS = 240
BURSTS = [*rhythm(100, 4), (140.0, 143.0, 90.0), (180.0, 180.5, 80.0)]
CLENCHES = [(12.0, 15.0, 200.0), (22.0, 25.0, 200.0), (32.0, 35.0, 200.0)]


@dataclass(frozen=True)
class Done:
    """What a run of the command left."""

    code: int
    out: str
    err: str


def called(*arguments):
    """Run the command; what it printed and its exit code."""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(a) for a in arguments])
        except SystemExit as stop:
            code = stop.code or 0
    return Done(code, out.getvalue(), err.getvalue())


@pytest.fixture
def run():
    return called


def write_edf(path: Path, *, clenches=True, labels=LABELS, seed=0, lights=(), unit="uV", seconds=SECONDS):
    """A recording of four minutes: rest, clenches, one phasic and one tonic episode, one burst."""
    bursts = (CLENCHES if clenches else []) + BURSTS
    signals = [
        EdfSignal(
            np.clip(signal_of(bursts, seconds=seconds, seed=seed + k), -3000, 3000),
            1000,
            label=label[:16],
            physical_dimension=unit,
            physical_range=(-3000, 3000),
        )
        for k, label in enumerate(labels)
    ]
    notes = [EdfAnnotation(2, 8, "Rest")]
    notes += [EdfAnnotation(a, b - a, "Clench natural teeth") for a, b, _ in CLENCHES if clenches]
    notes += [EdfAnnotation(t, None, text) for t, text in lights]
    path.parent.mkdir(parents=True, exist_ok=True)
    Edf(signals, annotations=sorted(notes, key=lambda n: n.onset)).write(path)
    return path


@pytest.fixture
def edf(tmp_path):
    return write_edf(tmp_path / "in" / "night.edf")
