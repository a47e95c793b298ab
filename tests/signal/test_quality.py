"""Quality second by second: what is excluded and what must survive.

``python -m tests.quality_table`` prints the figures on many nights; here a few short ones hold them.
"""

from dataclasses import replace

import numpy as np
import pytest

from sleepbrux.core.matching import match_events
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.reference import given
from sleepbrux.scoring.events import find_events
from sleepbrux.signal.mains import Lines, agreed
from sleepbrux.signal.quality import REASONS, examine, white_sharpness
from sleepbrux.signal.sweep import sweep
from sleepbrux.synth.layout import plan_night
from tests import quality_table
from tests.nights import emg

RATE = 1000
SECONDS = 400
LABELS = quality_table.LABELS


def rest(seed=0, *, seconds=SECONDS, uv=2.5, noise_uv=1.0):
    rng = np.random.default_rng(seed)
    return emg(rng, seconds * RATE) * uv + rng.normal(0, noise_uv, seconds * RATE)


def examined(data, beats_s=None):
    recording = from_array(data[None], RATE, ["EMG Masseter L"])
    (frames,) = sweep(recording, recording.channels)
    return examine(frames, beats_s)


def spans(quality, reason):
    return [(a, b) for a, b in quality.faults[reason].seconds()] if reason in quality.faults else []


@pytest.mark.parametrize("kind", ["none", "sway", "spikes", "gain", "open_input", "ecg"])
def test_a_fault_neither_hides_nor_makes_an_episode(kind):
    for row in quality_table.measure(kind, 3, hours=0.4):
        assert row.clean > 3
        assert (row.missed, row.false) == (0, 0), row
        # a second of a block on either side, and the margin after it
        assert row.clean_lost_s <= 1.4 * row.n_faults, row
        assert row.episode_lost_s <= 0.05 * row.n_faults + 1.5 * (kind == "gain"), row


@pytest.mark.parametrize("kind", ["sway", "mains", "spikes", "rail", "open_mains", "gain"])
def test_faults_in_a_night_without_events_make_no_episode(kind):
    for row in quality_table.measure(kind, 5, quiet=True, hours=0.4):
        assert row.n_faults >= 4
        assert row.false == 0


@pytest.mark.parametrize("seed", [116, 119, 121])
def test_an_open_input_beside_mains_of_another_frequency_makes_no_episode(seed):
    """Nights that once did: what was removed lay between the two frequencies, or the hum grew slowly."""
    for row in quality_table.measure("open_mains", seed, quiet=True):
        assert row.false == 0


@pytest.mark.parametrize("seed", [301, 302])
@pytest.mark.parametrize("criterion", quality_table.CRITERIA)
def test_no_burst_is_seen_where_contact_comes_back(seed, criterion):
    plan = plan_night(quality_table.recipe("open_mains", quiet=True, hours=2.0), seed=seed)
    swept = quality_table.swept_of(quality_table.faulted(plan, "open_mains"))
    window = find_window((), swept.duration_s, from_s=plan.lights_off_s, to_s=plan.lights_on_s)
    events = find_events(
        swept,
        criterion=load_criterion(criterion),
        window=window,
        reference=given(LABELS, dict(zip(LABELS, plan.mvc_uv, strict=True))),
    )
    for bursts, quality in zip(events.bursts, swept.quality, strict=True):
        lost = quality.faults["contact_lost"]
        assert len(lost) >= 4
        assert not np.isin(bursts.starts, lost.stops).any()


@pytest.mark.parametrize("level_uv", [30, 300, 3000, 30000])
@pytest.mark.parametrize("seconds", [0.06, 0.3, 9.0])
def test_contractions_survive_at_any_strength_and_length(level_uv, seconds):
    data = rest()
    for start in (60.0, 133.993, 201.004, 260.5, 333.3):  # also a sliver before a second's border
        a, b = round(start * RATE), round((start + seconds) * RATE)
        data[a:b] = emg(np.random.default_rng(a), b - a, low_hz=30, high_hz=300) * level_uv
    _, quality = examined(data)
    assert set(quality.faults) == {"settling"}


