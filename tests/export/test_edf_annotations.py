"""The EDF+ annotation file, read back by three independent readers."""

from datetime import time
from pathlib import Path

import edfio
import mne
import numpy as np
import pyedflib
import pytest

from sleepbrux.core.errors import UsageError
from sleepbrux.export.edf_annotations import edf_annotations, identity_of, text_of
from sleepbrux.export.events import events
from sleepbrux.scoring.request import Request, score_file

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"


@pytest.fixture(scope="module")
def written(night, tmp_path_factory):
    path = tmp_path_factory.mktemp("edf") / "night.annotations.edf"
    path.write_bytes(edf_annotations(night))
    return path


def expected(night):
    return [(round(e.onset_s, 4), round(e.duration_s, 4), text_of(e)) for e in events(night)]


def same(found, night):
    wanted = expected(night)
    assert len(found) == len(wanted) > 10
    for (a, d, text), (x, y, words) in zip(sorted(found), sorted(wanted), strict=True):
        assert text == words
        assert a == pytest.approx(x, abs=1e-3)
        assert d == pytest.approx(y, abs=1e-3)


def test_edfio_reads_it_back(written, night):
    same([(a.onset, a.duration or 0.0, a.text) for a in edfio.read_edf(written).annotations], night)


def test_pyedflib_reads_it_back(written, night):
    with pyedflib.EdfReader(str(written)) as file:
        found = list(zip(*(v.tolist() for v in file.readAnnotations()), strict=True))
        assert file.getPatientCode() == "P-01"
        assert file.getStartdatetime().time() == time(22, 40)
    same(found, night)


def test_mne_reads_it_back_alone_and_laid_over_the_recording(written, night):
    found = mne.read_annotations(written)
    same(list(zip(found.onset, found.duration, found.description, strict=True)), night)
    info = mne.create_info([f.channel.label for f in night.swept.frames], 500, "emg")
    raw = mne.io.RawArray(np.zeros((2, 300_000)), info, verbose="error")
    raw.set_annotations(found)
    assert len(raw.annotations) == len(found)


def test_one_text_a_type_and_the_link_names_a_channel(night):
    labels = {f.channel.label for f in night.swept.frames}
    texts = {text_of(e) for e in events(night)}
    for text in texts:
        name, _, channel = text.partition("@@")
        assert not any(c.isdigit() for c in name)
        assert channel in labels | {""}
    assert {"Phasic episode@@EMG Masseter L", "Analysed window"} <= texts


def test_nobody_is_named_and_no_day_given_unless_asked_for(written):
    header = written.read_bytes()[:512]
    assert header[8:88].decode().split() == ["P-01", "X", "X", "X"]
    assert header[168:184] == b"01.01.8522.40.00"
    assert b"2026" not in header


@pytest.mark.shows("identity-leak")
def test_the_identity_is_the_recordings_own():
    night = score_file(EXCERPT, Request(mvc_uv=190.0))
    original = EXCERPT.read_bytes()[:256]
    made = edf_annotations(night, identity_of(night, EXCERPT))
    assert made[8:88] == original[8:88]
    assert made[168:184] == original[168:184]


@pytest.mark.shows("identity-leak")
def test_another_recording_gives_no_identity(night):
    with pytest.raises(UsageError, match="not the recording that was scored"):
        identity_of(night, EXCERPT)


def test_a_start_between_two_seconds_is_kept_in_the_onsets(night):
    from dataclasses import replace

    late = replace(night, swept=replace(night.swept, start_clock=time(22, 40, 0, 250_000)))
    assert b"+30.25\x15" in edf_annotations(late)
    assert b"+30\x15" in edf_annotations(night)


def test_hostile_labels_cannot_break_an_annotation(hostile, tmp_path):
    path = tmp_path / "hostile.edf"
    path.write_bytes(edf_annotations(hostile))
    assert len(edfio.read_edf(path).annotations) == len(events(hostile))
