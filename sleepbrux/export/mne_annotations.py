"""A night's events as ``mne.Annotations``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sleepbrux.export.events import events
from sleepbrux.scoring.night import Night

if TYPE_CHECKING:
    import mne


def mne_annotations(night: Night) -> mne.Annotations:
    """Events of a night, with the channels that they belong to.

    Onsets count from the first sample (``orig_time`` is None), so ``raw.set_annotations`` puts them
    right on the recording they come from.
    """
    import mne

    rows = events(night)
    return mne.Annotations(
        onset=[e.onset_s for e in rows],
        duration=[e.duration_s for e in rows],
        description=[e.type for e in rows],
        ch_names=[[e.channel] if e.channel else [] for e in rows],
    )
