"""What is received lies in a standard file at once, and stays there whatever happens."""

import errno
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import edfio
import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.live import keeper as keeping
from sleepbrux.live.keeper import Keeper, KeptError, record_s
from sleepbrux.live.rails import RailsSeen
from sleepbrux.recording.edf_writer import Annotation
from sleepbrux.recording.opening import open_recording

ROOT = Path(__file__).resolve().parents[2]
LABELS = ("EMG Masseter L", "EMG Masseter R")
UV = np.random.default_rng(0).normal(0, 50, (20_000, 2))


def kept(path, *, bits=24, spans=((0, 20_000),), **settings) -> Keeper:
    keeper = Keeper(path, LABELS, Fraction(2000), bits=bits, start=datetime(2026, 12, 1, 9, 30), **settings)
    for a, b in spans:
        for k in range(a, b, 37):
            keeper.push(k, UV[k : min(k + 37, b)])
    return keeper


@pytest.mark.parametrize(("bits", "kind", "step"), [(16, "EDF+C", 0.1), (24, "BDF+C", 0.0239)])
def test_what_was_pushed_is_read_back_to_the_step_of_the_file(tmp_path, bits, kind, step):
    path = tmp_path / f"a.{kind[:3].lower()}"
    kept(path, bits=bits).close()
    recording = open_recording(path)
    assert recording.format == kind
    assert str(recording.start) == "2026-12-01 09:30:00"
    assert recording.notes == ()
    _, uv = recording.get_data("EMG Masseter R")
    assert np.abs(uv - UV[:, 1]).max() <= step / 2 + 1e-9


def test_a_reader_that_we_did_not_write_reads_the_same(tmp_path):
    kept(tmp_path / "a.edf", bits=16).close()
    other = edfio.read_edf(tmp_path / "a.edf")
    assert [s.label for s in other.signals] == list(LABELS)
    assert np.abs(other.signals[0].data - UV[:, 0]).max() <= 0.0501


@pytest.mark.shows("missed-gap")
def test_a_gap_lies_where_it_was_and_is_not_closed(tmp_path):
    keeper = kept(tmp_path / "a.bdf", spans=((0, 10_000), (10_777, 20_000)))
    keeper.close()
    recording = open_recording(tmp_path / "a.bdf")
    assert recording.gaps == ((5.0, 5.3885),)
    _, uv = recording.get_data("EMG Masseter L")
    assert uv[10_777:19_960] == pytest.approx(UV[10_777:19_960, 0], abs=0.013)
    assert keeper.left_over == 23
    assert any("23 samples" in note.text for note in keeper.notes())


def test_the_file_can_be_opened_at_every_flush_with_the_marks_made_so_far(tmp_path):
    keeper = kept(tmp_path / "a.bdf", spans=((0, 8000),))
    keeper.mark(Annotation(0.5, 2.0, "Rest"))
    keeper.mark(Annotation(3.0, 3.0, "Clench natural teeth"))
    keeper.flush()
    recording = open_recording(tmp_path / "a.bdf")
    keeper.close()
    assert recording.duration_s == 4
    assert [(m.start_s, m.duration_s, m.text) for m in recording.marks] == [
        (0.5, 2.0, "Rest"),
        (3.0, 3.0, "Clench natural teeth"),
    ]


def test_a_mark_that_is_reworded_replaces_itself_and_no_other(tmp_path):
    keeper = kept(tmp_path / "a.bdf", spans=((0, 8000),))
    first, _ = (keeper.mark(Annotation(at, 1.0, f"mark {at}")) for at in (1.0, 2.0))
    keeper.reword(first, "Dropped trial 1: moved")
    keeper.close()
    assert [m.text for m in open_recording(tmp_path / "a.bdf").marks] == [
        "Dropped trial 1: moved",
        "mark 2.0",
    ]


def test_marks_before_the_first_record_and_very_long_ones_are_kept(tmp_path):
    keeper = Keeper(tmp_path / "a.bdf", LABELS, Fraction(2000))
    keeper.mark(Annotation(0.0, 1.0, "Clench with " + "ü" * 300))
    keeper.push(0, UV[:4000])
    keeper.close()
    (mark,) = open_recording(tmp_path / "a.bdf").marks
    assert mark.text.startswith("Clench with üüü")


def test_values_beyond_the_file_are_counted_and_stand_at_its_end(tmp_path):
    keeper = Keeper(tmp_path / "a.edf", LABELS, Fraction(2000), bits=16)
    keeper.push(0, np.full((2000, 2), 5000.0))
    keeper.close()
    assert keeper.clipped == [2000, 2000]
    assert "2000 values of EMG Masseter L" in keeper.notes()[0].text


