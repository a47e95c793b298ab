"""Damaged files: a refusal in one sentence or a recording, and never more memory than the file.

Every file here is bent in one way or several; what opens must also hand out its samples.
"""

from __future__ import annotations

import math
import tracemalloc
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import open_recording

from .build import FILE_WIDTHS, SIGNAL_WIDTHS, File, Signal, edf_plus, emg, tal, times

# A file of some 6 kB is opened within this; a count in its header must not be believed.
MOST_BYTES = 4_000_000
LONGEST_S = 32 * 86_400


def whole_file() -> File:
    marks = (3, tal("+3.5", "Lights off", duration="2") + tal("+4", "clench"))
    onsets = [f"+{i}" if i < 6 else f"+{i + 20}" for i in range(10)]
    return edf_plus(
        emg(),
        emg(per_record=25, label="SpO2", dimension="%"),
        times(onsets, marks),
        reserved="EDF+D",
    )


def check(recording: Recording) -> None:
    assert recording.channels
    assert math.isfinite(recording.duration_s)
    assert len({channel.label for channel in recording.channels}) == len(recording.channels)
    texts = [*(n.text for n in recording.notes), *(m.text for m in recording.marks)]
    texts += [text for c in recording.channels for text in (c.label, c.unit, c.prefilter, c.fault)]
    assert "".join(texts).encode("utf-8").decode("utf-8") == "".join(texts)
    for mark in recording.marks:
        assert math.isfinite(mark.start_s)
        assert math.isfinite(mark.duration_s)
    for start, stop in recording.gaps:
        assert 0 <= start < stop <= recording.duration_s
    for channel in recording.channels:
        assert math.isfinite(channel.gain)
        assert math.isfinite(channel.offset)
        assert channel.rate > 0
        kept = sum(piece.n for piece in channel.pieces)
        assert (
            kept == channel.n_stored
            if recording.format.startswith(("EDF", "BDF"))
            else kept <= channel.n_stored
        )
        stored = [(piece.stored, piece.stored + piece.n) for piece in channel.pieces]
        assert all(0 <= a < b <= channel.n_stored for a, b in stored)
        ends = [(piece.night, piece.night + piece.n) for piece in channel.pieces]
        assert all(a[1] <= b[0] for a, b in pairwise(ends))
        assert channel.n_night <= channel.n_stored + LONGEST_S * channel.rate
        last = samples(recording, channel, max(channel.n_stored - 3, 0), channel.n_stored)
        assert len(last) == min(3, channel.n_stored)


def opened_or_refused(path: Path) -> Recording | None:
    """The recording, whole; None where it is refused, in one sentence that names the file."""
    refusal = ""
    try:
        recording = open_recording(path)
        check(recording)
    except RecordingError as error:
        refusal = str(error)
    if not refusal:
        return recording
    assert refusal.startswith(f"{path.name}: ")
    assert "\n" not in refusal
    assert refusal.encode("utf-8")
    assert refusal[-1] in ".?"
    return None


def open_or_refuse(path: Path) -> bool:
    """Whether a file opens."""
    return opened_or_refused(path) is not None


def bend_and_open(path: Path, *, seed: int, n_trials: int) -> int:
    """How many of so many files with flipped bytes still open."""
    generator = np.random.default_rng(seed)
    good = np.frombuffer(whole_file().to_bytes(), dtype=np.uint8)
    opened = 0
    for trial in range(n_trials):
        bad = good.copy()
        n_flips = 1 if trial % 2 else int(generator.integers(2, 40))
        where = generator.integers(0, 1280 if trial % 3 else len(bad), n_flips)
        bad[where] = generator.integers(0, 256, n_flips)
        path.write_bytes(bad.tobytes())
        opened += open_or_refuse(path)
    return opened


@pytest.mark.parametrize("seed", range(4))
def test_flipped_bytes_end_in_a_recording_or_a_refusal(tmp_path, seed):
    assert bend_and_open(tmp_path / "night.edf", seed=seed, n_trials=750) > 100


