"""A night from samples to measures, and what its result must not depend on."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.core.spans import Grid
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import Window, find_window
from sleepbrux.scoring.night import rescore, score_night
from sleepbrux.scoring.thresholds import Threshold
from sleepbrux.signal.swept import pick_channels, sweep_recording
from tests.nights import LABELS, recording_of, rhythm, signal_of

PHASIC = rhythm(60, 5)
TONIC = [(100.0, 104.0, 80.0)]
MIXED = [(150.0, 153.0, 80.0), *rhythm(154, 2)]
SINGLE = [(200.0, 200.6, 80.0)]
TWITCH = [(230.0, 230.15, 80.0)]
ALL = [*PHASIC, *TONIC, *MIXED, *SINGLE, *TWITCH]
SECONDS = 300


def reference(mvc=200.0, labels=LABELS, **options):
    return calibration.given(labels, mvc, **options)


def scored(channels=(ALL, ALL), *, mvc=200.0, criterion="phasic_tonic_10mvc", amplitude="rms", **options):
    recording = recording_of(list(channels), seconds=SECONDS, **options)
    clench = reference(mvc, LABELS[: len(channels)], amplitude=amplitude)
    return score_night(recording, clench, criterion)


@pytest.fixture(scope="module")
def night():
    return scored()


def values(night):
    return {name: m.value for name, m in night.measures.items()}


def test_each_kind_of_event_is_found_and_counted(night):
    v = values(night)
    assert v["episode_count"] == 3
    assert v["burst_count"] == 5 + 1 + 3
    hours = SECONDS / 3600 - 0.25 / 3600
    assert v["valid_hours"] == pytest.approx(hours)
    for kind in ("phasic", "tonic", "mixed"):
        assert v[f"{kind}_episodes_per_hour"] == pytest.approx(1 / hours)
    assert v["isolated_bursts_per_hour"] == pytest.approx(1 / hours)
    assert v["short_bursts_per_hour"] == pytest.approx(1 / hours)
    assert v["bursts_per_episode"] == 3


def test_the_time_indices_are_spans_and_bursts_over_valid_time(night):
    v = values(night)
    valid = SECONDS - 0.25
    spans, bursts = 4.5 + 4.0 + 5.5, 2.5 + 4.0 + 4.0
    assert v["time_in_episodes_pct"] == pytest.approx(100 * spans / valid, rel=0.01)
    assert v["time_in_bursts_pct"] == pytest.approx(100 * bursts / valid, rel=0.02)


def test_amplitudes_are_those_of_the_signal(night):
    v = values(night)
    counted = night.selection.bursts
    assert np.median(night.bursts[0].mean_uv) == pytest.approx(80, rel=0.1)
    assert 80 < v["median_burst_peak_uv"] < 130  # the highest of a fluctuating envelope
    assert (night.merged.peak_uv[counted] >= night.merged.mean_uv[counted]).all()
    assert v["median_burst_peak_pct_mvc"] == pytest.approx(v["median_burst_peak_uv"] / 2, rel=1e-9)
    assert v["background_uv"] == pytest.approx(2.5, rel=0.05)


@pytest.mark.shows("wake-as-sleep")
def test_every_rate_names_its_denominator_and_none_says_sleep(night):
    for name, measure in night.measures.items():
        assert measure.basis
        assert "sleep" not in measure.basis
        if measure.unit == "1/h":
            assert name.endswith("_per_hour")
            assert measure.basis.endswith("valid hours of: recording, lights unknown")


def test_analysed_less_excluded_is_valid(night):
    v = values(night)
    assert v["analysed_hours"] - v["excluded_hours"] == pytest.approx(v["valid_hours"])


def table(night):
    return (
        night.merged.starts.tolist(),
        night.merged.stops.tolist(),
        night.merged.kind.tolist(),
        night.episodes.kind.tolist(),
        night.selection.episodes.tolist(),
    )


def test_polarity_changes_nothing(night):
    recording = recording_of([ALL, ALL], seconds=SECONDS)
    flipped = replace(recording, channels=tuple(replace(c, gain=-c.gain) for c in recording.channels))
    other = score_night(flipped, reference())
    assert table(other) == table(night)
    assert values(other) == values(night)


def test_gain_changes_nothing_under_a_rule_relative_to_background():
    recording = recording_of([ALL], seconds=SECONDS)
    amplified = replace(recording, channels=tuple(replace(c, gain=4 * c.gain) for c in recording.channels))
    one, four = (score_night(r, None, "aasm") for r in (recording, amplified))
    assert table(one) == table(four)
    assert len(one.episodes) > 0


def test_gain_in_signal_and_clench_alike_changes_nothing(night):
    recording = recording_of([ALL, ALL], seconds=SECONDS)
    amplified = replace(recording, channels=tuple(replace(c, gain=4 * c.gain) for c in recording.channels))
    assert table(score_night(amplified, reference(800.0))) == table(night)


def test_the_order_of_channels_changes_no_event(night):
    recording = recording_of([ALL, ALL], seconds=SECONDS)
    other = score_night(recording, reference(), channels=LABELS[::-1])
    assert table(other) == table(night)


def test_threads_change_nothing(night):
    recording = recording_of([ALL, ALL], seconds=SECONDS)
    assert table(score_night(recording, reference(), threads=1)) == table(night)


def test_quiet_ends_add_time_and_no_event(night):
    data = recording_of([ALL, ALL], seconds=SECONDS + 60)
    longer = score_night(data, reference())
    assert longer.measures["episode_count"].value == night.measures["episode_count"].value
    assert longer.measures["valid_hours"].value > night.measures["valid_hours"].value


def test_a_bilateral_burst_is_one_burst_with_both_sides(night):
    both = night.merged.channels[night.selection.bursts]
    assert (both == 0b11).all()
    assert night.merged.names(0) == LABELS


def test_an_event_on_one_side_counts_and_names_its_side():
    night = scored((PHASIC, []))
    assert values(night)["episode_count"] == 1
    assert set(night.episodes.channels.tolist()) == {0b01}


def test_both_sides_at_once_asks_for_both():
    both = load_criterion("phasic_tonic_10mvc").derive({"sides.combine": "both"})
    assert values(scored((PHASIC, []), criterion=both))["episode_count"] == 0
    assert values(scored((PHASIC, PHASIC), criterion=both))["episode_count"] == 1


def test_the_mean_of_the_sides_is_one_track():
    mean = load_criterion("phasic_tonic_10mvc").derive({"sides.combine": "mean"})
    assert values(scored((ALL, ALL), criterion=mean))["episode_count"] == 3
    half = [(a, b, 30.0) for a, b, _ in PHASIC]  # 15 % MVC on one side: 7.5 % in the mean
    assert values(scored((half, []), criterion=mean))["episode_count"] == 0
    assert values(scored((half, []), criterion="phasic_tonic_10mvc"))["episode_count"] == 1


def with_gap(start_s, stop_s, *, first=0, channels=1, bursts=None):
    """Eight bursts from second 60 on, one a second, and no samples for a while."""
    sides = [signal_of(bursts or rhythm(60, 8), seconds=SECONDS, seed=k) for k in range(channels)]
    signal = np.stack(sides)
    signal[first, round(start_s * 1000) : round(stop_s * 1000)] = np.nan
    labels = LABELS[:channels]
    return score_night(from_array(signal, 1000, labels), reference(labels=labels))


def test_a_gap_too_short_for_a_pause_does_not_end_an_episode_and_leaves_the_denominator():
    night = with_gap(63.6, 64.9)  # between the fourth and the sixth burst
    assert night.measures["episode_count"].value == 1
    assert night.episodes.flags == (("edge",),)
    assert night.measures["excluded_hours"].value == pytest.approx((1.3 + 0.5) / 3600, rel=0.02)


def test_a_gap_as_long_as_the_pause_ends_an_episode_and_both_parts_are_flagged():
    long = rhythm(60, 12)
    night = with_gap(63.6, 66.6, bursts=long)
    assert len(night.episodes) == 2
    assert night.episodes.flags == (("edge",), ("edge",))


def test_what_was_active_already_at_the_end_of_a_gap_began_in_the_gap_and_does_not_count():
    night = with_gap(50.0, 61.0 - 0.25 + 0.2)  # until the middle of the second burst
    assert len(night.episodes) == 1
    assert night.measures["episode_count"].value == 0


def test_a_gap_of_one_side_does_not_cut_the_activity_of_the_other():
    night = with_gap(63.6, 64.9, channels=2)
    assert night.measures["episode_count"].value == 1
    assert night.episodes.n_bursts.tolist() == [8]


def test_an_event_belongs_where_its_onset_lies():
    recording = recording_of([PHASIC], seconds=SECONDS)
    inside = score_night(recording, reference(labels=LABELS[:1]), window=Window(((59, 61),), "test"))
    after = score_night(recording, reference(labels=LABELS[:1]), window=Window(((61, 300),), "test"))
    assert inside.measures["episode_count"].value == 1
    assert inside.measures["burst_count"].value == 5
    assert after.measures["episode_count"].value == 0
    assert after.measures["burst_count"].value == 0


def test_clenches_are_left_out_and_the_window_says_what_it_stands_on():
    night = scored((ALL, ALL), marks=[(30.0, 4.0, "Clench natural teeth")])
    onsets = night.episodes.starts[night.selection.episodes] / 100
    assert onsets == pytest.approx([100, 150], abs=0.05)  # the one at 60 s lies within 60 s of it
    assert night.window.basis == "recording, lights unknown"


def test_a_rule_relative_to_mvc_needs_one():
    recording = recording_of([ALL], seconds=SECONDS)
    with pytest.raises(UsageError, match="needs the MVC"):
        score_night(recording, None, "lavigne1996")


def test_without_a_clench_amplitude_in_mvc_is_not_computed_and_says_why():
    recording = recording_of([ALL], seconds=SECONDS)
    night = score_night(recording, None, "aasm")
    peak = night.measures["median_burst_peak_pct_mvc"]
    assert (peak.value, peak.reason) == (None, "no reference clench")
    assert "no-reference" in {n.code for n in night.notes}


@pytest.mark.shows("unit-slip")
def test_an_unknown_unit_allows_relative_rules_only():
    recording = recording_of([ALL], seconds=SECONDS)
    unknown = replace(recording, channels=tuple(replace(c, unit="a.u.") for c in recording.channels))
    with pytest.raises(RecordingError, match="no known unit"):
        score_night(unknown, reference(labels=LABELS[:1]))
    assert score_night(unknown, None, "aasm").measures["episode_count"].value > 0


def test_rectified_levels_are_compared_with_a_rectified_envelope():
    recording = recording_of([TONIC], seconds=SECONDS)
    rms, rectified = (
        score_night(recording, calibration.given(LABELS[:1], 200.0, amplitude=kind))
        for kind in ("rms", "rectified")
    )
    assert (rms.amplitude, rectified.amplitude) == ("rms", "rectified")
    ratio = rms.bursts[0].mean_uv / rectified.bursts[0].mean_uv
    assert ratio == pytest.approx([np.sqrt(np.pi / 2)], rel=0.03)


def test_rules_without_burst_types_give_unclassified_and_no_rates_by_kind():
    night = scored(criterion="gallo1999_contraction", amplitude="rectified")
    assert set(night.episodes.kind.tolist()) == {3}
    measure = night.measures["phasic_episodes_per_hour"]
    assert (measure.value, measure.reason) == (None, "the criterion has no burst types")


def test_rescoring_is_scoring(night):
    fresh = scored(criterion="lavigne1996")
    again = rescore(night, "lavigne1996")
    assert table(again) == table(fresh)
    assert values(again) == values(fresh)


def test_few_hours_are_marked(night):
    assert "few-valid-hours" in {n.code for n in night.notes}


def test_jaw_channels_are_found_others_are_not_taken():
    data = np.zeros((3, 1000))
    recording = from_array(data, 1000, ["EMG Chin", "EMG Masseter L", "ECG"])
    assert [c.label for c in pick_channels(recording)] == ["EMG Masseter L"]
    none = from_array(data, 1000, ["EMG Chin", "Leg L", "ECG"])
    with pytest.raises(RecordingError, match="no channel is recognised as a jaw muscle"):
        pick_channels(none)
    assert [c.label for c in pick_channels(none, ["EMG Chin"])] == ["EMG Chin"]
    with pytest.raises(RecordingError, match="no channel 'Nose'"):
        pick_channels(none, ["Nose"])


def test_a_slow_channel_is_no_raw_emg():
    recording = from_array(np.zeros((1, 100)), 1, ["EMG Masseter L"])
    with pytest.raises(RecordingError, match="raw EMG needs"):
        pick_channels(recording)


def test_a_channel_that_names_no_muscle_is_noted():
    night = score_night(recording_of([ALL], seconds=SECONDS, labels=["EMG"]), reference(labels=["EMG"]))
    assert "muscle-not-named" in {n.code for n in night.notes}


def test_a_low_rate_is_noted_with_what_it_does():
    recording = recording_of([ALL], seconds=SECONDS, rate=400)
    night = score_night(recording, reference(labels=LABELS[:1]))
    (note,) = [n for n in night.notes if n.code == "band-narrow"]
    assert "180 Hz" in note.text


def test_two_rates_merge_at_event_level():
    left, right = (
        recording_of([PHASIC], seconds=SECONDS, rate=r, labels=[name])
        for r, name in ((1000, LABELS[0]), (512, LABELS[1]))
    )
    swept = [sweep_recording(r) for r in (left, right)]
    both = replace(
        swept[0],
        frames=(swept[0].frames[0], swept[1].frames[0]),
        quality=(swept[0].quality[0], swept[1].quality[0]),
    )
    from sleepbrux.scoring.night import score

    night = score(
        both,
        criterion=load_criterion("phasic_tonic_10mvc"),
        window=find_window((), SECONDS),
        reference=reference(),
    )
    assert night.measures["episode_count"].value == 1
    assert night.measures["burst_count"].value == 5
    assert set(night.episodes.channels.tolist()) == {0b11}


def test_a_lost_electrode_is_excluded_with_its_reason_and_time():
    recording = recording_of([ALL, ALL], seconds=SECONDS)
    data = np.stack(
        [recording.source.blocks([c], 0, SECONDS * 1000)[0].data.copy() for c in recording.channels]
    )
    t = np.arange(40_000) / 1000
    data[1, 240_000:280_000] += 400 * np.sin(2 * np.pi * 50 * t)
    night = score_night(from_array(data, 1000, LABELS), reference())
    assert "contact_lost" not in night.quality[0].faults
    lost = night.quality[1].faults["contact_lost"]
    assert lost.duration_s == pytest.approx(40, abs=2)
    assert night.measures["excluded_hours"].value == pytest.approx(40.25 / 3600, abs=2 / 3600)


def test_the_strongest_clench_is_not_taken_for_a_fault():
    night = scored(([(60, 65, 700.0)], [(60, 65, 700.0)]), mvc=400.0)
    assert set(night.quality[0].faults) == {"settling"}
    assert night.measures["episode_count"].value == 1
    assert night.measures["median_burst_peak_pct_mvc"].value > 150


STRONG = [(60.0, 60.6, 500.0), (100.0, 104.0, 500.0), (150.0, 150.6, 300.0)]


def test_bursts_above_200_pct_mvc_are_counted_flagged_and_kept():
    night = scored((STRONG, [(100.0, 104.0, 300.0)]))  # of 200 µV: 250, 250 and 150 % MVC
    v = values(night)
    assert v["bursts_above_200_pct_mvc_count"] == 2
    assert v["episode_count"] == 1
    assert night.episodes.flags == (("above-200-mvc",),)
    assert v["isolated_bursts_per_hour"] == pytest.approx(2 / v["valid_hours"])


def test_the_other_side_is_named_as_evidence_where_there_is_one():
    night = scored((STRONG, [(100.0, 104.0, 300.0)]))
    assert values(night)["one_sided_bursts_above_200_pct_mvc_count"] == 1
    (note,) = [n for n in night.notes if n.code == "bursts-improbable"]
    assert "2 counted bursts" in note.text
    assert "in 1 of them one side was active alone" in note.text


def test_a_side_that_was_lost_is_no_evidence():
    data = np.stack([signal_of(b, seconds=SECONDS, seed=k) for k, b in enumerate((STRONG, []))])
    data[1, 59_000:62_000] = np.nan
    night = score_night(from_array(data, 1000, LABELS), reference())
    assert values(night)["one_sided_bursts_above_200_pct_mvc_count"] == 1  # that at 100 s


def test_one_channel_is_no_evidence_either():
    night = scored((STRONG,))
    measure = night.measures["one_sided_bursts_above_200_pct_mvc_count"]
    assert (measure.value, measure.reason) == (None, "one channel was scored")
    (note,) = [n for n in night.notes if n.code == "bursts-improbable"]
    assert "one side" not in note.text


def test_without_such_bursts_nothing_is_said_of_them(night):
    assert values(night)["bursts_above_200_pct_mvc_count"] == 0
    assert "bursts-improbable" not in {n.code for n in night.notes}


def test_an_episode_cut_by_lost_time_is_flagged_or_left_out_as_the_rule_says():
    recording = recording_of([rhythm(60, 8)], seconds=SECONDS)
    data = recording.source.blocks(recording.channels, 0, SECONDS * 1000)[0].data.copy()
    data[63_200:63_900] = np.nan  # inside the fourth burst
    gapped = from_array(data[None], 1000, LABELS[:1])
    kept = score_night(gapped, reference(labels=LABELS[:1]))
    assert [f for f in kept.episodes.flags if "edge" in f]
    drop = load_criterion("phasic_tonic_10mvc").derive({"episode.at_edges": "drop"})
    left = score_night(gapped, reference(labels=LABELS[:1]), drop)
    cut = sum("edge" in flags for flags in kept.episodes.flags)
    assert values(left)["episode_count"] == values(kept)["episode_count"] - cut


def test_a_running_background_follows_a_drifting_rest_and_a_single_one_does_not():
    rng = np.random.default_rng(4)
    from tests.nights import emg

    n = 1800 * 1000
    rest = np.linspace(2.0, 8.0, n)
    data = emg(rng, n) * rest
    recording = from_array(data[None], 1000, LABELS[:1])
    running = score_night(recording, None, "aasm")
    single = load_criterion("aasm").derive({"background.estimator": "night_median"})
    flat = score_night(recording, None, single)
    assert len(running.bursts[0]) < len(flat.bursts[0]) / 5


def test_twice_the_background_in_mvc_is_stated():
    recording = recording_of([ALL, ALL], seconds=SECONDS)
    night = score_night(recording, reference(100.0), "aasm")
    expected = 2 * night.measures["background_uv"].value  # 100 µV is 100 % MVC
    assert night.measures["threshold_pct_mvc"].value == pytest.approx(expected, rel=0.05)
    assert values(scored())["threshold_pct_mvc"] == 10


def test_a_background_that_is_only_the_converters_rounding_is_not_known():
    recording = recording_of([ALL], seconds=SECONDS)
    data = recording.source.blocks(recording.channels, 0, SECONDS * 1000)[0].data
    step = 8.0  # µV: rest of 2.5 µV is lost in the rounding
    coarse = from_array(np.round(data / step)[None], 1000, LABELS[:1])
    channel = replace(coarse.channels[0], gain=step, digital_min=-2048, digital_max=2047)
    night = score_night(replace(coarse, channels=(channel,)), None, "aasm")
    assert night.measures["valid_hours"].value == 0
    assert night.measures["episodes_per_hour"].reason == "no valid time in the window"
    assert "background-not-known" in {n.code for n in night.notes}


def edges_s(night):
    slot = float(night.episodes.grid.slot_s)
    return night.episodes.starts * slot, night.episodes.stops * slot, night.episodes.kind.tolist()


def samples_of(recording):
    (block,) = recording.source.blocks(recording.channels[:1], 0, recording.channels[0].n_stored)
    return np.asarray(block.data)


def test_resampling_changes_no_event_and_moves_no_edge_by_more_than_two_frames():
    from scipy.signal import resample_poly

    recording = recording_of([ALL], seconds=SECONDS)
    one = score_night(recording, reference(labels=LABELS[:1]))
    for up, rate in ((2, 2000), (4, 4000)):
        faster = from_array(resample_poly(samples_of(recording), up, 1)[None], rate, LABELS[:1])
        other = score_night(faster, reference(labels=LABELS[:1]))
        assert other.episodes.kind.tolist() == one.episodes.kind.tolist()
        for a, b in zip(edges_s(one)[:2], edges_s(other)[:2], strict=True):
            assert np.abs(a - b).max() <= 0.02 + 1e-9


@pytest.mark.parametrize("shift", [1, 7, 13_004, 64_000])
def test_a_later_start_shifts_every_event_and_changes_none(shift):
    recording = recording_of([ALL], seconds=SECONDS)
    data = samples_of(recording)
    rng = np.random.default_rng(2)
    from tests.nights import emg

    later = from_array(np.concatenate((emg(rng, shift + 100)[:shift] * 2.5, data))[None], 1000, LABELS[:1])
    one, other = (score_night(r, reference(labels=LABELS[:1])) for r in (recording, later))
    assert other.episodes.kind.tolist() == one.episodes.kind.tolist()
    for a, b in zip(edges_s(one)[:2], edges_s(other)[:2], strict=True):
        assert np.abs(b - a - shift / 1000).max() <= 0.02 + 1e-9


@pytest.mark.parametrize(
    ("made", "labels", "said"),
    [(np.asarray, ["no such"], "there is no channel"), (np.abs, LABELS, "rectified")],
)
def test_a_refusal_does_not_wait_for_the_digest(made, labels, said):
    noise = made(np.random.default_rng(1).normal(0, 50, (2, 300_000)))
    recording = from_array(noise, 1000, LABELS)
    asked = []

    class Slow:
        blocks = recording.source.blocks

        def digest(self):
            asked.append(True)
            return "0" * 64

    recording = replace(recording, source=Slow())
    for ask in (sweep_recording, lambda r, c: score_night(r, reference(), channels=c)):
        with pytest.raises(RecordingError, match=said):
            ask(recording, labels)
    assert not asked


def test_a_threshold_over_no_frames_is_no_usual_threshold():
    none, one = (Threshold(Grid(Fraction(1, 100), n), np.array([19.0])).usual_uv for n in (0, 1))
    assert none is None
    assert one == 19.0


@pytest.mark.parametrize(("rate", "said"), [(99, "100 or more"), (200_000, "up to 100000 are scored")])
def test_a_rate_that_no_raw_emg_has_is_refused(rate, said):
    recording = from_array(np.zeros((1, 100)), rate, LABELS[:1])
    with pytest.raises(RecordingError, match=said):
        pick_channels(recording)