def test_no_file_is_replaced(tmp_path):
    (tmp_path / "a.bdf").write_text("older")
    with pytest.raises(RecordingError, match=r"a\.bdf is there already"):
        Keeper(tmp_path / "a.bdf", LABELS, Fraction(2000))
    assert (tmp_path / "a.bdf").read_text() == "older"


def test_records_hold_whole_samples_at_every_usual_rate():
    for rate in (250, 256, 500, 512, 1000, 1024, 2000, 2048, 4000):
        assert (rate * record_s(Fraction(rate))).denominator == 1
        assert record_s(Fraction(rate)) <= Fraction(1, 8)
    with pytest.raises(RecordingError, match="set the amplifier to a whole rate"):
        record_s(Fraction(1999, 2))


RUNS = """
import sys, time
from pathlib import Path
import numpy as np
from tests.live.fake import FakeInlet, engine_for
inlet = FakeInlet(np.random.default_rng(0).normal(0, 50, (60_000, 2)))
engine = engine_for(inlet, Path(sys.argv[1]))
engine.keeper.mark(__import__("sleepbrux.recording.edf_writer").recording.edf_writer.Annotation(0.2, 0.5, "Rest"))
begun = time.monotonic()
while True:
    engine.step()
    time.sleep(max(begun + inlet.at / 1000 - time.monotonic(), 0))
    print(engine.received, flush=True)
"""


@pytest.mark.shows("live-session")
def test_a_process_that_is_killed_loses_at_most_the_last_second(tmp_path):
    path = tmp_path / "killed.bdf"
    with subprocess.Popen(
        [sys.executable, "-c", RUNS, str(path)],
        stdout=subprocess.PIPE,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        text=True,
    ) as process:
        assert process.stdout is not None
        received = 0
        for line in process.stdout:
            received = int(line)
            if received >= 6000:
                break
        process.send_signal(signal.SIGKILL)
        received = max([received, *map(int, process.stdout.read().split()[:-1])])
        assert process.wait() == -signal.SIGKILL
    recording = open_recording(path)
    assert recording.duration_s >= received / 1000 - 1.0
    assert [m.text for m in recording.marks] == ["Rest"]
    usual = {"no-gap", "date-anonymised", "time-unknown"}
    assert {n.code for n in recording.notes} <= usual | {"size-differs", "records-inferred", "record-cut"}


FULL = """
import resource, sys
from fractions import Fraction
from pathlib import Path
import numpy as np
from sleepbrux.live.keeper import Keeper, KeptError
keeper = Keeper(Path(sys.argv[1]), ("EMG Masseter L", "EMG Masseter R"), Fraction(2000))
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    for k in range(0, 100_000, 100):
        keeper.push(k, np.full((100, 2), 10.0))
        keeper.flush()
except KeptError as error:
    print(error)
    try:
        keeper.push(0, np.zeros((100, 2)))
    except KeptError:
        print("and again")
    keeper.close()
"""


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="needs a limit on the size of files")
def test_a_full_disk_ends_the_file_in_one_sentence_and_keeps_what_there_was(tmp_path):
    path = tmp_path / "full.bdf"
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    said, again = done.stdout.strip().split("\n")
    assert said.startswith("full.bdf: the disk is full, so the recording ended at ")
    assert again == "and again"
    recording = open_recording(path)
    assert recording.duration_s > 5
    assert {n.code for n in recording.notes} <= {"no-gap", "date-anonymised", "time-unknown"}
    assert recording.get_data("EMG Masseter L")[1] == pytest.approx(10, abs=0.013)


def test_a_file_that_failed_is_not_written_again(tmp_path, monkeypatch):
    keeper = kept(tmp_path / "a.bdf", spans=((0, 8000),))

    class Broken:
        closed = False

        def write(self, data):
            del data
            raise OSError(28, "No space left on device")

        seek = flush = close = lambda self, *rest: None

    keeper._file.close()
    monkeypatch.setattr(keeper, "_file", Broken())
    with pytest.raises(KeptError, match="make room"):
        keeper.flush()
    with pytest.raises(KeptError, match="make room"):
        keeper.push(8000, UV[8000:9000])


def test_pushing_takes_little_time(tmp_path):
    """No figure is held here; the bench measures it. Eight channels of 4 kHz for a second take no second."""
    keeper = Keeper(tmp_path / "a.bdf", [f"EMG {k}" for k in range(8)], Fraction(4000))
    begun = time.process_time()
    keeper.push(0, np.zeros((4000, 8)))
    assert time.process_time() - begun < 1
    keeper.close()


