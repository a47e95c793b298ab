"""A night's events as ``mne.Annotations``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sleepbrux.core.arguments import check, of
from sleepbrux.core.errors import UsageError
from sleepbrux.export.events import events
from sleepbrux.scoring.night import Night

if TYPE_CHECKING:
    import mne

LENGTH_WITHIN_S = 1.0


def annotate(night: Night, raw: mne.io.BaseRaw, kinds: str = "episodes") -> mne.io.BaseRaw:
    """A copy of a recording with a night's events beside its own annotations; see `Night.annotate`."""
    import mne

    rows = events(night, kinds)
    lasts_s = raw.n_times / float(raw.info["sfreq"])
    if abs(lasts_s - night.swept.duration_s) > LENGTH_WITHIN_S:
        raise UsageError(
            f"raw lasts {lasts_s:.1f} s and the scored recording {night.swept.duration_s:.1f} s; give the raw "
            "that was scored"
        )
    had = raw.annotations.copy()
    # A raw's own onsets count from before a crop. What is set without a date counts from the first sample.
    dated = had.orig_time is not None
    if not dated:
        had.onset -= raw.first_time
    made = mne.Annotations(
        onset=[e.onset_s + (float(raw.first_time) if dated else 0.0) for e in rows],
        duration=[e.duration_s for e in rows],
        description=[e.type for e in rows],
        orig_time=had.orig_time,
        ch_names=[[e.channel] if e.channel in raw.ch_names else [] for e in rows],
    )
    return raw.copy().set_annotations(had + made)


def mne_annotations(night: Night) -> mne.Annotations:
    """Events of a night, with the channels that they belong to.

    Onsets count from the first sample (``orig_time`` is None), so ``raw.set_annotations`` puts them
    right on the recording they come from, in place of what it has; `Night.annotate` keeps that.

    Returns
    -------
    mne.Annotations

    Raises
    ------
    UsageError
        Something that is no night.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> len(sb.mne_annotations(night)) > 0
    True
    """
    check(night=(night, of(Night)))
    import mne

    rows = events(night)
    return mne.Annotations(
        onset=[e.onset_s for e in rows],
        duration=[e.duration_s for e in rows],
        description=[e.type for e in rows],
        ch_names=[[e.channel] if e.channel else [] for e in rows],
    )
