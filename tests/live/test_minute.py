"""One minute of the recorder's own electrodes: in the words of the morning after."""

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.live.minute import judge, receive
from sleepbrux.scoring.usability import FIX_ELECTRODE, FIX_MAINS
from sleepbrux.signal.quality import REASONS
from sleepbrux.synth.layout import plan_reference
from sleepbrux.synth.stream import rendered

from .fake import RATE, FakeInlet, engine_for


@pytest.fixture(scope="module")
def minute():
    return rendered(plan_reference([("Clench natural teeth", 1.0)], seed=4, mvc_uv=(210.0, 190.0)), RATE)[
        : 65 * RATE
    ].astype(np.float64)


def judged(uv, path, **options):
    engine = engine_for(FakeInlet(uv, step_s=0.1, **options), path)
    receive(engine)
    return judge(path)


def test_electrodes_that_hold_are_usable(minute, tmp_path):
    verdict = judged(minute, tmp_path / "a.bdf")
    assert verdict.verdict == "usable"
    assert verdict.findings == ()


def test_a_side_that_is_off_is_said_in_the_reports_words_with_what_to_do(minute, tmp_path):
    uv = minute.copy()
    uv[10 * RATE :, 1] = 3.0
    verdict = judged(uv, tmp_path / "a.bdf")
    assert verdict.verdict == "usable with limits"
    (finding,) = [f for f in verdict.findings if f.cause == "electrode"]
    assert finding.text.startswith("EMG Masseter R: ")
    assert REASONS["flat"] in finding.text
    assert finding.remedy == FIX_ELECTRODE
    uv[10 * RATE :, 0] = 3.0
    assert judged(uv, tmp_path / "b.bdf").verdict == "repeat"


def test_mains_hum_is_said(minute, tmp_path):
    uv = minute.copy()
    uv[:, 0] += 60 * np.sin(2 * np.pi * 50 * np.arange(len(uv)) / RATE)
    verdict = judged(uv, tmp_path / "a.bdf")
    assert FIX_MAINS in {f.remedy for f in verdict.findings}


def test_samples_that_were_not_received_are_said(minute, tmp_path):
    verdict = judged(minute, tmp_path / "a.bdf", lost=[(20 * RATE, 23 * RATE)])
    assert any("3 s of the minute were not received" in f.text for f in verdict.findings)


def test_a_minute_that_breaks_off_is_refused(minute, tmp_path):
    engine = engine_for(FakeInlet(minute, ends_at=20 * RATE), tmp_path / "a.bdf")
    with pytest.raises(RecordingError, match="only 20 of 60 s came"):
        receive(engine)
    assert (tmp_path / "a.bdf").exists()
