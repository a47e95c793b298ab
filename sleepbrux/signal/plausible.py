"""Whether the level of a channel can be that of a muscle: a unit that is wrong by a thousand shows here."""

from __future__ import annotations

import math

import numpy as np

from sleepbrux.core.errors import Note
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.quantiles import quantile, sampled
from sleepbrux.signal.sweep import ChannelFrames

# RMS of a jaw muscle at rest between 20 and 450 Hz, with room on both sides; our choice.
REST_UV = (0.3, 50.0)
QUIET_PCT = 20
LEAST_S = 60.0
EVERY = 50  # frames: half a second tells what its neighbours tell


def rest_note(frames: ChannelFrames, quality: Quality) -> Note | None:
    """A warning where the quietest fifth of a channel in µV is no level of a resting muscle.

    None also where less than a minute can be scored, and for channels without a unit.
    """
    power = sampled(frames.energy, quality.usable, EVERY)[1].astype(np.float64)
    power = power[np.isfinite(power)]
    if frames.channel.unit != "uV" or len(power) * EVERY * float(frames.grid.slot_s) < LEAST_S:
        return None
    rest = math.sqrt(quantile(power, QUIET_PCT / 100))
    low, high = REST_UV
    if low <= rest <= high:
        return None
    slip = next((rest * f for f in (1e-3, 1e3, 1e-6, 1e6) if low <= rest * f <= high), None)
    about = (
        f"; {slip:.2g} µV would be plausible, so the unit may be wrong by a factor of"
        f" {max(rest / slip, slip / rest):.0f}: check it and give `unit`"
        if slip
        else "; check the electrodes and the unit, and give `unit` where that is wrong"
    )
    return Note(
        "rest-implausible",
        "warning",
        f"channel {frames.channel.label!r}: its quietest fifth has {rest:.3g} µV RMS, where a jaw muscle at"
        f" rest has {low:g} to {high:g} µV{about}",
    )