def test_once_a_second_the_file_is_forced_onto_the_disk_in_another_thread(tmp_path, monkeypatch):
    clock, forced, here = [100.0], [], threading.get_ident()
    monkeypatch.setattr(keeping.time, "monotonic", lambda: clock[0])
    monkeypatch.setattr(
        keeping.os, "fsync", lambda n: forced.append((os.fstat(n).st_size, threading.get_ident()))
    )
    keeper = Keeper(tmp_path / "a.bdf", LABELS, Fraction(2000))
    for k in range(16):
        keeper.push(400 * k, UV[400 * k : 400 * (k + 1)])
        clock[0] += 0.2
        keeper.flush()
        keeper._disk.wait()
    assert len(forced) == 3
    assert here not in {thread for _, thread in forced}
    assert [size for size, _ in forced] == sorted({size for size, _ in forced})
    keeper.close()
    assert forced[-1][0] == (tmp_path / "a.bdf").stat().st_size


def test_a_disk_that_cannot_be_written_to_ends_the_recording_in_one_sentence(tmp_path, monkeypatch):
    clock = [100.0]
    monkeypatch.setattr(keeping.time, "monotonic", lambda: clock[0])

    def broken(number):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(keeping.os, "fsync", broken)
    keeper = kept(tmp_path / "a.bdf", spans=((0, 8000),))
    clock[0] += 1.5
    keeper.flush()
    assert keeper._disk._pending.exception() is not None
    with pytest.raises(KeptError, match=r"a\.bdf: Input/output error, so the recording ended at 4 s"):
        keeper.flush()
    assert open_recording(tmp_path / "a.bdf").duration_s == 4


def clench(clipped_uv: float | None, step_uv: float = 0.0) -> np.ndarray:
    """Rest and a strong clench in the second half, as a float stream brings it."""
    random = np.random.default_rng(4)
    uv = random.normal(0, 1, (20_000, 2)) * np.repeat([2.0, 600.0], 10_000)[:, None]
    uv[:, 1] = uv[:, 1] / 4
    if step_uv:
        uv = np.round(uv / step_uv) * step_uv
    return uv if clipped_uv is None else np.clip(uv, -clipped_uv, clipped_uv)


@pytest.mark.parametrize("step_uv", [0.0, 1.0])
def test_a_float_stream_that_clips_has_its_ends_in_the_header(tmp_path, step_uv):
    uv = clench(900.0, step_uv)
    keeper = Keeper(tmp_path / "a.bdf", LABELS, Fraction(2000), find_ends=True)
    for k in range(0, len(uv), 80):
        keeper.push(k, uv[k : k + 80])
    keeper.close()
    recording = open_recording(tmp_path / "a.bdf")
    strong, weak = recording.channels
    assert strong.digital_max * strong.gain == pytest.approx(900, abs=0.03)
    assert strong.digital_min * strong.gain == pytest.approx(-900, abs=0.03)
    assert weak.digital_max * weak.gain == pytest.approx(200_000)
    assert keeper.ends_uv[0] == pytest.approx(900, abs=0.03)
    assert keeper.ends_uv[1] is None
    assert np.abs(recording.get_data(LABELS[0])[1] - uv[:, 0]).max() < 0.013
    clipped = np.isclose(np.abs(uv[:, 0]), 900)
    other = edfio.read_bdf(tmp_path / "a.bdf").signals[0]
    assert other.digital_max == strong.digital_max
    assert (other.digital >= other.digital_max).sum() + (
        other.digital <= other.digital_min
    ).sum() == clipped.sum()


@pytest.mark.parametrize("step_uv", [0.0, 1.0, 10.0])
def test_rest_a_clench_that_does_not_clip_and_one_end_alone_have_no_ends(step_uv):
    whole = clench(None, step_uv)
    for uv in (whole, whole[:10_000], np.maximum(whole, -300.0), np.zeros((5000, 2))):
        seen = RailsSeen(2)
        for k in range(0, len(uv), 80):
            seen.push(np.rint(uv[k : k + 80] / 0.0238).astype(np.int32))
        assert seen.found() == [None, None]


def test_a_value_beyond_the_ends_takes_them_back():
    seen, uv = RailsSeen(2), np.rint(clench(900.0)).astype(np.int32)
    seen.push(uv)
    assert seen.found()[0] == (-900, 900)
    seen.push(np.array([[0, 0], [1500, 0], [0, 0]], dtype=np.int32))
    assert seen.found()[0] is None
