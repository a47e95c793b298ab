"""The sweep against scipy, and what it must not depend on."""

from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from sleepbrux.recording.memory import from_array
from sleepbrux.signal.envelope import follow, odd_frames
from sleepbrux.signal.filters import emg_band_pass
from sleepbrux.signal.sweep import Layout, sweep


def frames_of(data, rate, **options):
    recording = from_array(np.atleast_2d(data), rate, ["EMG Masseter L", "EMG Masseter R"][: np.ndim(data)])
    return sweep(recording, recording.channels, **options)


def noise(n, seed=0, scale=50.0):
    return np.random.default_rng(seed).normal(0, scale, n)


@pytest.mark.parametrize("rate", [512, 1000, 2000])
def test_frames_are_the_mean_square_of_scipys_filter(rate):
    data = noise(200 * rate)
    (frames,) = frames_of(data, rate)
    sections = np.insert(emg_band_pass(Fraction(rate)), 3, 1.0, axis=1)
    filtered = signal.sosfilt(sections, data - data[0])
    hop = Layout.at(Fraction(rate)).hop
    n = len(data) // hop
    expected = (filtered[: n * hop] ** 2).reshape(n, hop).mean(axis=1)
    np.testing.assert_allclose(frames.energy, expected, rtol=2e-6, atol=1e-7)
    absolute = np.abs(filtered[: n * hop]).reshape(n, hop).mean(axis=1)
    np.testing.assert_allclose(frames.rectified, absolute, rtol=2e-6, atol=1e-7)


def test_a_tile_that_starts_two_seconds_early_is_the_whole_nights_filter():
    rate = 1000
    data = noise(300 * rate, scale=300) + 5000
    (frames,) = frames_of(data, rate)
    sections = np.insert(emg_band_pass(Fraction(rate)), 3, 1.0, axis=1)
    filtered = signal.sosfilt(sections, data - data[0]).reshape(-1, 10)
    np.testing.assert_allclose(frames.energy, (filtered**2).mean(axis=1), rtol=2e-6, atol=1e-6)


def test_frame_time_is_exact_at_512_hz():
    layout = Layout.at(Fraction(512))
    assert (layout.hop, layout.hop / layout.rate) == (5, Fraction(5, 512))
    assert layout.frames_per_block * layout.hop / layout.rate == pytest.approx(1, abs=0.005)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_threads_change_no_bit(threads):
    data = np.stack((noise(1500 * 500), noise(1500 * 500, 1)))
    one, other = frames_of(data, 500, threads=1), frames_of(data, 500, threads=threads)
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a.energy, b.energy)
        np.testing.assert_array_equal(a.rectified, b.rectified)
        np.testing.assert_array_equal(a.stats, b.stats)


def test_polarity_changes_no_frame_and_gain_only_scales():
    data = noise(100_000)
    (one,), (flipped,), (doubled,) = (frames_of(d, 1000) for d in (data, -data, 2 * data))
    np.testing.assert_array_equal(one.energy, flipped.energy)
    np.testing.assert_array_equal(4 * one.energy, doubled.energy)
    np.testing.assert_array_equal(2 * one.rectified, doubled.rectified)
    np.testing.assert_array_equal(one.stat("lowest_mean"), -flipped.stat("highest_mean"))
    np.testing.assert_array_equal(2 * one.stats[:, 5:13:8], doubled.stats[:, 5:13:8])
    np.testing.assert_array_equal(4 * one.stat("energy"), doubled.stat("energy"))


def test_the_mean_of_each_frame_and_whole_frames_at_a_rail_are_counted():
    from dataclasses import replace

    data = noise(4_000)
    data[1_500:1_563] = 900.0
    recording = from_array(data[None], 1000, ["EMG Masseter L"])
    railed = replace(recording.channels[0], digital_min=-900, digital_max=900)
    (frames,) = sweep(recording, [railed])
    means = data.reshape(4, 100, 10).mean(axis=2)
    np.testing.assert_allclose(frames.stat("lowest_mean"), means.min(axis=1), rtol=1e-12)
    np.testing.assert_allclose(frames.stat("highest_mean"), means.max(axis=1), rtol=1e-12)
    assert frames.stat("frames_at_rail").tolist() == [0, 6, 0, 0]


@pytest.mark.shows("nights-swapped")
def test_the_order_of_channels_only_orders_the_result():
    data = np.stack((noise(50_000), noise(50_000, 1)))
    recording = from_array(data, 1000, ["EMG Masseter L", "EMG Masseter R"])
    a, b = sweep(recording, recording.channels)
    d, c = sweep(recording, recording.channels[::-1])
    np.testing.assert_array_equal(a.energy, c.energy)
    np.testing.assert_array_equal(b.energy, d.energy)


