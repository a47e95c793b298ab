"""The nights of the benchmark hold what their names say."""

import pytest

from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import given
from sleepbrux.scoring.night import score_night
from tests.bench.nights import LABELS, plain


@pytest.mark.parametrize(("channels", "episodes"), [(1, 0), (2, 7), (4, 60)])
def test_a_plain_night_has_the_episodes_that_were_asked_for(tmp_path, channels, episodes):
    path = plain(tmp_path / "n.edf", hours=0.2, rate=500, channels=channels, episodes=episodes)
    recording = open_recording(path)
    assert [c.label for c in recording.channels] == list(LABELS[:channels])
    night = score_night(recording, given(LABELS[:channels], 190.0))
    assert night.measures["episode_count"].value == episodes
