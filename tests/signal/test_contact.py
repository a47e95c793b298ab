"""Contact is judged by what a resting channel shows: no burst is needed, and none is asked for."""

import numpy as np
import pytest

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.reference import given
from sleepbrux.scoring.events import find_events
from sleepbrux.signal.quality import examine
from sleepbrux.signal.sweep import sweep
from sleepbrux.signal.swept import sweep_recording

LABELS = ["EMG Masseter L", "EMG Masseter R"]
SECONDS = 3700  # long enough for a judgement of the whole night


def shaped(rng, n, rate, median_hz, spread=0.52):
    """Noise of RMS 1 with a log-normal spectrum around a median frequency."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    hz = np.fft.rfftfreq(n, 1 / rate)
    log_hz = np.log(np.maximum(hz, 0.1) / median_hz)
    spectrum *= np.where(hz >= 8, np.sqrt(np.exp(-0.5 * (log_hz / spread) ** 2 - log_hz)), 0)
    noise = np.fft.irfft(spectrum, n)
    return noise / noise.std()


def resting(rate, median_hz, *, events=0, seconds=SECONDS, seed=1, noise_uv=0.3):
    """Rest of 2.9 µV with events of 2.5 s and 100 µV spread over it."""
    rng = np.random.default_rng(seed)
    level = np.full(seconds * rate, 2.9)
    for at in np.linspace(30, seconds - 30, events):
        level[round(at * rate) : round((at + 2.5) * rate)] = 100.0
    return level * shaped(rng, len(level), rate, median_hz) + rng.normal(0, noise_uv, len(level))


def examined(data, rate):
    recording = from_array(data[None], rate, LABELS[:1])
    (frames,) = sweep(recording, recording.channels)
    return examine(frames)[1]


@pytest.mark.parametrize("noise_uv", [0.3, 1.5])
@pytest.mark.parametrize("median_hz", [60, 106, 140])
@pytest.mark.parametrize("rate", [128, 200, 256, 300, 512, 1000])
def test_a_quiet_side_is_never_lost(rate, median_hz, noise_uv):
    quality = examined(resting(rate, median_hz, noise_uv=noise_uv), rate)
    assert set(quality.faults) == {"settling"}


@pytest.mark.parametrize("events", [0, 1, 16, 300])
def test_what_is_excluded_does_not_depend_on_how_often_the_muscle_was_active(events):
    for rate in (256, 512):
        quality = examined(resting(rate, 106, events=events), rate)
        assert set(quality.faults) == {"settling"}


def test_a_night_without_events_has_none_an_hour_on_one_side_and_on_both():
    for events in ((0, 0), (16, 0)):
        data = np.stack([resting(256, 106, events=n, seed=k) for k, n in enumerate(events)])
        swept = sweep_recording(from_array(data, 256, LABELS))
        found = find_events(
            swept,
            criterion=load_criterion("phasic_tonic_10mvc"),
            window=find_window((), swept.duration_s),
            reference=given(LABELS, dict.fromkeys(LABELS, 200.0)),
        ).selection
        assert found.valid.hours == pytest.approx(SECONDS / 3600, abs=0.01)
        assert len(found.episodes) == sum(events)


@pytest.mark.parametrize("rate", [200, 256, 1000])
def test_an_open_input_is_told_on_either_side_of_white_where_the_muscle_is_not_white(rate):
    data = resting(rate, 106, seconds=400)
    data[100 * rate : 160 * rate] = np.random.default_rng(2).normal(0, 5, 60 * rate)
    ((start, stop),) = examined(data, rate).faults["contact_lost"].seconds()
    assert (start, stop) == (pytest.approx(100, abs=3), pytest.approx(160, abs=3))


def test_where_an_open_input_cannot_be_told_from_a_quiet_muscle_the_time_counts_and_a_note_says_so():
    quality = examined(resting(512, 134), 512)
    assert set(quality.faults) == {"settling"}
    assert "open-input-not-told" in {note.code for note in quality.notes}
    assert not examined(resting(1000, 134), 1000).notes


def test_the_recorders_noise_alone_all_night_long_is_no_contact():
    white = np.random.default_rng(3).normal(0, 6, SECONDS * 1000)
    assert examined(white, 1000).usable.duration_s == 0
