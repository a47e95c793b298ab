"""What 100 % MVC and rest mean for each channel, and where that comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

import numpy as np

from sleepbrux.core.arguments import LEVELS, NONE, TEXT, check, each, one_of
from sleepbrux.core.errors import Note, ReferenceLevelError
from sleepbrux.recording.clenches import NATURAL, NOT_STATED
from sleepbrux.signal.envelope import Amplitude

Placement = Literal["same electrodes", "other placement", "not stated"]
Source = Literal["own clench", "other recording", "stated levels"]
LEAST_RATIO_TO_REST = 3.0
PLAUSIBLE_MVC_UV = (20.0, 3000.0)
POSSIBLE_MVC_UV = (
    10.0,
    5000.0,
)  # less than a factor of 1000 apart, so a slip of unit is always seen
RMS_OVER_RECTIFIED = math.sqrt(math.pi / 2)


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
        Level of each clench in µV, scaled as ``mvc_uv`` is; empty where the value was given.
    muscle, side
        As the channel's label names them; empty where it names none.
    """

    label: str
    mvc_uv: float
    rest_uv: float | None = None
    trials_uv: tuple[float, ...] = ()
    muscle: str = ""
    side: str = ""

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
    source
        The night's own clench, a clench of another recording (the chair's), or levels that were stated.
    confirmed
        False where the program found the clenches itself and they are not confirmed.
    date
        Day of the clench, where known.
    effort_pct
        Effort that was asked for; the levels are scaled from it to 100 %.

    Examples
    --------
    >>> from sleepbrux import given
    >>> given(["EMG Masseter L"], 190).level("EMG Masseter L").mvc_uv
    190.0
    """

    levels: tuple[Level, ...]
    amplitude: Amplitude
    statistic: str
    origin: str
    placement: Placement = "not stated"
    teeth: str = NOT_STATED
    notes: tuple[Note, ...] = field(default=())
    source: Source = "stated levels"
    confirmed: bool = True
    date: date | None = None
    effort_pct: float = 100.0

    def level(self, label: str) -> Level | None:
        """Reference of one channel, None where it has none."""
        return next((level for level in self.levels if level.label == label), None)

    @property
    def natural(self) -> bool:
        """False where an appliance was between the teeth."""
        return self.teeth in (NATURAL, NOT_STATED)

    @property
    def kind(self) -> str:
        """How the reference came about, in words: nights of two kinds must not be mixed.

        Neither the level nor which of several recordings it was.
        """
        parts = [self.source, self.statistic, self.amplitude, self.placement, self.teeth]
        return "; ".join(parts + ([] if self.confirmed else ["unconfirmed"]))


UNCONFIRMED = Note(
    "reference-unconfirmed",
    "warning",
    "the program found the reference clenches by itself and nobody has confirmed them: every % MVC is "
    "unconfirmed until someone looks at the picture and accepts them (sleepbrux reference)",
)
PLACEMENT_NOTES = {
    "other placement": Note(
        "reference-other-placement",
        "warning",
        "the reference clench was made with other electrodes than the night's: electrodes placed "
        "anew change the gain, and every % MVC with it",
    ),
    "not stated": Note(
        "reference-placement-unknown",
        "warning",
        "it is not stated whether the reference clench was made with the same electrodes and "
        "recorder; electrodes placed anew change the gain",
    ),
}


def teeth_note(teeth: str) -> Note:
    """What a reader must know of a clench made with an appliance in."""
    return Note(
        "reference-appliance-in",
        "warning",
        f"100 % MVC is a clench with {teeth} in the mouth, as was asked for: that is another reference "
        "than a clench on natural teeth, and where it is lower the threshold falls and the count rises",
    )


def converted(reference: Reference, to: Amplitude) -> Reference:
    """The same reference in the other kind of µV, by √(π/2), with a note that says so.

    The factor is that of Gaussian noise; a muscle's signal is near it, not on it. Nothing calls this
    unless the user asked for it.
    """
    if reference.amplitude == to:
        return reference
    factor = RMS_OVER_RECTIFIED if to == "rms" else 1 / RMS_OVER_RECTIFIED
    words = {"rms": "RMS", "rectified": "mean rectified"}
    note = Note(
        "amplitude-converted",
        "warning",
        f"the reference was stated as {words[reference.amplitude]} and converted to {words[to]} with "
        f"{factor:.3f}, the ratio of Gaussian noise, because that was asked for",
    )
    levels = tuple(
        replace(
            level,
            mvc_uv=level.mvc_uv * factor,
            rest_uv=None if level.rest_uv is None else level.rest_uv * factor,
            trials_uv=tuple(uv * factor for uv in level.trials_uv),
        )
        for level in reference.levels
    )
    statistic = f"{reference.statistic}, converted from {words[reference.amplitude]}"
    return replace(
        reference, levels=levels, amplitude=to, statistic=statistic, notes=(*reference.notes, note)
    )


def impossible(label: str, mvc_uv: float) -> str:
    """Why a level cannot be a jaw muscle's clench in µV; empty where it can."""
    low, high = POSSIBLE_MVC_UV
    if low <= mvc_uv <= high:
        return ""
    slip = mvc_uv * 1000 if mvc_uv < low else mvc_uv / 1000
    hint = (
        f"; {slip:g} µV would be plausible, so the unit may be wrong by a factor of 1000"
        if PLAUSIBLE_MVC_UV[0] <= slip <= PLAUSIBLE_MVC_UV[1]
        else ""
    )
    return (
        f"the MVC of {label!r} is {mvc_uv:.4g} µV, and {low:g} to {high:g} µV are allowed{hint}; check "
        "unit and gain"
    )


