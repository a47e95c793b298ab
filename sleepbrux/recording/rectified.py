"""Is a channel raw EMG, or what somebody made of it: rectified, smoothed, a rate a second."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.model import Channel, Recording, samples

N_STRETCHES = 16
STRETCH_S = 4
LEAST_SHARE = 0.9
# Half-normal values reach 0.26 of the way down that they reach up; raw EMG on an offset reaches as far.
MOST_LOPSIDED = 0.5


def looks_rectified(recording: Recording, channel: Channel) -> bool:
    """Whether sampled stretches hold no negative value and lie close above zero, as rectified EMG does.

    Raw EMG may lie wholly above zero on an offset of the converter; it then reaches as far below its
    median as above.
    """
    stretches = list(_stretches(channel))
    seen = lopsided = 0
    for first, stop in stretches:
        values = samples(recording, channel, first, stop).astype(np.float64)
        physical = channel.gain * values + channel.offset
        low, middle, high = np.percentile(physical, (0.1, 50, 99.9))
        if not high > low:
            continue
        seen += 1
        lopsided += bool(
            physical.min() >= 0 and middle > 0 and middle - low < MOST_LOPSIDED * (high - middle)
        )
        if len(stretches) - (seen - lopsided) < LEAST_SHARE * len(stretches):
            return False
    return seen > 0 and lopsided >= LEAST_SHARE * seen


def _stretches(channel: Channel) -> Iterator[tuple[int, int]]:
    """(first, stop) of stored samples, about `N_STRETCHES` times over the channel."""
    n = int(STRETCH_S * channel.rate)
    for piece in channel.pieces[:: max(len(channel.pieces) // N_STRETCHES, 1)]:
        count = max(N_STRETCHES * piece.n // max(channel.n_stored, 1), 1)
        for k in range(count):
            first = piece.stored + (piece.n - min(n, piece.n)) * k // max(count - 1, 1)
            yield first, first + min(n, piece.n)


def refuse_rectified(recording: Recording, channels: tuple[Channel, ...]) -> None:
    """Refuse channels that are no raw EMG; `RecordingError` with the reason."""
    for channel in channels:
        if looks_rectified(recording, channel):
            raise RecordingError(
                f"{recording.name}: channel {channel.label!r} holds no negative value and lies close above"
                " zero, as rectified or smoothed EMG does; bursts and levels are defined on raw EMG: export"
                " the raw signal, or leave the channel out with `channels`"
            )
