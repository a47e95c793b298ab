"""What is written can be read back by readers of other hands, gaps and marks included."""

import re
from datetime import datetime

import edfio
import numpy as np
import pyedflib
import pytest

from sleepbrux.recording.edf_writer import Annotation, EdfSignal, write_edf
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.render import tiles, write_night

RATE = 250
SMALL = Recipe(hours=0.2, awake_s=60.0, settle_s=20.0, morning_s=20.0, episodes_per_hour=20.0)
START = datetime(2026, 3, 2, 22, 40, 5)


@pytest.fixture(scope="module")
def plan():
    return plan_night(SMALL, seed=9)


@pytest.fixture(scope="module")
def night(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("edf") / "night.edf"
    write_night(plan, path, rate=RATE, start=START)
    return path


def digital(plan):
    return [np.concatenate(side) for side in zip(*tiles(plan, RATE), strict=True)]


def test_edfio_reads_the_same_samples_and_marks(plan, night):
    edf = edfio.read_edf(night)
    assert edf.reserved == "EDF+C"
    assert edf.labels == ("EMG Masseter L", "EMG Masseter R")
    assert edf.startdatetime == START
    for signal, expected in zip(edf.signals, digital(plan), strict=True):
        assert signal.sampling_frequency == RATE
        assert signal.physical_dimension == "uV"
        assert np.array_equal(signal.digital, expected)
        assert signal.data == pytest.approx(expected * 0.1, abs=1e-6)
    marks = [(a.onset, a.duration or 0.0, a.text) for a in edf.annotations]
    assert marks == [(c.start_s, c.duration_s, c.text) for c in plan.cues]


def test_pyedflib_reads_the_same_samples_and_marks(plan, night):
    with pyedflib.EdfReader(str(night)) as edf:
        for channel, expected in enumerate(digital(plan)):
            assert edf.getSampleFrequency(channel) == RATE
            assert edf.getPhysicalMaximum(channel) == pytest.approx(3276.7)
            assert np.array_equal(edf.readSignal(channel, digital=True), expected)
        onsets, _, texts = edf.readAnnotations()
    assert onsets == pytest.approx([cue.start_s for cue in plan.cues])
    assert list(texts) == [cue.text for cue in plan.cues]


def test_header_names_nobody(night, tmp_path):
    head = night.read_bytes()[:256]
    assert head[8:88].rstrip() == b"X X X X"
    assert head[88:168].rstrip() == b"Startdate 02-MAR-2026 X X X"
    write_edf(tmp_path / "a.edf", [EdfSignal("A", 4)], [[np.zeros(4, np.int16)]], onsets=[0])
    assert edfio.read_edf(tmp_path / "a.edf").local_recording_identification == "Startdate X X X X"


def test_same_seed_same_bytes_and_no_other_file_is_left(plan, night, tmp_path):
    again = tmp_path / "again.edf"
    write_night(plan, again, rate=RATE, start=START)
    assert again.read_bytes() == night.read_bytes()
    assert list(tmp_path.iterdir()) == [again]
    other = tmp_path / "other.edf"
    write_night(plan_night(SMALL, seed=10), other, rate=RATE, start=START)
    assert other.read_bytes() != night.read_bytes()


def test_records_behind_a_gap_carry_their_own_onset(tmp_path):
    recipe = Recipe(
        hours=0.2,
        awake_s=60.0,
        settle_s=20.0,
        morning_s=20.0,
        episodes_per_hour=20.0,
        gaps=((300, 345), (400, 401)),
    )
    path = tmp_path / "gap.edf"
    write_night(plan_night(recipe, seed=9), path, rate=RATE)
    raw = path.read_bytes()
    assert raw[192:236].rstrip() == b"EDF+D"
    onsets = [int(found) for found in re.findall(rb"\+(\d+)\x14\x14\0", raw)]
    assert onsets == [*range(300), *range(345, 400), *range(401, 720)]
    edf = edfio.read_edf(path)
    assert not edf.is_continuous
    assert edf.num_data_records == len(onsets)
    assert "Lights on" in [a.text for a in edf.annotations]


def test_fractions_and_crowded_records_keep_every_mark(tmp_path):
    marks = [
        Annotation(1.0625, 0.25, "a"),
        Annotation(1.5, 0.0, "µ"),
        Annotation(2.999999, 3.0, "z"),
    ]
    marks += [Annotation(1.75, 0.0, f"mark {i}") for i in range(30)]
    blocks = [[np.arange(8, dtype=np.int16)], [np.arange(4, dtype=np.int16)]]
    path = tmp_path / "marks.edf"
    write_edf(path, [EdfSignal("A", 4)], blocks, onsets=[0, 1, 2], annotations=marks)
    edf = edfio.read_edf(path)
    found = {(a.onset, a.duration or 0.0, a.text) for a in edf.annotations}
    assert found == {(m.start_s, m.duration_s, m.text) for m in marks}
    assert edf.signals[0].digital.tolist() == [*range(8), *range(4)]
    record = path.read_bytes()[3 * 256 :]
    assert record.index(b"+1.0625") > record.index(b"+1\x14\x14")


def test_signals_of_different_rates_share_a_record(tmp_path):
    signals = [
        EdfSignal("fast", 8),
        EdfSignal("slow", 2, unit="mV", step=0.001, prefilter="HP:1Hz"),
    ]
    blocks = [[np.arange(16, dtype=np.int16), np.arange(4, dtype=np.int16)]]
    write_edf(tmp_path / "two.edf", signals, blocks, onsets=[0, 1])
    fast, slow = edfio.read_edf(tmp_path / "two.edf").signals
    assert fast.digital.tolist() == list(range(16))
    assert slow.data == pytest.approx([0.0, 0.001, 0.002, 0.003])
    assert (slow.physical_dimension, slow.prefiltering) == ("mV", "HP:1Hz")


def test_a_missing_record_is_refused_and_no_file_is_left(tmp_path):
    with pytest.raises(ValueError, match="1 records came, 2 were announced"):
        write_edf(tmp_path / "a.edf", [EdfSignal("A", 4)], [[np.zeros(4, np.int16)]], onsets=[0, 1])
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("label", ["a label longer than sixteen", "Kaumuskel µ"])
def test_a_label_that_edf_cannot_hold_is_refused(tmp_path, label):
    with pytest.raises(ValueError, match="ASCII of at most 16"):
        write_edf(tmp_path / "a.edf", [EdfSignal(label, 4)], [], onsets=[0])