def test_no_flipped_byte_makes_the_reader_allocate_more_than_the_file_warrants(tmp_path):
    tracemalloc.start()
    try:
        bend_and_open(tmp_path / "night.edf", seed=99, n_trials=200)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MOST_BYTES


def test_a_file_cut_anywhere_ends_in_a_recording_or_a_refusal(tmp_path):
    good = whole_file().to_bytes()
    path = tmp_path / "night.edf"
    for length in [*range(0, 1400, 37), *range(1400, len(good), 211)]:
        path.write_bytes(good[:length])
        open_or_refuse(path)


AWKWARD = st.sampled_from(
    [
        "",
        "0",
        "-1",
        "+1",
        "1e9",
        "1e-9",
        "1E99",
        "nan",
        "inf",
        "-0",
        "9" * 8,
        "-" + "9" * 7,
        "0.0",
        "1,5",
        "1,234",
        "1.2.3",
        "--1",
        "0x10",
        "1_000",
        "\0\0",
        "²",
        "१",
        ".",
        ",",
        "+",
        "e5",
        "99999999",
        "0.00001",
        "1/3",
        "24.00.00",
        "31.02.26",
        "BDF+D",
        "EDF+C",
    ]
).map(lambda text: text.encode("utf-8"))
CELL = AWKWARD | st.binary(max_size=8) | st.integers(-(10**6), 10**7).map(lambda n: b"%d" % n)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    file_cells=st.dictionaries(st.sampled_from(sorted(FILE_WIDTHS)), CELL, max_size=2),
    signal_cells=st.dictionaries(st.sampled_from(sorted(SIGNAL_WIDTHS)), CELL, max_size=2),
)
def test_any_header_cell_ends_in_a_recording_or_a_refusal(tmp_path_factory, file_cells, signal_cells):
    base = whole_file()
    cells = dict(base.cells)
    cells.update({name: raw[: FILE_WIDTHS[name]] for name, raw in file_cells.items()})
    first = base.signals[0]
    bent = {name: raw[: SIGNAL_WIDTHS[name]] for name, raw in signal_cells.items()}
    signals = (Signal(first.digital, bent), *base.signals[1:])
    path = tmp_path_factory.getbasetemp() / "bent.edf"
    path.write_bytes(File(signals, base.n_records, cells).to_bytes())
    open_or_refuse(path)


@settings(max_examples=300, deadline=None)
@given(lists=st.lists(st.binary(max_size=40), min_size=1, max_size=10))
def test_any_bytes_as_annotations_end_in_a_recording(tmp_path_factory, lists):
    annotations = Signal(annotations=[tal("+0", "") + lists[0], *lists[1:]], annotation_bytes=60)
    path = tmp_path_factory.getbasetemp() / "annotated.edf"
    edf_plus(emg(), annotations).write(path)
    check(open_edf(path))


@pytest.mark.parametrize(
    "onset",
    [
        "+" + "9" * 15,
        "-" + "9" * 15,
        "+" + "9" * 30,
        "+1e9",
        "+99999999",
        "+0." + "1" * 15,
        "+",
        "-0",
    ],
)
def test_a_record_time_outside_any_night_does_not_stretch_the_night(tmp_path, onset):
    for record in (0, 5):
        onsets = [onset if i == record else f"+{i}" for i in range(10)]
        path = edf_plus(emg(), times(onsets)).write(tmp_path / "night.edf")
        recording = open_edf(path)
        check(recording)
        assert recording.duration_s <= 10.0


@pytest.mark.parametrize("kind", ["EDF", "BDF", "CSV", "WAV", "HDF5", "mne"])
def test_damaged_files_of_every_format_end_in_a_recording_or_a_refusal(kind):
    """A short stretch of ``python -m tests.recording.fuzz``."""
    from .fuzz import batch

    done = batch(kind, seed=20_000, n=60 if kind == "CSV" else 150)
    assert done["opened"] > (2 if kind == "mne" else 20)
