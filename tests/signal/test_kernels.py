"""Kernels agree with their plain twins bit for bit."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Block
from sleepbrux.signal import kernels, plain
from sleepbrux.signal.sweep import sweep

LEVELS = st.lists(
    st.one_of(st.just(float("nan")), st.integers(0, 8).map(float)), min_size=1, max_size=60
).map(np.array)


def same(a, b):
    np.testing.assert_array_equal(np.asarray(a), np.asarray(b))


@settings(deadline=None, max_examples=200, derandomize=True)
@given(LEVELS, st.sampled_from([1, 3, 5, 13]), st.booleans())
def test_moving_mean(level, window, root):
    fast, slow = (np.empty(len(level), dtype=np.float32) for _ in range(2))
    power = level.astype(np.float32)
    kernels.moving_mean(power, window, fast, np.empty(7), np.empty(7), root)
    plain.moving_mean(power, window, slow, None, None, root)
    same(fast, slow)


KNOTS = st.lists(
    st.one_of(st.just(float("nan")), st.integers(0, 8).map(float)), min_size=60, max_size=60
).map(np.array)


@settings(deadline=None, max_examples=300, derandomize=True)
@given(
    LEVELS,
    KNOTS,
    st.sampled_from([0, 1, 7]),
    st.sampled_from([0.0, 3.0]),
    st.sampled_from([1.0, 0.5]),
    st.booleans(),
)
def test_crossings(level, knots, step, floor, release, strict):
    knots = knots[: -(-len(level) // step) if step else 1]
    out = []
    for code in (kernels, plain):
        starts, stops = np.zeros(40, dtype=np.int64), np.zeros(40, dtype=np.int64)
        n = code.crossings(level, knots, step, floor, release, strict, starts, stops)
        out.append((n, starts[:n].tolist(), stops[:n].tolist()))
    assert out[0] == out[1]


@settings(deadline=None, max_examples=100, derandomize=True)
@given(KNOTS, st.sampled_from([0, 1, 7]), st.sampled_from([0.0, 3.0]))
def test_limit_at(knots, step, floor):
    from sleepbrux.core.spans import Grid
    from sleepbrux.scoring.thresholds import Threshold

    frames = np.arange(60 * max(step, 1))
    found = [[code.limit_at(knots, step, floor, i) for i in frames] for code in (kernels, plain)]
    same(*found)
    threshold = Threshold(Grid(Fraction(1, 100), len(frames)), knots, step, floor)
    same(found[0], threshold.at(frames))
    same(~np.isnan(found[0]), threshold.known.mask())


@settings(deadline=None, max_examples=200, derandomize=True)
@given(
    st.lists(st.floats(0, 100, width=32), min_size=2, max_size=40),
    st.floats(0.5, 3),
    st.floats(4, 90),
    st.booleans(),
)
def test_step_between(power, low, high, rising):
    energy = np.array(power, dtype=np.float32)
    before, after = (low, high) if rising else (high, low)
    ratio = float(np.log(after / before))
    found = [code.step_between(energy, 0, len(energy), before, after, ratio) for code in (kernels, plain)]
    assert found[0] == found[1]


@settings(deadline=None, max_examples=100, derandomize=True)
@given(LEVELS)
def test_mean_known(level):
    power = level.astype(np.float32)
    assert kernels.mean_known(power, 0, len(power)) == plain.mean_known(power, 0, len(power))


@settings(deadline=None, max_examples=100, derandomize=True)
@given(st.lists(st.floats(-1e4, 1e4), min_size=13, max_size=13))
def test_band_passed_and_summed(values):
    same(kernels.band_passed(*values), plain.band_passed(*values))
    same(kernels.summed(*values), plain.summed(*values))


@settings(deadline=None, max_examples=100, derandomize=True)
@given(LEVELS, st.integers(1, 4), st.integers(1, 9))
def test_means_within(level, parts, per_block):
    found = []
    for code in (kernels, plain):
        means = np.full((parts, len(level) // (per_block + parts) + 1), np.nan)
        code.means_within(level.astype(np.float32), per_block + parts, means)
        found.append(means)
    same(*found)


@settings(deadline=None, max_examples=200, derandomize=True)
@given(LEVELS, st.integers(1, 9), st.integers(1, 9))
def test_window_quantiles(level, n, least):
    shares = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    found = []
    for code in (kernels, plain):
        found.append(np.empty((len(shares), max(len(level) - n + 1, 0))))
        code.window_quantiles(level, shares, least, np.empty(n), found[-1])
    same(*found)


@pytest.mark.parametrize("n", [32766, 32767, 32768, 70_000])
def test_a_block_of_equal_samples_is_counted_beyond_sixteen_bits(n):
    for code in (kernels, plain):
        stats = np.zeros((1, 15))
        code.raw_sums(np.full(n, 7, dtype=np.int16), n, n, 0, 0, 0, 1, 0, n, 1, -9.0, 9.0, stats)
        assert stats[0, [0, 4]].tolist() == [n, n]


@settings(deadline=None, max_examples=100, derandomize=True)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 9),
    st.integers(0, 3),
    st.integers(0, 30),
    st.sampled_from([np.int16, np.int32, np.float32]),
)
def test_windowed(seed, per_record, offset, first, dtype):
    rng = np.random.default_rng(seed)
    record_length = per_record + offset + 2
    data = rng.integers(-(2**15), 2**15, 50 * record_length).astype(dtype)
    window = rng.random(int(rng.integers(1, 50 * per_record - first + 1)) if first < 50 * per_record else 1)
    first = min(first, 50 * per_record - len(window))
    found = []
    for code in (kernels, plain):
        found.append(np.zeros(len(window)))
        code.windowed(data, record_length, per_record, offset, first, window, found[-1])
    same(*found)


@settings(deadline=None, max_examples=100, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.sampled_from([0.0, 3.0, 40.0]))
def test_mains_peaks(seed, reach, line):
    rng = np.random.default_rng(seed)
    spectrum = rng.normal(size=(3, 160))
    spectrum[rng.integers(0, 3), rng.integers(40, 120)] += line
    gain = rng.random(80)
    first = np.array([20, 30, 55])
    stop = first + rng.integers(1, 8, 3)
    found = []
    for code in (kernels, plain):
        power, place, strength = np.empty((3, 80)), np.zeros((3, 3)), np.ones((3, 3))
        code.mains_peaks(spectrum, gain, first, stop, reach, 4.0, power, place, strength)
        found.append((power, place, strength))
    for fast, slow in zip(*found, strict=True):
        same(fast, slow)
    power, place, strength = found[0]
    for k, row in np.ndindex(place.shape):
        at = int(first[row] + power[k, first[row] : stop[row]].argmax())
        steps = np.arange(reach, 3 * reach)
        beside = power[k, at + np.concatenate((steps - 4 * reach, steps))]
        stands_out = power[k, at] > 4.0 * np.median(beside)
        assert (strength[k, row] != 0) == stands_out
        assert place[k, row] == at or stands_out


class Interleaved:
    """A source that lays its channels out in records, as EDF does."""

    def __init__(self, data, per_record, *, dtype, early=0):
        self.data, self.per_record, self.dtype, self.early = data, per_record, dtype, early

    def blocks(self, channels, first, stop):
        n = self.per_record
        record = max(first // n - self.early, 0)
        end = -(-stop // n)
        part = self.data[:, record * n : end * n]
        part = np.pad(part, ((0, 0), (0, (end - record) * n - part.shape[1])))
        laid = part.reshape(len(part), -1, n).transpose(1, 0, 2).astype(self.dtype).ravel()
        return [Block(laid, record * n, n * len(part), n, channel.index * n) for channel in channels]

    def digest(self):
        return ""


def recording_of(data, rate, source=None):
    recording = from_array(data, rate, [f"EMG {k}" for k in range(len(data))])
    if source is None:
        return recording
    from dataclasses import replace

    return replace(recording, source=source)


def results(frames):
    return [a for f in frames for a in (f.energy, f.rectified, f.stats)]


@pytest.mark.shows("same-result")
def test_the_sweep_agrees_with_its_twin_across_gaps_and_odd_rates():
    rng = np.random.default_rng(5)
    for rate, seconds in ((Fraction(1000), 9), (Fraction(512), 8), (Fraction(99939, 100), 7)):
        data = rng.integers(-900, 900, size=(2, int(seconds * rate))).astype(float)
        data[1, 40:90] = 900
        data[0, 200:260] = data[0, 200]
        data[:, 1503:2219] = np.nan
        data[:, 3000:3001] = np.nan
        recording = recording_of(data, rate)
        fast = sweep(recording, recording.channels, code=kernels, threads=1)
        slow = sweep(recording, recording.channels, code=plain, threads=1)
        for a, b in zip(results(fast), results(slow), strict=True):
            same(a, b)
        assert np.isnan(fast[0].energy).any()


@pytest.mark.parametrize("per_record", [1, 7, 250, 1000, 4000])
def test_the_layout_of_the_records_changes_no_bit(per_record):
    rng = np.random.default_rng(6)
    data = rng.integers(-900, 900, size=(2, 150_000)).astype(float)
    plain_one = recording_of(data, 1000)
    expected = results(sweep(plain_one, plain_one.channels, threads=1))
    for early, threads in ((0, 1), (3, 2)):
        source = Interleaved(data, per_record, dtype=np.int16, early=early)
        other = recording_of(data, 1000, source)
        found = results(sweep(other, other.channels, threads=threads))
        for a, b in zip(found, expected, strict=True):
            same(a, b)


@settings(deadline=None, max_examples=300, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 6]), st.booleans())
def test_correct_edges(seed, half, moving):
    rng = np.random.default_rng(seed)
    n = 400
    level = np.where(rng.random(n) < 0.5, 1.0, rng.choice([1.0, 30.0, 900.0], n))
    power = np.repeat(level, rng.integers(1, 30, n))[:n]
    energy = (power * rng.chisquare(3, n) / 3).astype(np.float32)
    energy[rng.integers(0, n, 5)] = np.nan
    smooth = np.empty(n)
    kernels.moving_mean(energy, 2 * half + 1, smooth, np.empty(64), np.empty(64), root=False)
    knots, step = np.full(n // 8 if moving else 1, 20.0**0.5), 8 * moving
    starts, stops = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    count = kernels.crossings(smooth, knots**2, step, 0.0, 1.0, True, starts, stops)
    starts, stops = starts[:count], stops[:count]
    known = np.flatnonzero(np.diff(np.concatenate(([0], ~np.isnan(energy), [0])))).reshape(-1, 2)
    place = np.searchsorted(known[:, 0], starts, side="right") - 1
    tail = np.array([0.35, 0.02, 0.01])
    found = []
    for code in (kernels, plain):
        new = starts.copy(), stops.copy()
        code.correct_edges(
            energy,
            starts,
            stops,
            known[place, 0],
            known[place, 1],
            knots,
            step,
            0.0,
            1.0,
            half,
            25,
            30,
            1 / 30,
            tail,
            *new,
        )
        found.append((new[0].tolist(), new[1].tolist()))
    assert found[0] == found[1]


@settings(deadline=None, max_examples=100, derandomize=True)
@given(st.integers(0, 2**32 - 1))
def test_span_levels(seed):
    rng = np.random.default_rng(seed)
    level, power = rng.random(100), rng.random(100).astype(np.float32)
    power[rng.integers(0, 100, 4)] = np.nan
    edges = np.sort(rng.choice(100, 12, replace=False))
    starts, stops = edges[::2], edges[1::2]
    found = []
    for code in (kernels, plain):
        peak, mean = np.empty(6), np.empty(6)
        code.span_levels(level, power, starts, stops, peak, mean)
        found.append((peak.tolist(), mean.tolist()))
    assert found[0] == found[1]


@settings(deadline=None, max_examples=300, derandomize=True)
@given(st.integers(0, 2**32 - 1))
def test_join_dips(seed):
    rng = np.random.default_rng(seed)
    energy = (rng.choice([1.0, 40.0], 300) * rng.chisquare(3, 300)).astype(np.float32)
    energy[rng.integers(0, 300, 3)] = np.nan
    edges = np.sort(rng.choice(300, 30, replace=False)).astype(np.int64)
    found = []
    for code in (kernels, plain):
        starts, stops = edges[::2].copy(), edges[1::2].copy()
        n = code.join_dips(energy, starts, stops, 6, 1.0, 1 / 30, 0.75)
        found.append((n, starts[:n].tolist(), stops[:n].tolist()))
    assert found[0] == found[1]
    assert found[0][0] < 15


@settings(deadline=None, max_examples=100, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6))
def test_window_medians(seed, least):
    rng = np.random.default_rng(seed)
    values = rng.random(60)
    low = np.sort(rng.integers(0, 60, 9))
    high = np.maximum.accumulate(np.minimum(low + rng.integers(0, 12, 9), 60))
    order = np.argsort(values)
    rank = np.argsort(order)
    found = []
    for code in (kernels, plain):
        medians = np.empty(9)
        code.window_medians(
            rank,
            values[order],
            low,
            high,
            least,
            np.empty(60, dtype=np.bool_),
            np.empty(1, dtype=np.int64),
            medians,
        )
        for k in range(9):
            enough = high[k] - low[k] >= least
            assert (
                np.isclose(medians[k], np.median(values[low[k] : high[k]]))
                if enough
                else np.isnan(medians[k])
            )
        found.append(medians)
    same(*found)


@settings(deadline=None, max_examples=100, derandomize=True)
@given(LEVELS, st.integers(1, 7), st.integers(0, 2**32 - 1))
def test_sampled(level, step, seed):
    bounds = np.sort(np.random.default_rng(seed).integers(0, len(level) + 1, 6)).astype(np.int64)
    found = []
    for code in (kernels, plain):
        at, values = np.zeros(len(level) + 1, dtype=np.int64), np.zeros(len(level) + 1)
        n = code.sampled(level, step, bounds[::2], bounds[1::2], at, values)
        found.append((at[:n].tolist(), values[:n].tolist()))
    assert found[0] == found[1]


@settings(deadline=None, max_examples=60, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.sampled_from([512, 1000, 2000]), st.integers(0, 70))
def test_filtered_extremes(seed, rate, lead):
    from sleepbrux.signal.filters import emg_band_pass

    size = rate // 50
    data = np.random.default_rng(seed).integers(-3000, 3000, lead + 4 * size + 5).astype("<i2")
    out = []
    for code in (kernels, plain):
        low, high = np.empty(4, dtype=np.float32), np.empty(4, dtype=np.float32)
        sections = emg_band_pass(Fraction(rate))
        code.filtered_extremes(data, sections, lead, size, 0.1, low, high, np.empty((3, 2)))
        out.append((low, high))
    same(out[0][0], out[1][0])
    same(out[0][1], out[1][1])
    assert (out[0][0] <= out[0][1]).all()


@settings(deadline=None, max_examples=200, derandomize=True)
@given(LEVELS, st.integers(1, 4), st.sampled_from([1.0, 2.0, 3.0]))
def test_short_peaks(level, reach, ratio):
    found = []
    for code in (kernels, plain):
        peaks = np.zeros(61, dtype=np.int64)
        found.append(peaks[: code.short_peaks(level, reach, ratio, peaks)].tolist())
    assert found[0] == found[1]


def test_a_night_with_mains_agrees_with_the_twin():
    rng = np.random.default_rng(8)
    t = np.arange(9_000) / 500
    data = rng.normal(0, 300, t.size) + 800 * np.sin(2 * np.pi * 49.7 * t)
    data[4_000:4_700] = np.nan
    recording = recording_of(np.round(data)[None], 500)
    (fast,), (slow,) = (sweep(recording, recording.channels, code=c) for c in (kernels, plain))
    assert fast.notched == slow.notched
    assert len(fast.notched) == 2
    for a, b in zip(results([fast]), results([slow]), strict=True):
        same(a, b)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.integers(1, 7), st.integers(1, 4), st.integers(1, 3))
def test_lines_are_learnt_followed_and_subtracted_as_by_the_twin(seed, hop, step, n_lines):
    rng = np.random.default_rng(seed)
    n_steps, frame = int(rng.integers(1, 7)), int(rng.integers(0, 5))
    n_frames = n_steps * step + int(rng.integers(0, 3))
    margin = int(rng.integers(0, n_frames))
    out = rng.normal(0, 20, n_frames * hop)
    lead = int(rng.integers(0, len(out)))
    start, turn = rng.normal(size=(n_frames + step, n_lines, 2)), rng.normal(size=(hop, n_lines, 2))
    taper = rng.random(hop * step)
    rotation = rng.normal(size=(n_steps, n_lines, 2))
    found = []
    for code in (kernels, plain):
        phasors, power = np.zeros((n_steps, n_lines, 2)), np.empty(n_steps)
        code.line_phasors(out, lead, hop, taper, start, turn, phasors, power)
        lines = np.empty_like(phasors)
        code.followed_lines(phasors, power, rotation, 0.3, 0.01, 0.01, 3.0, lines, np.empty((n_steps, 2)))
        rows, stats = (
            [np.zeros(n_frames + 5, dtype=np.float32) for _ in range(3)],
            np.zeros((20, 15)),
        )
        code.sums_without_lines(
            out,
            hop,
            step,
            start,
            turn,
            lines,
            margin,
            frame,
            4,
            0.7,
            0.1,
            np.empty(hop),
            *rows,
            stats,
        )
        found.append((phasors, power, lines, *rows, stats))
    for fast, slow in zip(*found, strict=True):
        same(fast, slow)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9), st.integers(0, 3), st.integers(0, 30))
def test_filtered(seed, per_record, offset, first):
    from sleepbrux.signal.filters import band_poles, emg_band_pass

    rng = np.random.default_rng(seed)
    record_length = per_record + offset + 2
    data = rng.integers(-(2**15), 2**15, 50 * record_length).astype(np.int16)
    first = min(first, 50 * per_record - 1)
    count, lead = int(rng.integers(1, 50 * per_record - first + 1)), int(rng.integers(0, 9))
    found = []
    for code in (kernels, plain):
        out = np.zeros(lead + count)
        poles, _ = band_poles(emg_band_pass(Fraction(1000)))
        code.filtered(data, record_length, per_record, offset, first, lead, count, poles, out)
        found.append(out)
    same(*found)
