"""One night under many rules."""

import pytest

from sleepbrux import reference as calibration
from sleepbrux.scoring.night import rescore, score_night
from sleepbrux.scoring.robustness import Curve, assess_robustness, holding, side_by_side
from tests.nights import recording_of, rhythm

STRONG, WEAK = rhythm(60, 5, level_uv=120.0), rhythm(120, 5, level_uv=32.0)
TRIALS = (180.0, 200.0, 240.0)


@pytest.fixture(scope="module")
def night():
    clenches = [(10.0 + 12 * k, 13.0 + 12 * k, uv) for k, uv in enumerate(TRIALS)]
    recording = recording_of([[*clenches, *STRONG, *WEAK]], seconds=240)
    from sleepbrux.criteria import load_criterion
    from sleepbrux.recording.window import Window
    from sleepbrux.scoring.night import score
    from sleepbrux.signal.swept import sweep_recording

    swept = sweep_recording(recording)
    reference = calibration.from_clenches(
        swept.frames,
        [(a, b) for a, b, _ in clenches],
        origin=calibration.ReferenceOrigin("test", "same electrodes"),
    )
    window = Window(((50.0, 240.0),), "test")
    rule = load_criterion("phasic_tonic_10mvc")
    return score(swept, criterion=rule, window=window, reference=reference)


def test_each_row_is_the_night_rescored(night):
    rows = side_by_side(night)
    assert [r.id for r in rows] == ["phasic_tonic_10mvc", "lavigne1996", "aasm"]
    for row in rows:
        again = rescore(night, row.id)
        for name, measure in row.measures.items():
            if name != "background_uv":
                assert measure.value == again.measures[name].value, name


def test_the_weak_episode_is_lost_at_20_per_cent(night):
    counts = {r.id: r.measures["episode_count"].value for r in side_by_side(night)}
    assert counts == {"phasic_tonic_10mvc": 2, "lavigne1996": 1, "aasm": 2}


def test_curves_agree_with_rescoring_and_fall_with_the_threshold(night):
    found = assess_robustness(night)
    threshold = found.curves[0]
    assert threshold.key == "threshold.level_pct_mvc"
    at = dict(zip(threshold.values, threshold.rates, strict=True))
    derived = night.criterion.derive({"threshold.level_pct_mvc": 25.0})
    assert at[25.0] == rescore(night, derived).measures["episodes_per_hour"].value
    assert at[10.0] > at[30.0]
    assert {c.key for c in found.curves} == {
        "threshold.level_pct_mvc",
        "episode.gap_s",
        "burst.minimum_s",
    }
    low, high = found.clench_band
    assert low <= at[10.0] <= high


def test_the_sentence_names_the_range_that_holds(night):
    found = assess_robustness(night)
    low, high = holding(found.curves[0])
    assert low <= 10 <= high < 40
    assert f"From {low:g} to {high:g} % MVC" in found.sentence
    assert "per valid hour" in found.sentence


def test_a_range_ends_where_the_rate_leaves_a_quarter():
    curve = Curve("threshold.level_pct_mvc", (5.0, 10.0, 15.0, 20.0), (9.0, 4.0, 3.1, 2.9), 10.0)
    assert holding(curve) == (10.0, 15.0)
    assert holding(Curve("episode.gap_s", (1.0, 3.0), (None, 4.0), 3.0)) == (3.0, 3.0)
    assert holding(Curve("episode.gap_s", (1.0, 3.0), (1.0, 0.0), 3.0)) is None


def test_without_a_clench_the_rows_in_mvc_say_why():
    recording = recording_of([STRONG], seconds=120)
    night = score_night(recording, None, "aasm")
    rows = {r.id: r for r in side_by_side(night)}
    assert "needs the MVC" in rows["lavigne1996"].reason
    assert rows["aasm"].measures["episode_count"].value == 1
    assert assess_robustness(night).curves[0].key == "threshold.times_background"


@pytest.mark.shows("dead-electrode")
def test_each_side_alone_stands_beside_when_one_was_lost():
    bursts = [STRONG, STRONG]
    recording = recording_of(bursts, seconds=1200)
    import numpy as np

    from sleepbrux.recording.memory import from_array
    from tests.nights import LABELS

    data = np.stack([recording.source.blocks([c], 0, 1_200_000)[0].data.copy() for c in recording.channels])
    data[1, 50_000:500_000] = 0.0  # the right side is lost while the episode happens
    night = score_night(from_array(data, 1000, LABELS), calibration.given(LABELS, 200.0))
    assert night.measures["episode_count"].value == 0
    alone = [r for r in side_by_side(night) if "alone" in r.title]
    assert [r.measures["episode_count"].value for r in alone] == [1, 0]
    assert alone[0].measures["valid_hours"].value > alone[1].measures["valid_hours"].value