@pytest.mark.parametrize("clip_uv", [None, 450.0, 150.0])
def test_clenches_of_100_to_150_pct_mvc_count_and_those_at_the_rail_as_at_least(clip_uv):
    """150 µV is under half the RMS of the strongest plateau: most of its samples lie at a rail."""
    recipe = replace(
        quality_table.recipe("none", quiet=False, hours=0.5),
        amplitude_mvc=(1.0, 1.5),
        isolated_per_hour=0.0,
        twitches_per_hour=0.0,
        one_sided=0.0,
    )
    plan = plan_night(recipe, seed=9)
    swept = quality_table.swept_of(plan, clip_uv=clip_uv)
    assert all(set(q.faults) == {"settling"} for q in swept.quality)
    window = find_window((), swept.duration_s, from_s=plan.lights_off_s, to_s=plan.lights_on_s)
    for criterion in quality_table.CRITERIA:
        events = find_events(
            swept,
            criterion=load_criterion(criterion),
            window=window,
            reference=given(LABELS, dict(zip(LABELS, plan.mvc_uv, strict=True))),
        )
        found = events.selection.episodes
        slot = float(events.episodes.grid.slot_s)
        pairs = np.stack((events.episodes.starts[found], events.episodes.stops[found]), 1) * slot
        matching = match_events([(e.start_s, e.stop_s) for e in plan.episodes], pairs)
        assert (matching.missed, matching.false) == (0, 0)
        assert len(pairs) >= 10
        at_least = ["clipped" in events.episodes.flags[k] for k in found]
        assert all(at_least) if clip_uv else not any(at_least)


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("range_to_rms", [3.0, 1.0, 0.5, 0.1])
def test_a_contraction_however_much_cut_off_is_clipped_and_a_held_rail_is_excluded(range_to_rms, rate):
    rng = np.random.default_rng(1)
    data = emg(rng, 120 * rate, rate) * 2.5
    data[30 * rate : 36 * rate] = emg(rng, 6 * rate, rate, low_hz=30, high_hz=0.4 * rate) * 300
    limit = round(300 * range_to_rms)
    data[80 * rate : 95 * rate] += 3 * limit
    recording = from_array(np.clip(data, -limit, limit)[None], rate, LABELS[:1])
    railed = replace(recording.channels[0], digital_min=-limit, digital_max=limit)
    (frames,) = sweep(recording, [railed])
    _, quality = examine(frames)
    within = [(a, b) for spans in quality.faults.values() for a, b in spans.seconds() if a > 1]
    assert all(70 < a < b < 100 for a, b in within)
    assert not quality.usable.mask()[8100:9400].any()
    assert quality.clipped.mask()[3000:3600].mean() > 0.5


def test_a_tonic_contraction_of_half_a_minute_is_no_gain_step_but_a_gain_step_is():
    data = beating(height_uv=15.0)[0]
    held = data.copy()
    held[150 * RATE : 180 * RATE] += emg(np.random.default_rng(1), 30 * RATE) * 9
    assert set(examined(held)[1].faults) == {"settling"}
    alone = rest()
    alone[150 * RATE : 180 * RATE] *= 3  # nothing but muscle to tell it by
    assert set(examined(alone)[1].faults) == {"settling"}
    stepped = data.copy()
    stepped[150 * RATE : 250 * RATE] *= 3
    ((start, stop),) = spans(examined(stepped)[1], "gain_step")
    assert (start, stop) == (pytest.approx(150, abs=0.5), pytest.approx(250, abs=0.5))


def test_an_open_input_is_lost_contact_at_any_level_and_a_white_recorder_is_not():
    for level_uv in (0.8, 5.0, 40.0):
        data = rest()
        data[100 * RATE : 160 * RATE] = np.random.default_rng(2).normal(0, level_uv, 60 * RATE)
        ((start, stop),) = spans(examined(data)[1], "contact_lost")
        assert (start, stop) == (pytest.approx(100, abs=2), pytest.approx(160, abs=2))
    noisy = rest(uv=0.5, noise_uv=3.0)  # the recorder's noise hides the rest all night long
    assert "contact_lost" not in examined(noisy)[1].faults


def test_an_input_that_is_open_all_the_time_is_lost_contact_unless_a_muscle_ever_shows():
    data = np.random.default_rng(3).normal(0, 6, 3700 * RATE)
    assert examined(data)[1].usable.duration_s == 0
    assert set(examined(data[: 3000 * RATE])[1].faults) == {"settling"}  # too short to say
    data[600 * RATE : 604 * RATE] += 20 * emg(np.random.default_rng(4), 4 * RATE)
    assert set(examined(data)[1].faults) == {"settling"}


def test_white_noise_changes_as_fast_as_computed():
    data = np.random.default_rng(0).normal(0, 5, (1, 60 * RATE))
    recording = from_array(data, RATE, ["EMG Masseter L"])
    (frames,) = sweep(recording, recording.channels)
    ratio = frames.stat("slope_energy").sum() / frames.stat("energy").sum()
    assert ratio == pytest.approx(white_sharpness(1000.0), rel=0.02)