def plausibility_notes(levels: Sequence[Level]) -> list[Note]:
    """Notes on levels that are possible but odd."""
    low, high = PLAUSIBLE_MVC_UV
    notes = []
    for level in levels:
        if not low <= level.mvc_uv <= high:
            notes.append(
                Note(
                    "mvc-implausible",
                    "warning",
                    f"the MVC of {level.label} is {level.mvc_uv:g} µV; mean clenches of healthy adults "
                    "were 157–216 µV (masseter) and 162–182 µV (temporalis; Ferrario 1993), so check "
                    "unit, gain and electrodes",
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
    amplitude
        Whether these are RMS or mean rectified µV.

    Returns
    -------
    Reference

    Raises
    ------
    ReferenceLevelError
        A value that is not positive or cannot be µV, a label that is not scored, a channel without a
        value.

    Examples
    --------
    >>> given(["EMG Masseter L"], 190).levels[0].mvc_uv
    190.0
    """
    check(
        labels=(labels, each(TEXT, "a list of texts")),
        mvc_uv=(mvc_uv, LEVELS),
        rest_uv=(rest_uv, NONE | LEVELS),
        amplitude=(amplitude, one_of("rms", "rectified")),
    )
    mvc = _by_label(labels, mvc_uv, "MVC")
    rest = {} if rest_uv is None else _by_label(labels, rest_uv, "rest level")
    missing = [label for label in labels if label not in mvc]
    if missing:
        raise ReferenceLevelError(
            f"no MVC is given for channel {missing[0]!r}; give it in `mvc_uv`, "
            "or leave the channel out with `channels`"
        )
    for label, value in mvc.items():
        if why := impossible(label, value):
            raise ReferenceLevelError(why)
    levels = tuple(Level(label, mvc[label], rest.get(label)) for label in labels)
    notes = [PLACEMENT_NOTES["not stated"]]
    if not isinstance(mvc_uv, Mapping) and len(labels) > 1:
        notes.append(
            Note(
                "one-mvc-for-all",
                "warning",
                f"one MVC value, {mvc_uv:g} µV, was used for {len(labels)} channels",
            )
        )
    notes += plausibility_notes(levels)
    return Reference(levels, amplitude, "as given", "value given by the user", notes=tuple(notes))


def _by_label(labels: Sequence[str], value: float | Mapping[str, float], what: str) -> dict[str, float]:
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
            raise ReferenceLevelError(f"the {what} of channel {label!r} is {number:g} µV; it must be above 0")
    return table
