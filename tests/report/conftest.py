"""Short nights from noise, and a headless browser where there is one."""

from datetime import datetime

import numpy as np
import pytest

from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.reference import given
from sleepbrux.scoring.night import score_night

from .page_browser import browser_path, headless

RATE = 500
LABELS = ("EMG Masseter L", "EMG Masseter R")
MVC_UV = 200.0
LIGHTS = (Mark(30.0, 0.0, "Lights off"), Mark(570.0, 0.0, "Lights on"))
EVIL = (
    "</script><script>window.hacked=1</script>",
    "<img src=x onerror=window.hacked=2>",
    "{{ 7*7 }}\u2028`${window.hacked=3}`",
)


def bursts_of(n_episodes=4, first_s=60.0, apart_s=100.0):
    """Rhythmic episodes, every third one tonic, and one mixed: (start_s, stop_s, µV)."""
    out = []
    for k in range(n_episodes):
        start = first_s + k * apart_s
        if k % 3 == 1:
            out.append((start, start + 3.0, 70.0))
            continue
        out += [(start + i, start + i + 0.5, 60.0 + 10 * i) for i in range(5)]
        if k % 3 == 2:
            out.append((start + 6.0, start + 9.0, 320.0))
    return out


def recording(
    seconds=600.0,
    labels=LABELS,
    *,
    bursts=None,
    marks=LIGHTS,
    gap=None,
    flat=None,
    seed=5,
    start=datetime(2026, 3, 2, 22, 40),
    name="night_a",
):
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    level = np.full(n, 2.5)
    for a, b, uv in bursts_of() if bursts is None else bursts:
        level[int(a * RATE) : int(b * RATE)] = uv
    noise = rng.standard_normal((len(labels), n))
    # two neighbouring samples against two others: most of the power lies inside the band
    data = (noise + np.roll(noise, 1, axis=1)) / np.sqrt(2) * level
    if flat is not None:
        data[-1, int(flat[0] * RATE) : int(flat[1] * RATE)] = 3.0
    if gap is not None:
        data[:, int(gap[0] * RATE) : int(gap[1] * RATE)] = np.nan
    return from_array(data, RATE, labels, marks=marks, start=start, name=name)


def scored(criterion="phasic_tonic_10mvc", *, mvc=True, **options):
    rec = recording(**options)
    labels = [c.label for c in rec.channels]
    return score_night(rec, given(labels, MVC_UV) if mvc else None, criterion, channels=labels, threads=1)


def held_night():
    return scored(gap=(440.0, 455.0), flat=(480.0, 520.0))


@pytest.fixture(scope="session")
def night():
    """Ten minutes, two channels, a gap and a flat stretch."""
    return held_night()


@pytest.fixture(scope="session")
def hostile():
    """A night whose labels, marks and name try to be code."""
    marks = (*LIGHTS, *(Mark(100.0 + 20 * k, 1.0, text) for k, text in enumerate(EVIL)))
    return scored(labels=EVIL[:2], marks=marks, name=EVIL[1])


@pytest.fixture(scope="session")
def browser():
    """Headless Chromium, where there is one."""
    if browser_path() is None:
        pytest.skip("neither chromium nor chrome is installed")
    with headless() as driver:
        yield driver
