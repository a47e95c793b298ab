"""The reference: what 100 % MVC and rest mean for each channel, and where that comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.errors import Note, ReferenceLevelError
from sleepbrux.recording.marks import classify
from sleepbrux.recording.model import Mark
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.spans import Spans

Placement = Literal["same electrodes", "other placement", "not stated"]
WARN_CV_PCT = 15.0
REFUSE_CV_PCT = 30.0
LEAST_RATIO_TO_REST = 3.0
PLAUSIBLE_MVC_UV = (20.0, 3000.0)
NATURAL = "natural teeth"
NOT_STATED = "not stated"


@dataclass(frozen=True)
class Level:
    """Reference of one channel.

    Attributes
    ----------
    mvc_uv
        µV that count as 100 % MVC.
    rest_uv
        Resting level in µV, None where unknown.
    trials_uv
        Level of each clench in µV; empty where the value was given.
    """

    label: str
    mvc_uv: float
    rest_uv: float | None = None
    trials_uv: tuple[float, ...] = ()

    @property
    def cv_pct(self) -> float | None:
        """Spread between trials: sample SD over mean, in %; None below two trials."""
        if len(self.trials_uv) < 2:
            return None
        return float(100 * np.std(self.trials_uv, ddof=1) / np.mean(self.trials_uv))


@dataclass(frozen=True)
class Reference:
    """What %MVC means in a result.

    Attributes
    ----------
    levels
        One for each scored channel that has a reference.
    amplitude
        Whether the levels are RMS or mean rectified µV.
    statistic
        How a trial became a number, in words.
    origin
        Where the clench was made, in words.
    placement
        Whether the electrodes and recorder were those of the night.
    teeth
        ``"natural teeth"``, ``"not stated"`` or which appliance was in.
    """

    levels: tuple[Level, ...]
    amplitude: Amplitude
    statistic: str
    origin: str
    placement: Placement = "not stated"
    teeth: str = "not stated"
    notes: tuple[Note, ...] = field(default=())

    def level(self, label: str) -> Level | None:
        """Reference of one channel, None where it has none."""
        return next((level for level in self.levels if level.label == label), None)


def given(
    labels: Sequence[str],
    mvc_uv: float | Mapping[str, float],
    *,
    rest_uv: float | Mapping[str, float] | None = None,
    amplitude: Amplitude = "rms",
) -> Reference:
    """A reference from stated values.

    Parameters
    ----------
    labels
        Scored channels.
    mvc_uv, rest_uv
        One value for all, or one a label.

    Raises
    ------
    ReferenceLevelError
        A value that is not positive, a label that is not scored, a channel without a value.
    """
    mvc = _by_label(labels, mvc_uv, "MVC")
    rest = {} if rest_uv is None else _by_label(labels, rest_uv, "rest level")
    missing = [label for label in labels if label not in mvc]
    if missing:
        raise ReferenceLevelError(
            f"no MVC is given for channel {missing[0]!r}; give --mvc-uv {missing[0]}=VALUE, "
            "or leave the channel out with --channel"
        )
    levels = tuple(Level(label, mvc[label], rest.get(label)) for label in labels)
    notes = [
        Note(
            "reference-placement-unknown",
            "warning",
            "it is not stated whether the reference clench was made with the same electrodes and "
            "recorder; electrodes placed anew change the gain",
        )
    ]
    if not isinstance(mvc_uv, Mapping) and len(labels) > 1:
        notes.append(
            Note("one-mvc-for-all", "warning",
                 f"one MVC value, {mvc_uv:g} µV, was used for {len(labels)} channels")
        )  # fmt: skip
    notes += _plausible(levels)
    return Reference(levels, amplitude, "as given", "value given by the user", notes=tuple(notes))


def _by_label(
    labels: Sequence[str], value: float | Mapping[str, float], what: str
) -> dict[str, float]:
    table = dict.fromkeys(labels, float(value)) if not isinstance(value, Mapping) else {}
    for label, number in value.items() if isinstance(value, Mapping) else ():
        same = [known for known in labels if known.casefold() == label.casefold()]
        table[label if label in labels or len(same) != 1 else same[0]] = float(number)
    for label, number in table.items():
        if label not in labels:
            raise ReferenceLevelError(
                f"a {what} is given for channel {label!r}, which is not scored; scored are "
                + ", ".join(labels)
            )
        if not (np.isfinite(number) and number > 0):
            raise ReferenceLevelError(
                f"the {what} of channel {label!r} is {number:g} µV; it must be above 0"
            )
    return table


def _plausible(levels: Sequence[Level]) -> list[Note]:
    """Notes on values that look like a slip of unit."""
    low, high = PLAUSIBLE_MVC_UV
    notes = []
    for level in levels:
        if not low <= level.mvc_uv <= high:
            notes.append(
                Note(
                    "mvc-implausible",
                    "warning",
                    f"the MVC of {level.label} is {level.mvc_uv:g} µV; surface EMG of a jaw muscle "
                    "reads some 150-400 µV RMS (Ferrario 1993 and others), so check unit and gain",
                )
            )
        if level.rest_uv is not None and level.mvc_uv < LEAST_RATIO_TO_REST * level.rest_uv:
            notes.append(
                Note(
                    "mvc-near-rest",
                    "warning",
                    f"the MVC of {level.label} is only {level.mvc_uv / level.rest_uv:.1f} times its "
                    "resting level",
                )
            )
    return notes


def teeth_of(text: str) -> str:
    """What a clench mark says was between the teeth.

    Examples
    --------
    >>> teeth_of("Clench natural teeth"), teeth_of("MVC 2"), teeth_of("Clench with splint")
    ('natural teeth', 'not stated', 'splint')
    """
    plain = text.strip().casefold()
    if "natural" in plain:
        return NATURAL
    _, found, rest = plain.partition("with ")
    return rest.strip() or NOT_STATED if found else NOT_STATED


def marked_clenches(
    marks: Sequence[Mark],
    *,
    before_s: float | None = None,
    night_s: tuple[float, float] | None = None,
) -> tuple[list[tuple[float, float]], str]:
    """(start, stop) of the clenches that marks name, and what was between the teeth.

    Clenches with an appliance in are left out. With two or more before ``before_s`` only those
    count: the clenches of the evening, not the repetition on waking. Marks inside ``night_s`` name what
    happened in the night, not a reference.
    """
    clenches = [
        m
        for m in marks
        if classify(m.text) == "clench"
        and m.duration_s > 0
        and teeth_of(m.text) in (NATURAL, NOT_STATED)
        and not (night_s is not None and night_s[0] <= m.start_s < night_s[1])
    ]
    evening = [m for m in clenches if before_s is not None and m.start_s < before_s]
    if len(evening) >= 2:
        clenches = evening
    words = {teeth_of(m.text) for m in clenches}
    teeth = NATURAL if words == {NATURAL} else NOT_STATED
    return [(m.start_s, m.start_s + m.duration_s) for m in clenches], teeth


def unused_clenches(marks: Sequence[Mark]) -> str:
    """Why marks that name a clench give no reference; empty where there is no such mark."""
    clenches = [m for m in marks if classify(m.text) == "clench"]
    if not clenches:
        return ""
    timeless = sum(m.duration_s <= 0 for m in clenches)
    other = sum(teeth_of(m.text) not in (NATURAL, NOT_STATED) for m in clenches)
    why = [f"{len(clenches)} mark(s) name a clench"]
    if timeless:
        why.append(f"{timeless} without a duration")
    if other:
        why.append(f"{other} with an appliance in")
    return (
        f"{', '.join(why)}: two with a duration, on natural teeth, are needed for a reference, so none "
        "was taken from them"
    )


def marked_rests(
    marks: Sequence[Mark], *, before_s: float | None = None
) -> list[tuple[float, float]]:
    """(start, stop) of the resting stretches that marks name; those before ``before_s`` where any is."""
    rests = [m for m in marks if classify(m.text) == "rest" and m.duration_s > 0]
    evening = [m for m in rests if before_s is not None and m.start_s < before_s]
    return [(m.start_s, m.start_s + m.duration_s) for m in evening or rests]


def best_second_uv(
    frames: ChannelFrames, span: tuple[int, int], amplitude: Amplitude
) -> float | None:
    """Highest level over any one second of a span of frames, in µV; None below one known second."""
    source = frames.energy if amplitude == "rms" else frames.rectified
    part: NDArray[np.float64] = source[span[0] : span[1]].astype(np.float64)
    n = frames.grid.slots_for(1)
    if len(part) < n:
        return None
    means = np.lib.stride_tricks.sliding_window_view(part, n).mean(axis=1)
    if np.isnan(means).all():
        return None
    best = float(np.nanmax(means))
    return float(np.sqrt(best)) if amplitude == "rms" else best


def rest_uv(frames: ChannelFrames, spans: Spans, amplitude: Amplitude) -> float | None:
    """Level over all frames of the spans together, in µV; None where none is known."""
    source = frames.energy if amplitude == "rms" else frames.rectified
    part = source[spans.mask()].astype(np.float64)
    part = part[~np.isnan(part)]
    if not len(part):
        return None
    return float(np.sqrt(part.mean()) if amplitude == "rms" else part.mean())


def from_clenches(
    channels: Sequence[ChannelFrames],
    clenches_s: Sequence[tuple[float, float]],
    rests_s: Sequence[tuple[float, float]] = (),
    *,
    amplitude: Amplitude = "rms",
    origin: str,
    placement: Placement,
    teeth: str = "natural teeth",
) -> Reference:
    """A reference from marked clenches: mean over trials of the best one-second level.

    Parameters
    ----------
    clenches_s, rests_s
        (start, stop) of each marked clench and resting stretch, in seconds of the night clock.

    Raises
    ------
    ReferenceLevelError
        Fewer than two usable clenches, trials that spread by more than 30 %, a clench below three
        times rest, or a clipped one.
    """
    levels, notes = [], []
    for frames in channels:
        level = _measure(frames, clenches_s, rests_s, amplitude)
        cv = level.cv_pct
        if cv is not None and cv > REFUSE_CV_PCT:
            raise ReferenceLevelError(
                f"the clenches of {level.label} spread by {cv:.0f} % (at most {REFUSE_CV_PCT:.0f} % "
                "is allowed); repeat the reference clenches"
            )
        if cv is not None and cv > WARN_CV_PCT:
            notes.append(
                Note("mvc-spread", "warning",
                     f"the clenches of {level.label} spread by {cv:.0f} % (CV), more than "
                     f"{WARN_CV_PCT:.0f} %")
            )  # fmt: skip
        levels.append(level)
    return Reference(
        tuple(levels), amplitude, "mean over trials of the best 1-s level", origin, placement, teeth,
        tuple(notes + _plausible(levels)),
    )  # fmt: skip


def _measure(
    frames: ChannelFrames,
    clenches_s: Sequence[tuple[float, float]],
    rests_s: Sequence[tuple[float, float]],
    amplitude: Amplitude,
) -> Level:
    label, grid = frames.channel.label, frames.grid
    trials = [
        best_second_uv(frames, (grid.nearest(a), grid.nearest(b)), amplitude) for a, b in clenches_s
    ]
    found = tuple(t for t in trials if t is not None)
    if len(found) < 2:
        raise ReferenceLevelError(
            f"channel {label!r} has {len(found)} usable marked clench(es) of at least 1 s; two are "
            "needed: mark them, repeat them, or give --mvc-uv"
        )
    spans = Spans.of(grid, [(grid.nearest(a), grid.nearest(b)) for a, b in rests_s])
    rest = rest_uv(frames, spans, amplitude)
    mvc = float(np.mean(found))
    if mvc <= 0:
        raise ReferenceLevelError(
            f"the clenches of {label!r} hold no signal; check the electrode and repeat them"
        )
    if rest is not None and mvc < LEAST_RATIO_TO_REST * rest:
        raise ReferenceLevelError(
            f"the clenches of {label!r} reach only {mvc / rest:.1f} times rest "
            f"({LEAST_RATIO_TO_REST:.0f} times is the least); check the electrodes and repeat"
        )
    clipped = [
        frames.stat("at_rail")[grid.nearest(a) // frames.frames_per_block :
                               grid.nearest(b) // frames.frames_per_block + 1].sum()
        for a, b in clenches_s
    ]  # fmt: skip
    if any(n > 0 for n in clipped):
        raise ReferenceLevelError(
            f"a reference clench of {label!r} is clipped; lower the recorder's gain and repeat"
        )
    return Level(label, mvc, rest, found)
