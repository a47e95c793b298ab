"""Which seconds of a channel can be scored, and why not the others.

No test asks for amplitude alone: the strongest clench must survive. What is compared is the shape of
the signal (how much of it is mains, how fast it changes, what of it lies below the muscle's band) with
what the channel usually looks like::

    missing, settling, flat     nothing to see
    held                        values repeated in place of lost packets; see `held`
    rail                        held at the end of the range; a clipped contraction swings between both
    contact_lost                mains in place of EMG, or the steady white noise of an open input
    movement                    a cable that swings, with noise of its own in the muscle's band
    spikes                      discharges too dense to be taken out one by one
    gain_step                   everything, what is no muscle too, is larger or smaller by one factor

Beside these stands ``marked_bad``: a person's word, which asks for no test.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note
from sleepbrux.core.spans import Spans
from sleepbrux.recording.model import Mark
from sleepbrux.signal.filters import emg_power
from sleepbrux.signal.gain import gain_steps, tenths
from sleepbrux.signal.quantiles import median, quantile, running
from sleepbrux.signal.slow_swings import without_swings
from sleepbrux.signal.sweep import ChannelFrames, hum_share
from sleepbrux.signal.transients import without_heart, without_spikes

SETTLING_S = 0.25
FLAT_SHARE = 0.98
RAIL_SHARE = 0.5
CLIPPED_TO_RAIL = 0.4
JOIN_S = 30
LEAST_S = 3
RAIL_JOIN_S = 3

HUM_SHARE = 0.6
HUM_SHARE_NOTCHED = 0.9975
HUM_RISE = 4.0
HUM_LEAST_UV = 2.0

WHITE_WINDOW_S = 5
WHITE_LEAST_S = 8
WHITE_WITHIN = 0.15
WHITE_APART = 0.6
WHITE_ALONE = 0.01
TOLD_FROM_HZ = 1000  # from here on no spectrum of a jaw muscle is near white noise
STEADY = 0.25
EDGE_S = 3
ALWAYS_OPEN_S = 3600
RISE = 4.0

BETWEEN_MAINS_HZ = 55
# What ends within a second's block goes on for a moment in the next one. So much is left out after these
# faults, whatever the muscle does there; our choice, from the bursts that were seen at such borders.
MARGIN_S = 0.5
WITH_MARGIN = ("contact_lost", "movement")
HUM_IN_SWING = 1.5  # 4 / pi of a sine's amplitude, and a little for its harmonics

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

REASONS = {
    "missing": "not recorded",
    "settling": "filter settling after a start or a gap",
    "flat": "no change in the signal",
    "held": "one value repeated on all channels in place of lost data",
    "rail": "at the end of the converter's range",
    "contact_lost": "no muscle signal, mains hum or the noise of an open input: contact lost",
    "movement": "cable or electrode swinging, with noise in the EMG's band",
    "spikes": "dense spikes that are no muscle",
    "gain_step": "amplification other than in most of the recording",
    "marked_bad": "marked as bad by a person",
}
REPAIRS = {
    "mains": "mains-removed",
    "pops": "pops-repaired",
    "heart": "heart-removed",
    "spikes": "spikes-removed",
}
"""What is repaired, and the code of the note that names it."""


@dataclass(frozen=True, eq=False)
class Quality:
    """What can be scored of one channel.

    Attributes
    ----------
    usable
        Spans of frames that are scored.
    faults
        Reason (a key of `REASONS`) to spans of frames; reasons may overlap.
    clipped
        Spans of blocks in which a sample lies at a rail: amplitudes there are "at least".
    notes
        What was done to the channel, and what is doubtful.
    doubts
        Reason (a key of `doubts.DOUBTS`) to spans of usable frames that count, and may be no muscle or be
        measured with another gain.
    repaired
        Key of `REPAIRS` to spans of frames whose level is another than the filtered signal's.
    """

    usable: Spans
    faults: dict[str, Spans]
    clipped: Spans
    notes: tuple[Note, ...]
    doubts: dict[str, Spans] = field(default_factory=dict)
    repaired: dict[str, Spans] = field(default_factory=dict)


def hum_uv(frames: ChannelFrames) -> Floats:
    """RMS of the stronger mains line in each block, float64, shape (n_blocks,), µV."""
    n = np.maximum(frames.stat("samples"), 1)
    power = hum_share(frames.stats) * frames.stat("energy_with_hum") / n
    result: Floats = np.sqrt(power) * abs(frames.channel.gain)
    return result


def block_rms_uv(frames: ChannelFrames) -> Floats:
    """RMS of the filtered signal in each block, float64, shape (n_blocks,), µV."""
    n = np.maximum(frames.stat("samples"), 1)
    result: Floats = np.sqrt(frames.stat("energy") / n) * abs(frames.channel.gain)
    return result


def swing_uv(frames: ChannelFrames) -> Floats:
    """Range of the 10-ms means of the unfiltered signal in each block, µV; 0 where not recorded.

    Less what the mains that was subtracted puts into a mean over half its period.
    """
    seen = frames.stat("samples") > 0
    result: Floats = np.zeros(len(seen))
    result[seen] = (frames.stat("highest_mean") - frames.stat("lowest_mean"))[seen]
    removed = np.maximum(frames.stat("energy_with_hum") - frames.stat("energy"), 0.0)
    amplitude = np.sqrt(2 * removed / np.maximum(frames.stat("samples"), 1))
    result = np.maximum(result - HUM_IN_SWING * amplitude, 0.0)
    return result * abs(frames.channel.gain)


@lru_cache(maxsize=8)
def white_sharpness(rate: float) -> float:
    """Energy of the first difference over energy, for white noise behind the EMG filter."""
    from fractions import Fraction

    z = np.exp(-1j * np.pi * (np.arange(4096) + 0.5) / 4096)
    power = emg_power(Fraction(rate), z)
    return float((power * np.abs(1 - z) ** 2).sum() / power.sum())


def _lost_contact(frames: ChannelFrames, seen: Bools) -> Spans:
    """Frames without contact: mains in place of EMG, or the noise of an open input.

    What is found over several seconds is carried on into the seconds beside it that are still alike.
    """
    share, hum = hum_share(frames.stats), hum_uv(frames)
    before = np.maximum(frames.stat("energy_with_hum"), 1e-300)
    removed = 1 - frames.stat("energy") / before
    raised = seen & (hum > HUM_RISE * median(hum[seen])) & (hum > HUM_LEAST_UV)
    hummed = raised & np.where(_notched(frames), removed > HUM_SHARE_NOTCHED, share > HUM_SHARE)
    white, whitish = _open_input(frames, seen)
    lost = Spans.from_mask(frames.block_grid, hummed).drop_shorter(LEAST_S).join(JOIN_S)
    lost |= Spans.from_mask(frames.block_grid, white).drop_shorter(WHITE_LEAST_S).join(5)
    beside = Spans.from_mask(frames.block_grid, whitish) & lost.grow(EDGE_S)
    beside |= Spans.from_mask(frames.block_grid, raised & (np.maximum(share, removed) > HUM_SHARE))
    touching = (lost | beside).join(0)
    lost = lost | Spans.of(
        frames.block_grid,
        touching.bounds[[bool(len(lost & Spans.of(lost.grid, [b]))) for b in touching.bounds.tolist()]],
    )
    return lost.on(frames.grid, rounding="outward")


def _notched(frames: ChannelFrames) -> Bools:
    """Blocks out of which mains was taken."""
    spans = Spans.of(frames.grid, [(n.first, n.stop) for n in frames.notched])
    return spans.on(frames.block_grid, rounding="outward").mask()


def _usual_sharpness(frames: ChannelFrames, known: Bools) -> tuple[Floats, float, float]:
    """Sharpness of each block, that of the channel where it has contact and is quiet, and white noise's.

    Only the quieter half of the recording is asked, so that no contraction has a say; of that, the
    quarter that is least like white noise, so that half of it may be an open input.
    """
    energy = frames.stat("energy")
    sharpness = np.where(known, frames.stat("slope_energy"), 0.0) / np.maximum(energy, 1e-300)
    white = white_sharpness(float(frames.channel.rate))
    power = energy / np.maximum(frames.stat("samples"), 1)
    quiet = sharpness[known & (power <= median(power[known]))]
    low, high = quantile(quiet, 0.25), quantile(quiet, 0.75)
    return sharpness, low if white - low > high - white else high, white


def _open_input(frames: ChannelFrames, seen: Bools) -> tuple[Bools, Bools]:
    """Blocks of steady white noise in a channel that is usually not white; and blocks nearly white.

    At a low rate a resting muscle can be sharper than white noise behind the filter, at a high rate it is
    blunter. Where it is neither, an open input cannot be told and nothing is excluded, but for a channel
    that can show a muscle's shape and is white all night to a hundredth: then nothing of a body is seen.
    """
    energy = frames.stat("energy") / np.maximum(frames.stat("samples"), 1)
    known = seen & (energy > 0)
    none = np.zeros(len(seen), dtype=np.bool_)
    if not known.any():
        return none, none
    sharpness, usual, white = _usual_sharpness(frames, known)
    if abs(usual - white) < WHITE_WITHIN * white:
        risen = np.sum(energy[known] > RISE * median(energy[known]))
        alone = known & bool(
            float(frames.channel.rate) >= TOLD_FROM_HZ
            and abs(median(sharpness[known]) - white) < WHITE_ALONE * white
            and known.sum() >= ALWAYS_OPEN_S
            and risen < LEAST_S
        )
        return alone, alone
    (middle,) = running(sharpness, WHITE_WINDOW_S, 0.5)
    low, high = running(energy, WHITE_WINDOW_S, 0.25, 0.75)
    reach = min((1 - WHITE_APART) * abs(white - usual), WHITE_WITHIN * white)
    towards = (sharpness - white) * (-1 if usual > white else 1)
    found: Bools = (
        known
        & (np.abs(middle - white) < WHITE_WITHIN * white)
        & ((middle - white) * (-1 if usual > white else 1) > -reach)
        & (high - low < STEADY * np.maximum(low, 1e-300))
    )
    return found, known & (towards > -reach)


def _open_not_told(frames: ChannelFrames, seen: Bools) -> tuple[Note, ...]:
    """A note where the resting channel is as sharp as white noise."""
    known = seen & (frames.stat("energy") > 0)
    if not known.any():
        return ()
    _, usual, white = _usual_sharpness(frames, known)
    if abs(usual - white) >= WHITE_WITHIN * white:
        return ()
    return (
        Note(
            "open-input-not-told",
            "note",
            f"{frames.channel.label}: at rest this channel looks like white noise. An open input that sends "
            "white noise would look the same and could not be distinguished. All of that time counts as recorded",
        ),
    )


def _clipped_muscle(frames: ChannelFrames) -> Bools:
    """Blocks whose samples at the rails lie in a contraction that is larger than the range.

    Such a contraction runs from rail to rail and fills the muscle's band, with other than mains; an
    input that is held at a rail has nothing there but the moments of its coming and going.
    """
    channel, n = frames.channel, frames.frames_per_block
    half_uv = abs(channel.gain) * (channel.digital_max - channel.digital_min) / 2
    strong = np.zeros(len(frames.stats) * n, dtype=np.bool_)
    np.greater_equal(frames.energy, (CLIPPED_TO_RAIL * half_uv) ** 2, out=strong[: frames.grid.n_slots])
    per_frame = float(channel.rate * frames.grid.slot_s)
    found: Bools = strong.reshape(-1, n).sum(axis=1) * per_frame >= frames.stat("at_rail")
    return found & (hum_share(frames.stats) < HUM_SHARE)


def _block_spans(
    frames: ChannelFrames, mask: Bools, *, least_s: int = LEAST_S, join_s: int = JOIN_S
) -> Spans:
    """Blocks as spans of frames: short islands dropped, short breaks closed."""
    spans = Spans.from_mask(frames.block_grid, mask).drop_shorter(least_s).join(join_s)
    return spans.on(frames.grid, rounding="outward")


def assess(
    frames: ChannelFrames,
    spikes: Spans | None = None,
    movement: Spans | None = None,
    held: Spans | None = None,
) -> Quality:
    """Find the usable frames of a channel, and the reasons against the others.

    Parameters
    ----------
    spikes
        Frames of spikes too dense to be taken out one by one; see `transients`.
    movement
        Frames in which a cable swings; see `swings`.
    held
        Frames that hold one value in place of lost data; see `held`.
    """
    samples = np.maximum(frames.stat("samples"), 1)
    seen = frames.stat("samples") > 0
    recorded = Spans.from_mask(frames.grid, frames.energy == frames.energy)
    settling = Spans.of(
        frames.grid,
        np.stack((recorded.starts, recorded.starts + frames.grid.slots_for(SETTLING_S)), axis=1),
    )
    flat = seen & (frames.stat("unchanged") >= FLAT_SHARE * samples)
    rail = seen & ((frames.stat("at_rail") >= RAIL_SHARE * samples) | (frames.stat("frames_at_rail") > 0))
    if rail.any():
        rail &= ~_clipped_muscle(frames)
    faults = {
        "missing": ~recorded,
        "settling": settling & recorded,
        "flat": _block_spans(frames, flat),
        "rail": _block_spans(frames, rail, least_s=1, join_s=RAIL_JOIN_S),
    }
    if held is not None:
        faults["held"] = held
    if seen.any():
        faults["contact_lost"] = _lost_contact(frames, seen)
        nothing = frames.grid.none()
        for spans in faults.values():
            nothing |= spans
        power, swing = tenths(frames), swing_uv(frames)
        faults["gain_step"] = gain_steps(frames, power, swing, nothing)
        if movement is not None:
            faults["movement"] = movement
        if spikes is not None:
            faults["spikes"] = spikes
        for reason in WITH_MARGIN:
            if reason in faults:
                faults[reason] = faults[reason].grow(0, frames.grid.slots_for(MARGIN_S))
    faults = {
        reason: spans if reason == "missing" else spans & recorded
        for reason, spans in faults.items()
        if len(spans)
    }
    bad = frames.grid.none()
    for spans in faults.values():
        bad |= spans
    clipped = Spans.from_mask(frames.block_grid, seen & (frames.stat("at_rail") > 0))
    notes = notes_on(frames) + _open_not_told(frames, seen)
    return Quality(~bad, faults, clipped.on(frames.grid, rounding="outward"), notes)


def notes_on(frames: ChannelFrames) -> tuple[Note, ...]:
    """What the sweep did to the channel beyond its filter."""
    if not frames.notched:
        return ()
    label = frames.channel.label
    minutes = Spans.of(frames.grid, [(n.first, n.stop) for n in frames.notched]).duration_s / 60
    lines = sorted({n.line_hz for n in frames.notched})
    multiples = sorted({k for n in frames.notched for k in n.harmonics})
    at = " and ".join(
        _range_hz([hz for hz in lines if (hz < BETWEEN_MAINS_HZ) == low])
        for low in (True, False)
        if any((hz < BETWEEN_MAINS_HZ) == low for hz in lines)
    )
    return (
        Note(
            "mains-removed",
            "note",
            f"{label}: mains measured at {at} in {minutes:.0f} min of the recording. There it and "
            f"its multiples {', '.join(map(str, multiples))} were subtracted as sinusoids, learnt outside "
            "activity",
        ),
    )


def _range_hz(lines: list[float]) -> str:
    """One frequency, or lowest and highest."""
    if math.isclose(lines[0], lines[-1], abs_tol=0.05):
        return f"{lines[0]:.1f} Hz"
    return f"{lines[0]:.1f}–{lines[-1]:.1f} Hz"


def without_marked(quality: Quality, frames: ChannelFrames, marks: Sequence[Mark]) -> Quality:
    """What of a channel can be scored once stretches that somebody marked as bad are left out."""
    grid, label = frames.grid, frames.channel.label
    own = [m for m in marks if m.channel in ("", label)]
    pairs = [(grid.nearest(m.start_s), grid.nearest(m.start_s + m.duration_s)) for m in own]
    bad = Spans.of(grid, pairs) - quality.faults.get("missing", grid.none())
    if not len(bad):
        return quality
    words = ", ".join(sorted({repr(m.text) for m in own}))
    text = f"{label}: {bad.duration_s:.1f} s are marked as bad ({words}); that time is not scored"
    return replace(
        quality,
        usable=quality.usable - bad,
        faults=quality.faults | {"marked_bad": bad},
        notes=(*quality.notes, Note("marked-bad", "warning", text)),
    )


def examine(
    frames: ChannelFrames, beats_s: Floats | None = None, held: Spans | None = None
) -> tuple[ChannelFrames, Quality]:
    """A swept channel without heart beats and spikes, and what of it can be scored.

    Parameters
    ----------
    beats_s
        Seconds of the heart beats that an ECG of the recording shows; None without one.
    held
        As for `assess`.

    Returns
    -------
    The channel, which still has what `doubtful_activity` asks for, and what of it can be scored.
    """
    swing = swing_uv(frames)
    calm, movement, pops = without_swings(frames, tenths(frames), swing)
    still, heart = without_heart(calm, beats_s)
    without, dense, spikes = without_spikes(still, swing)
    quality = assess(frames, dense, movement, held)
    repaired = {
        "mains": Spans.of(frames.grid, [(n.first, n.stop) for n in frames.notched]),
        "pops": _changed(frames, calm),
        "heart": _changed(calm, still),
        "spikes": _changed(still, without),
    }
    return without, replace(
        quality,
        notes=(*quality.notes, *pops, *heart, *spikes),
        repaired={key: spans for key, spans in repaired.items() if len(spans)},
    )


def _changed(before: ChannelFrames, after: ChannelFrames) -> Spans:
    """Known frames whose level a repair changed."""
    if after is before:
        return before.grid.none()
    known = before.energy == before.energy
    return Spans.from_mask(before.grid, known & (after.energy != before.energy))
