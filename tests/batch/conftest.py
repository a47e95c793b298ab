"""Short nights, each a little different, and a study of them."""

import hashlib
from pathlib import Path

import pytest
from edfio import Edf, EdfAnnotation, EdfSignal

from tests.nights import LABELS, rhythm, signal_of

SECONDS = 120
RATE = 500
BURSTS = [(4.0, 6.0, 200.0), (10.0, 12.0, 200.0), *rhythm(80, 4), (95.0, 98.0, 90.0)]


@pytest.fixture(scope="session")
def one_night(tmp_path_factory):
    """Bytes of an EDF+ of two minutes: two marked clenches, a phasic and a tonic episode."""
    path = tmp_path_factory.mktemp("one") / "night.edf"
    signals = [
        EdfSignal(
            signal_of(BURSTS, seconds=SECONDS, rate=RATE, seed=k),
            RATE,
            label=label,
            physical_dimension="uV",
            physical_range=(-3000, 3000),
        )
        for k, label in enumerate(LABELS)
    ]
    marks = [EdfAnnotation(a, b - a, "Clench natural teeth") for a, b, _ in BURSTS[:2]]
    Edf(signals, annotations=marks).write(path)
    return path.read_bytes()


@pytest.fixture
def write_night(one_night):
    """Writes a night whose last sample is its own."""

    def write(path: Path, number: int = 0):
        path.parent.mkdir(parents=True, exist_ok=True)
        at = 256 * 4 + 40 * RATE  # a sample at rest, in the first signal
        head, tail = one_night[: at - at % 2], one_night[at - at % 2 + 2 :]
        path.write_bytes(head + int(number).to_bytes(2, "little", signed=True) + tail)
        return path

    return write


@pytest.fixture
def study(tmp_path, write_night):
    """A study of three nights, two with a stated clench, one with its own; returns its file."""

    def write(name="P01", nights=3, **more):
        folder = tmp_path / "in" / name
        lines = [
            f'pseudonym = "{name}"',
            *(f"{k} = {v!r}" for k, v in more.items()),
            "",
            "[[reference]]",
            'id = "r1"',
            'recording = "clench.edf"',
            'teeth = "natural"',
        ]
        write_night(folder / "clench.edf", 99)
        for k in range(1, nights + 1):
            write_night(folder / f"n{k}.edf", k)
            lines += [
                "",
                "[[night]]",
                f'id = "n{k}"',
                f'recording = "n{k}.edf"',
                'condition = "none"' if k % 2 else 'condition = "splint"',
                *(['reference = "r1"'] if k < 3 else []),
            ]
        file = folder / "study.toml"
        file.write_text("\n".join(lines) + "\n", "utf-8")
        return file

    return write


@pytest.fixture
def contents():
    """Digest by name of every result below a folder: not the records, which hold file stamps."""

    def read(folder: Path):
        return {
            p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*"))
            if p.is_file() and ".batch" not in p.parts
        }

    return read