@pytest.mark.shows("missed-gap")
def test_a_gap_is_unknown_and_what_follows_starts_from_rest():
    data = noise(60_000)
    gapped = np.concatenate((data[:20_005], np.full(7_000, np.nan), data[20_005:]))
    (whole,), (cut,) = frames_of(data[20_005 + 5 :], 1000), frames_of(gapped, 1000)
    first_whole = -(-27_005 // 10)
    assert np.isnan(cut.energy[2001:first_whole]).all()
    assert not np.isnan(cut.energy[first_whole:]).any()
    settled = 100  # the first sample after the gap differs, the filter forgets it within a second
    np.testing.assert_allclose(
        cut.energy[first_whole + settled :][:3000], whole.energy[settled:][:3000], rtol=1e-5
    )


@pytest.mark.shows("dead-electrode")
def hummed(hz, *, harmonics=((1, 20.0), (3, 6.0), (5, 3.0)), seconds=200, rate=1000):
    """Rest of 2.7 µV, without and with mains."""
    from tests.nights import emg

    n = seconds * rate
    t = np.arange(n) / rate
    rest = emg(np.random.default_rng(1), n, rate) * 2.5 + noise(n, 2, scale=1.0)
    hum = sum(a * np.sin(2 * np.pi * k * hz * t + k) for k, a in harmonics)
    return rest, rest + hum


def test_hum_is_measured_as_amplitude_at_each_second():
    from sleepbrux.signal.quality import hum_uv

    (frames,) = frames_of(hummed(50.0, harmonics=((1, 20 * np.sqrt(2)),))[1], 1000)
    # the filter's own gain at 50 Hz is 0.9997
    np.testing.assert_allclose(hum_uv(frames)[2:-1], 20, rtol=0.05)


@pytest.mark.parametrize("hz", [49.0, 49.6, 50.37, 51.0, 59.2, 60.0, 60.9])
def test_mains_and_harmonics_are_removed_at_their_true_frequency(hz):
    clean, bad = hummed(hz)
    (before,), (after,) = frames_of(clean, 1000), frames_of(bad, 1000)
    assert not before.notched
    assert {n.harmonics for n in after.notched} == {(1, 3, 5)}
    assert after.notched[0].line_hz == pytest.approx(hz, abs=0.03)
    assert (after.notched[0].first, after.notched[-1].stop) == (0, len(after.energy))
    left = np.sqrt(np.mean(after.energy[300:]) / np.mean(before.energy[300:]))
    # next to nothing of the muscle goes with it; under a muscle that never rests some hum is left at 60 Hz
    assert 0.98 < left < (1.01 if hz < 55 else 1.05)


def test_a_harmonic_alone_is_removed_alone():
    _, bad = hummed(50.0, harmonics=((3, 8.0),))
    (frames,) = frames_of(bad, 1000)
    assert {n.harmonics for n in frames.notched} == {(3,)}


def test_only_tiles_in_which_mains_is_measured_are_filtered_again():
    clean, bad = hummed(50.0, seconds=300)
    mixed = np.concatenate((clean[:128_000], bad[128_000:192_000], clean[192_000:]))
    (frames,), (untouched,) = frames_of(mixed, 1000), frames_of(clean, 1000)
    assert [(n.first, n.stop) for n in frames.notched] == [(12_800, 19_200)]
    np.testing.assert_array_equal(frames.energy[:12_800], untouched.energy[:12_800])


def test_with_mains_subtracted_threads_polarity_and_gain_change_no_bit():
    _, bad = hummed(49.7, seconds=1100)
    one, two = frames_of(bad, 1000, threads=1)[0], frames_of(bad, 1000, threads=3)[0]
    flipped, doubled = frames_of(-bad, 1000)[0], frames_of(2 * bad, 1000)[0]
    assert one.notched == two.notched == flipped.notched == doubled.notched
    for other in (two, flipped):
        np.testing.assert_array_equal(one.energy, other.energy)
    np.testing.assert_array_equal(one.stats, two.stats)
    np.testing.assert_array_equal(4 * one.energy, doubled.energy)


def test_the_envelope_is_a_centred_moving_rms():
    (frames,) = frames_of(noise(30_000), 1000)
    whole = frames.grid.all()
    envelope = follow(frames, whole, amplitude="rms", window_s=0.125)
    assert envelope.window_frames == 13 == odd_frames(0.125, frames.grid.slot_s)
    expected = np.sqrt(np.convolve(frames.energy.astype(float), np.ones(13) / 13, "valid"))
    np.testing.assert_allclose(envelope.level[6:-6], expected, rtol=1e-6)
    # RMS over mean rectified of Gaussian noise is the root of pi/2
    rectified = follow(frames, whole, amplitude="rectified", window_s=0.125)
    ratio = np.sqrt(np.mean(envelope.level**2)) / np.mean(rectified.level)
    assert ratio == pytest.approx(np.sqrt(np.pi / 2), rel=0.02)


def test_both_mains_at_once_are_removed():
    clean, fifty = hummed(50.0)
    _, sixty = hummed(60.03)
    (before,), (after,) = frames_of(clean, 1000), frames_of(fifty + sixty - clean, 1000)
    assert {round(n.line_hz) for n in after.notched} == {50, 60}
    left = np.sqrt(np.mean(after.energy[300:]) / np.mean(before.energy[300:]))
    assert 0.98 < left < 1.02
