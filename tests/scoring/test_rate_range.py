"""A night's own error statement: what lost time leaves possible, and the measured bias of what was cleaned."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

import sleepbrux as sb
from sleepbrux import reference as calibration
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.export.summary import summary
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import score_night
from sleepbrux.scoring.rate_range import (
    Bias,
    biases_of,
    excluded_shares,
    met_shares,
    range_of,
    rate_range,
)
from sleepbrux.signal.bias import MEASURED
from sleepbrux.signal.quality import REASONS, REPAIRS
from tests.nights import LABELS, RATE, recording_of, rhythm, signal_of

pytestmark = pytest.mark.shows("lost-as-silence")

SECONDS = 180
GROUPS = [b for at in (20, 60, 100, 140) for b in rhythm(at, 4)]
BY_FAULT = {row.fault: row for row in MEASURED if row.fault}


def rates(least, most):
    return {
        "least_episodes_per_hour": Measure(least, "1/h", "basis"),
        "most_episodes_per_hour": Measure(most, "1/h", "basis"),
    }


@pytest.fixture(scope="module")
def clean():
    return score_night(
        recording_of([GROUPS, GROUPS], seconds=SECONDS), calibration.given(LABELS, 200.0), threads=1
    )


@pytest.fixture(scope="module")
def humming():
    """Mains all night on one side."""
    left, right = (signal_of(GROUPS, seconds=SECONDS, seed=k) for k in (0, 1))
    t_s = np.arange(SECONDS * RATE) / RATE
    data = np.stack([left + 30 * np.sin(2 * np.pi * 50.0 * t_s), right])
    return sb.score(data, rate_hz=RATE, labels=LABELS, mvc_uv=200.0)


def repaired(night, fault, *pairs_s, code=True):
    """The night as if these seconds of its first channel had been repaired."""
    grid = night.quality[0].usable.grid
    spans = Spans.of(grid, [(grid.slot_at(a), grid.slot_at(b)) for a, b in pairs_s])
    notes = (sb.Note(REPAIRS[fault], "note", "x"),) if code else ()
    one = replace(night.quality[0], repaired={fault: spans} if pairs_s else {}, notes=notes)
    return replace(night, quality=(one, *night.quality[1:]))


def without_time(night, fault, start_s, stop_s):
    """The night as if this second of its first channel had been left out."""
    grid, valid = night.quality[0].usable.grid, night.selection.valid
    spans = Spans.of(grid, [(grid.slot_at(start_s), grid.slot_at(stop_s))])
    one = replace(night.quality[0], faults=night.quality[0].faults | {fault: spans})
    selection = replace(night.selection, valid=valid - spans.on(valid.grid, rounding="outward"))
    return replace(night, quality=(one, *night.quality[1:]), selection=selection)


def test_the_range_of_a_rate_is_one_sentence():
    found = rate_range(rates(3.96, 5.04))
    assert found.sentence == "Lost time could move the rate between 4.0 and 5.0 per valid hour."


def test_measured_bias_of_what_was_cleaned_widens_the_range():
    found = rate_range(rates(4.0, 5.0), [Bias("mains", -10.0, 0.0), Bias("heart", -5.0, 20.0)])
    assert (found.low_per_hour, found.high_per_hour) == pytest.approx((4.0 * 0.9 * 0.95, 6.0))
    assert found.causes == ("Lost and cleaned time", "mains", "heart")
    assert found.sentence.startswith("Lost and cleaned time could move the rate between 3.4 and 6.0")


def test_a_bias_that_only_raises_the_count_does_not_raise_the_least():
    assert rate_range(rates(4.0, 5.0), [Bias("pops", 2.0, 8.0)]).low_per_hour == 4.0


def test_no_bias_makes_a_rate_below_none():
    assert rate_range(rates(4.0, 5.0), [Bias("movement", -150.0, 0.0)]).low_per_hour == 0.0


def test_where_nothing_could_be_otherwise_the_sentence_says_so():
    assert rate_range(rates(4.0, 4.0)).sentence.startswith("No lost time lies near enough")


def test_what_moves_no_decimal_is_said_as_less_than_one():
    found = rate_range(rates(4.0, 4.0), [Bias("mains", -0.5, 0.5)])
    assert found.sentence == "Lost and cleaned time could move the rate by less than 0.1 per valid hour."


def test_without_the_bounds_there_is_no_range():
    assert rate_range({}) is None
    assert rate_range(rates(None, None)) is None


def test_every_measured_fault_is_one_that_a_night_names():
    for row in MEASURED:
        assert row.low_pct <= row.index_pct <= row.high_pct
        assert row.n_episodes >= 400
        assert bool(row.fault) == bool(row.dose_of) == (row.dose > 0)
        assert not row.fault or row.fault in (REPAIRS if row.dose_of == "episodes" else REASONS)


def test_a_clean_night_has_no_cleaned_time(clean):
    assert biases_of(clean) == []
    assert range_of(clean) == rate_range(clean.measures)


def test_mains_all_night_widens_the_range_by_all_of_its_measured_bias(humming):
    assert [n.code for n in humming.quality[0].notes] == ["mains-removed"]
    assert met_shares(humming) == {"mains": 1.0}
    rate, row = humming.measures["episodes_per_hour"].value, BY_FAULT["mains"]
    found = summary(humming)["rate_range"]
    assert found["low_per_hour"] == pytest.approx(rate * (1 + row.low_pct / 100))
    assert found["high_per_hour"] == pytest.approx(rate * (1 + row.high_pct / 100))
    assert found["causes"] == ["Lost and cleaned time", row.cause]
    assert found["sentence"].startswith("Lost and cleaned time could move the rate between 79.4 and 80.7")


def test_one_pop_at_rest_moves_nothing(clean):
    night = repaired(clean, "pops", (50.0, 50.3))
    assert met_shares(night) == {"pops": 0.0}
    assert range_of(night) == range_of(clean)


def test_the_dose_of_a_repair_is_the_share_of_episodes_that_meet_it(clean):
    night = repaired(clean, "pops", (20.2, 20.3), (62.0, 62.1), (62.5, 62.6), (110.0, 110.5))
    grid, chosen = night.merged.grid, night.selection.episodes
    active = night.quality[0].repaired["pops"].on(grid).mask()
    met = [active[night.episodes.starts[k] : night.episodes.stops[k]].any() for k in chosen]
    assert sum(met) == 2
    assert met_shares(night) == {"pops": np.mean(met)}
    (bias,), row = biases_of(night), BY_FAULT["pops"]
    assert bias.low_pct == pytest.approx(0.5 / row.dose * row.low_pct)
    assert bias.cause == row.cause


def test_the_dose_of_left_out_time_is_its_share_of_the_window(clean):
    night = without_time(clean, "movement", 40.0, 49.0)
    assert excluded_shares(night)["movement"] == pytest.approx(9.0 / SECONDS)
    (bias,), row = biases_of(night), BY_FAULT["movement"]
    assert bias.low_pct == pytest.approx(9.0 / SECONDS / row.dose * row.low_pct)
    assert range_of(night).low_per_hour < range_of(clean).low_per_hour


def test_a_reason_without_a_measured_bias_moves_nothing(clean):
    assert biases_of(without_time(clean, "contact_lost", 40.0, 49.0)) == []


def test_a_fault_outside_the_window_moves_nothing(clean):
    grid = clean.merged.grid
    window = clean.selection.window - Spans.of(grid, [(0, grid.slot_at(50.0))])
    night = without_time(clean, "movement", 40.0, 49.0)
    selection = replace(night.selection, window=window, valid=night.selection.valid & window)
    assert biases_of(replace(night, selection=selection)) == []


def test_a_night_without_episodes_has_no_dose_of_a_repair(clean):
    empty = replace(clean.selection, episodes=clean.selection.episodes[:0])
    assert met_shares(repaired(replace(clean, selection=empty), "pops", (20.0, 30.0))) == {}


def test_an_archive_keeps_what_was_repaired_and_gives_the_same_range(humming, tmp_path):
    path = tmp_path / "n.night.h5"
    sb.save_night(humming, path)
    loaded = sb.load_night(path)
    assert [q.repaired for q in loaded.quality] == [q.repaired for q in humming.quality]
    assert range_of(loaded) == range_of(humming)


def test_an_archive_that_names_a_repair_and_not_its_place_takes_every_episode_for_repaired(clean):
    assert met_shares(repaired(clean, "heart")) == {"heart": 1.0}


def test_what_was_repaired_is_each_frame_whose_level_changed():
    """Beats at rest and under bursts, against the frames as they were swept."""
    from sleepbrux.recording.memory import from_array
    from sleepbrux.signal.quality import examine
    from sleepbrux.signal.sweep import sweep

    t_s = np.arange(SECONDS * RATE) / RATE
    beats = 200.0 * np.exp(-(((t_s % 0.9 - 0.3) / 0.02) ** 2))
    recording = from_array(np.stack([signal_of(GROUPS, seconds=SECONDS) + beats]), RATE, LABELS[:1])
    (frames,) = sweep(recording, recording.channels)
    without, quality = examine(frames)
    assert "heart-removed" in [n.code for n in quality.notes]
    changed = without.energy != frames.energy
    changed &= ~np.isnan(frames.energy)
    found = np.any([s.mask() for k, s in quality.repaired.items() if k != "mains"], axis=0)
    assert 0.05 < changed.mean() < 0.5
    assert (changed <= found).all()  # two repairs may give back what was there
    assert found.sum() - changed.sum() < 0.01 * changed.sum()


def test_the_grid_of_a_channel_may_be_finer_than_that_of_the_events(clean):
    fine = Grid(Fraction(1, 1000), SECONDS * 1000)
    spans = Spans.of(fine, [(20_201, 20_202)])
    one = replace(clean.quality[0], repaired={"pops": spans})
    assert met_shares(replace(clean, quality=(one, clean.quality[1])))["pops"] == 0.25
