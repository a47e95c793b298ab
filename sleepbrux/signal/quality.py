"""Which seconds of a channel can be scored, and why not the others.

No test asks for amplitude alone: the strongest clench must survive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.errors import Note
from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.spans import Spans

SETTLING_S = 0.25
HUM_SHARE = 0.6
HUM_RISE = 4.0
HUM_LEAST_UV = 2.0
RAIL_SHARE = 0.5
FLAT_SHARE = 0.98
JOIN_S = 30
LEAST_S = 3

REASONS = {
    "missing": "not recorded",
    "settling": "filter settling after a start or a gap",
    "flat": "no change in the signal",
    "rail": "at the end of the converter's range",
    "contact_lost": "mains hum in place of EMG: contact lost",
}


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
    """

    usable: Spans
    faults: dict[str, Spans]
    clipped: Spans
    notes: tuple[Note, ...]


def hum_uv(frames: ChannelFrames) -> NDArray[np.float64]:
    """RMS of the stronger mains line in each block, float64, shape (n_blocks,), µV."""
    n = np.maximum(frames.stat("samples"), 1)
    lines = [
        np.hypot(frames.stat(f"hum_{hz}_real"), frames.stat(f"hum_{hz}_imaginary"))
        for hz in (50, 60)
    ]
    result: NDArray[np.float64] = np.maximum(*lines) * np.sqrt(2) / n * abs(frames.channel.gain)
    return result


def block_rms_uv(frames: ChannelFrames) -> NDArray[np.float64]:
    """RMS of the filtered signal in each block, float64, shape (n_blocks,), µV."""
    n = np.maximum(frames.stat("samples"), 1)
    result: NDArray[np.float64] = np.sqrt(frames.stat("energy") / n) * abs(frames.channel.gain)
    return result


def _contact_lost(frames: ChannelFrames) -> NDArray[np.bool_]:
    """Blocks in which one mains line holds most of the energy, far above what it usually is."""
    hum, rms = hum_uv(frames), block_rms_uv(frames)
    seen = frames.stat("samples") > 0
    if not seen.any():
        return np.zeros(len(hum), dtype=np.bool_)
    usual = float(np.median(hum[seen]))
    lost: NDArray[np.bool_] = (
        seen & (hum > HUM_RISE * usual) & (hum > HUM_LEAST_UV) & (hum**2 > HUM_SHARE * rms**2)
    )
    return lost


def _block_spans(frames: ChannelFrames, mask: NDArray[np.bool_]) -> Spans:
    """Blocks as spans of frames: short islands dropped, short breaks closed."""
    grid = frames.block_grid
    spans = Spans.from_mask(grid, mask)
    spans = spans.drop_shorter(LEAST_S).join(JOIN_S)
    return spans.on(frames.grid, rounding="outward")


def assess(frames: ChannelFrames) -> Quality:
    """Find the usable frames of a channel, and the reasons against the others."""
    samples = np.maximum(frames.stat("samples"), 1)
    seen = frames.stat("samples") > 0
    recorded = Spans.from_mask(frames.grid, ~np.isnan(frames.energy))
    settling = Spans.of(
        frames.grid,
        np.stack((recorded.starts, recorded.starts + frames.grid.slots_for(SETTLING_S)), axis=1),
    )
    flat = seen & (frames.stat("unchanged") >= FLAT_SHARE * samples)
    rail = seen & (frames.stat("at_rail") >= RAIL_SHARE * samples)
    faults = {
        "missing": ~recorded,
        "settling": settling & recorded,
        "flat": _block_spans(frames, flat) & recorded,
        "rail": _block_spans(frames, rail) & recorded,
        "contact_lost": _block_spans(frames, _contact_lost(frames)) & recorded,
    }
    faults = {reason: spans for reason, spans in faults.items() if len(spans)}
    bad = frames.grid.none()
    for spans in faults.values():
        bad = bad | spans
    clipped = Spans.from_mask(frames.block_grid, seen & (frames.stat("at_rail") > 0))
    return Quality(~bad, faults, clipped.on(frames.grid, rounding="outward"), ())
