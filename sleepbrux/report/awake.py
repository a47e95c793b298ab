"""Awake or asleep, as a page and a letter tell it: what estimates it, both counts, and how far it errs."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from sleepbrux.report.figures import curve_svg
from sleepbrux.report.numbers import count_of, text
from sleepbrux.scoring.context.awake import band, by_movement, estimated, probably_awake, wake_probability_at
from sleepbrux.scoring.context.model import ASLEEP, UNKNOWN, YES, in_seconds
from sleepbrux.scoring.night import Night
from sleepbrux.signal.surroundings.model import Floats
from sleepbrux.signal.wake import AWAKE_FROM, NOT_ESTIMATED

BY_COUNTS = "accelerometer, second rule (activity counts)"
ESTIMATE = "awake or asleep by the ECG (an estimate)"
PUBLISHED_ERROR = (
    "By its makers the model agreed with scored polysomnography in 83 % of the 30-s epochs of 1,000 nights of "
    "another study (κ 0.60). It was made with nights of middle-aged and older people and tested in nobody who "
    "grinds or clenches. It sees 8.5 min at a time, so it misses wakes of a minute or two, in which most false "
    "episodes lie; and an episode that raises the heart rate can make the model say awake. Whether a count in "
    "probable sleep is nearer to the truth is not shown: in generated nights it was with few sleeping episodes "
    "and was not with many. It is a label."
)


def _onsets(night: Night) -> Floats:
    return in_seconds(night.episodes.starts[night.selection.episodes], night.episodes.grid)


def ecg_row(night: Night) -> tuple[str, str, str]:
    """The row of the table of signals: name, what the night had, what it says of the episodes."""
    found = night.swept.surroundings.wake_probability
    if found is None:
        heart = night.swept.surroundings.heart
        if heart is None:
            return ESTIMATE, "none", "nothing: no ECG says who is awake"
        why = next((note.text for note in night.notes if note.code == NOT_ESTIMATED), "")
        return (
            ESTIMATE,
            f"channel {heart.label}, of no use for this",
            why or "the archive is older than this estimate; score the recording again",
        )
    at = found.at(_onsets(night))
    told = " and ".join((", ".join(found.given[:-1]), found.given[-1]) if found.given[1:] else found.given)
    said = f"channel {found.label}; {found.model}, told {told or 'neither age, sex nor time of day'}"
    known = int((~np.isnan(at)).sum())
    awake = int((at >= AWAKE_FROM).sum())
    return (
        ESTIMATE,
        said,
        f"{awake} of {count_of(known, 'counted episode')} begin in 30 s with a probability of being awake of "
        f"{AWAKE_FROM:g} or more",
    )


def movement_count(night: Night) -> int:
    """Counted episodes that begin while the accelerometer says probably awake."""
    return int((by_movement(night.swept.surroundings, _onsets(night)) == YES).sum())


def counts_row(night: Night) -> tuple[str, str, str]:
    """The row of the second rule of the wrist: name, what the night had, what it says of the episodes."""
    found, onsets = night.swept.surroundings.wake_estimate, _onsets(night)
    if found is None:
        return BY_COUNTS, "none", "nothing"
    if not len(found.counted_known_s):
        return BY_COUNTS, found.label, "nothing: counts need a wrist sensor with 30 samples a second or more"
    own, other = (
        by_movement(night.swept.surroundings, onsets, counts=True),
        by_movement(night.swept.surroundings, onsets),
    )
    both = (own != UNKNOWN) & (other != UNKNOWN)
    return (
        BY_COUNTS,
        found.label,
        f"{int((own == YES).sum())} of {count_of(int((own != UNKNOWN).sum()), 'counted episode')} begin in a minute "
        f"awake; the two rules of the wrist differ on {int((own != other)[both].sum())} of {int(both.sum())}",
    )


def sentences(night: Night) -> list[str]:
    """Both counts with their rates and hours, the band of thresholds, and the error that is published."""
    surroundings, m = night.swept.surroundings, night.measures
    if not estimated(surroundings):
        return []
    if surroundings.stages is not None:
        if surroundings.wake_probability is None:
            return []
        at, awake = night.labels.stage[night.selection.episodes], probably_awake(surroundings, _onsets(night))
        both = (at != UNKNOWN) & (awake != UNKNOWN)
        scored = ~np.isin(at, ASLEEP)
        same = int((scored == (awake == YES))[both].sum())
        return [
            "Sleep stages are scored and come first; the estimate of who was awake changes no count here. At the "
            f"onsets of {count_of(int(both.sum()), 'episode')} with both, the two agree in {same}."
        ]
    every, asleep = m["episodes_per_hour"], m["episodes_in_probable_sleep_per_hour"]
    n = int(m["episodes_in_probable_sleep_count"].value or 0)
    total = int(m["episode_count"].value or 0)
    unknown = int(m["episodes_unknown_awake_count"].value or 0)
    known_h = text(m["awake_estimated_hours"].value, "h")
    more = f" For {count_of(unknown, 'episode')} nothing is estimated." if unknown else ""
    out = [
        f"All episodes: {total}, {text(every.value, '1/h', every.reason)} per valid hour. In probable sleep, by an "
        f"estimate: {n}, {text(asleep.value, '1/h', asleep.reason)} per valid hour of the {known_h} h for which there "
        f"is one. How long the person slept is not known.{more}"
    ]
    differ = m.get("episodes_heart_and_movement_differ_count")
    if differ is not None:
        out.append(
            "An episode counts as probably awake only where ECG and accelerometer both say so. They differ on "
            f"{int(differ.value or 0)} of the {total}."
        )
    if surroundings.wake_probability is not None:
        parts = [f"{low} from {limit:g}" for limit, low, _ in band(surroundings, _onsets(night))]
        out.append(
            f"Episodes in probable sleep by the probability from which somebody counts as awake: {'; '.join(parts)}."
        )
        out.append(PUBLISHED_ERROR)
    return out


def figure(night: Night) -> Markup | None:
    """Episodes in probable sleep over the probability from which somebody counts as awake, up to all of them."""
    surroundings, hours = night.swept.surroundings, night.measures.get("awake_estimated_hours")
    if surroundings.wake_probability is None or hours is None or not hours.value:
        return None
    limits = [k / 10 for k in range(1, 11)]  # at 1 nobody counts as awake: all episodes with an estimate
    rates = [low / hours.value for _, low, _ in band(surroundings, _onsets(night), limits)]
    return curve_svg(limits, rates, AWAKE_FROM, axis="probability from which somebody counts as awake")


def flag(night: Night, k: int) -> str:
    """What stands beside an episode: whether probably awake, and the probability at its onset; empty for neither."""
    onset = in_seconds(night.episodes.starts[[k]], night.episodes.grid)
    chance = float(wake_probability_at(night.swept.surroundings, onset)[0])
    words = ["probably awake"] if night.labels.awake[k] == YES else []
    return ", ".join([*words, *([] if np.isnan(chance) else [f"P(awake) {chance:.2f}"])])


def letter_line(night: Night) -> list[str]:
    """One line for a letter: both rates and what the second rests on; none without an estimate."""
    m = night.measures
    if "episodes_in_probable_sleep_per_hour" not in m or m["episode_count"].value is None:
        return []
    n = int(m["episodes_in_probable_sleep_count"].value or 0)
    return [
        f"Of {count_of(int(m['episode_count'].value), 'episode')}, {n} began in probable sleep, by an estimate from "
        "heart beats or movement that errs and was never tested in people who grind or clench."
    ]