def beating(seed=0, height_uv=150.0, *, regular=True):
    from sleepbrux.synth.heart import qrs

    rng = np.random.default_rng(seed)
    spread = 0.05 if regular else 0.35
    beats = np.cumsum(rng.normal(1.0, spread, SECONDS - 20).clip(0.35, 1.7)) + 2
    beats = beats[beats < SECONDS - 2]
    data, shape = rest(seed), qrs(RATE) * height_uv
    for beat in beats:
        at = round(beat * RATE) - len(shape) // 2
        data[at : at + len(shape)] += shape
    return data, beats


def test_heart_beats_are_taken_out_by_their_rhythm_and_by_an_ecg():
    clean, _ = examined(rest())
    for regular, known in ((True, False), (True, True), (False, True)):
        data, beats = beating(regular=regular)
        frames, quality = examined(data, beats if known else None)
        assert [n.code for n in quality.notes if n.code == "heart-removed"] == ["heart-removed"]
        excess = np.sqrt(frames.energy[300:-300].mean() / clean.energy[300:-300].mean())
        assert excess == pytest.approx(1, abs=0.03)
    assert not examined(rest())[1].notes


def test_a_burst_on_a_heart_beat_stays_a_burst():
    data, beats = beating()
    a, b = round(beats[100] * RATE) - 200, round(beats[102] * RATE) + 200
    data[a:b] += emg(np.random.default_rng(1), b - a) * 60
    frames, _ = examined(data)
    level = np.sqrt(frames.energy[a // 10 + 2 : b // 10 - 2].mean())
    assert level == pytest.approx(60, rel=0.1)


@pytest.mark.parametrize("rate", [160, 200, 250, 1000])
def test_noise_of_a_narrow_band_has_no_heart(rate):
    recording = from_array(3 * np.random.default_rng(1).standard_normal((1, 3600 * rate)), rate, ["EMG"])
    (frames,) = sweep(recording, recording.channels)
    assert "heart-removed" not in {n.code for n in examine(frames)[1].notes}


def test_rhythmic_bursts_at_one_hertz_are_no_heart():
    data = rest()
    for k in range(100, 130):
        data[k * RATE : k * RATE + 250] = emg(np.random.default_rng(k), 250) * 40
    before = examined(data)
    assert "heart-removed" not in {n.code for n in before[1].notes}


def test_single_spikes_go_and_nothing_of_a_train_is_scored():
    data = rest()
    for second in (50.2, 90.7, 130.1):
        data[round(second * RATE)] += 3000
    frames, quality = examined(data)
    assert set(quality.faults) == {"settling"}
    assert frames.energy[300:].max() < 200
    beside = data.copy()
    beside[[round(second * RATE) for second in (130.28, 250.0, 250.18)]] += 3000
    frames, quality = examined(beside)
    assert set(quality.faults) == {"settling"}
    assert np.sqrt(frames.energy[300:].max()) < 65  # the spikes leave 860 µV in a frame
    for at in np.arange(200.0, 206.0, 0.11):
        data[round(at * RATE)] += 3000
    frames, quality = examined(data)
    left = frames.energy[quality.usable.mask()]
    assert left[300:].max() < 200
    assert (~quality.usable).duration_s < 9


def test_the_strongest_look_says_the_frequency_of_the_mains():
    looks = [Lines(50.0, ((1, 0.2),)), Lines(49.8, ((1, 0.9), (5, 0.02))), Lines(50.1, ((1, 0.3),))]
    assert agreed(looks) == ((49.8, (1, 5)),)
    assert agreed(looks[:1]) == ((50.0, (1,)),)
    assert agreed([Lines(50.0, ((1, 0.1),))]) == ()
    both = [Lines(50.0, ((1, 0.3),)), Lines(60.0, ((1, 0.2), (3, 0.1)))]
    assert agreed(both) == ((50.0, (1,)), (60.0, (1, 3)))


def test_polarity_and_gain_change_no_second_of_it():
    data, _ = beating()
    data[200 * RATE : 220 * RATE] += np.cumsum(np.random.default_rng(1).normal(0, 20, 20 * RATE))
    data[300 * RATE : 330 * RATE] = np.random.default_rng(2).normal(0, 2, 30 * RATE)
    one, flipped, doubled = (examined(d) for d in (data, -data, 2 * data))
    assert set(one[1].faults) == {"settling", "movement", "contact_lost"}
    for other, factor in ((flipped, 1), (doubled, 4)):
        np.testing.assert_array_equal(factor * one[0].energy, other[0].energy)
        assert {r: s.bounds.tolist() for r, s in one[1].faults.items()} == {
            r: s.bounds.tolist() for r, s in other[1].faults.items()
        }


def test_every_reason_has_words_for_reader_and_page():
    from sleepbrux.report.wording import BRIEF_REASONS

    assert set(BRIEF_REASONS) == set(REASONS)
