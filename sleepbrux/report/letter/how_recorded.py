"""How the nights of a letter were recorded: muscles, rates, reference, hours; a note in a letter's words."""

from __future__ import annotations

import re
from collections.abc import Sequence

from sleepbrux.core.printed import hours_text, lasting
from sleepbrux.recording.model import Channel
from sleepbrux.reference import NATURAL, NOT_STATED
from sleepbrux.report.letter.compared import NightsCompared
from sleepbrux.report.letter.fields import Fields
from sleepbrux.report.letter.nights import clean
from sleepbrux.report.letter.shown_nights import MOST_NAMED, ShownNight
from sleepbrux.report.letter.tables import day_of
from sleepbrux.report.numbers import count_of, listed, text
from sleepbrux.scoring.night import Night

PLACEMENTS = {
    "same electrodes": "with the electrodes and recorder of the night",
    "other placement": "with electrodes placed at another time",
    "not stated": "electrodes not stated",
}
RECORDED = {"recorder": "Recorder", "electrodes": "Electrodes", "filters": "Filters"}

_COMMANDS = re.compile(r"[:;,]?[^:;,]*?(?<![\w-])(?:--[a-z]|`[a-z]|'?sleepbrux [a-z])[^:;.]*")


def _muscle(channel: Channel) -> str:
    """Side and muscle of a channel; its neutral label where they are not known."""
    return " ".join(filter(None, (channel.side, channel.muscle))) if channel.muscle else channel.label


def _muscles(night: Night) -> dict[str, str]:
    """Words for each neutral label; the label itself where two channels would have the same words."""
    words = {f.channel.label: _muscle(f.channel) for f in night.swept.frames}
    several = {w for w in words.values() if list(words.values()).count(w) > 1}
    return {label: label if word in several else word for label, word in words.items()}


def note_sentence(said: str, night: Night) -> str:
    """A note as a letter says it: muscles for labels, no word of the command line."""
    for label, word in sorted(_muscles(night).items(), key=lambda pair: -len(pair[0])):
        said = re.sub(rf"'?(?<!\w){re.escape(label)}(?!\w)'?", word.replace("\\", r"\\"), said)
    said = re.sub(r"\bMVC\b", "maximal clench", said)
    said = _COMMANDS.sub("", clean(said)).strip(" ,;:.")
    return f"{said[:1].upper()}{said[1:]}"


def how_recorded(
    nights: Sequence[ShownNight], fields: Fields, said: NightsCompared, *, dates: bool
) -> list[str]:
    """How it was recorded, one sentence for each way in which it was done."""
    groups: dict[tuple[str, str, str], list[Night]] = {}
    for one in nights:
        groups.setdefault(_how(one.night), []).append(one.night)
    lines = [_hours(nights), *_not_compared(nights, said)]
    for (muscles, rates, reference), own in groups.items():
        of = f" ({count_of(len(own), 'night')})" if len(groups) > 1 else ""
        lines.append(f"Surface EMG at home, without attendance{of}: {muscles}, {rates} samples a second.")
        lines.append(f"Reference: {reference}{_levels(own)}.")
    lines += [
        f"{label}: {clean(getattr(fields, key))}." for key, label in RECORDED.items() if getattr(fields, key)
    ]
    if dates:
        days = sorted(day_of(one.night) for one in nights)
        lines.insert(
            1, f"Recorded on {days[0]}." if days[0] == days[-1] else f"Recorded {days[0]} to {days[-1]}."
        )
    return lines


def _how(night: Night) -> tuple[str, str, str]:
    frames, reference = night.swept.frames, night.reference
    return (
        clean(listed(list(_muscles(night).values()))),
        listed(sorted({f"{float(f.channel.rate):g}" for f in frames})),
        "none, the threshold follows the resting level"
        if reference is None
        else clean(
            f"{_clenches(reference.source, confirmed=reference.confirmed)}, {_teeth(reference.teeth)}, "
            f"{PLACEMENTS[reference.placement]}"
            f"{'' if reference.source == 'stated levels' else f', {reference.statistic}'}"
        ),
    )


def _clenches(source: str, *, confirmed: bool) -> str:
    said = {
        "own clench": "maximal clenches in the night's own recording",
        "other recording": "maximal clenches of another recording",
        "stated levels": "level of maximal clench as stated by the clinician",
    }[source]
    return said if confirmed else f"{said}, detected automatically, not confirmed"


def _teeth(teeth: str) -> str:
    return {NATURAL: "on natural teeth", NOT_STATED: "teeth not stated"}.get(teeth, f"with {teeth} in")


def _levels(nights: Sequence[Night]) -> str:
    """The level of the clench by muscle: one, or the lowest and highest of the nights."""
    found: dict[str, list[float]] = {}
    kinds = set()
    for night in nights:
        words = _muscles(night)
        for level in night.reference.levels if night.reference else ():
            kinds.add("RMS" if night.reference and night.reference.amplitude == "rms" else "mean rectified")
            if level.label in words:
                found.setdefault(words[level.label], []).append(level.mvc_uv)
    if not found:
        return ""

    def span(values: list[float]) -> str:
        low, high = (text(pick(values), "µV") for pick in (min, max))
        return low if low == high else f"{low}–{high}"

    each = [f"{clean(label)} {span(values)} µV" for label, values in found.items()]
    return f": {listed(each)} {listed(sorted(kinds))}"


def _hours(nights: Sequence[ShownNight]) -> str:
    def total(name: str) -> float:
        return sum(one.night.measures[name].value or 0.0 for one in nights)

    return (
        f"{count_of(len(nights), 'night')}, {hours_text(total('valid_hours'))} valid of "
        f"{hours_text(total('analysed_hours'))}; {lasting(3600 * total('excluded_hours'))} could not be scored."
    )


def _not_compared(nights: Sequence[ShownNight], said: NightsCompared) -> list[str]:
    """Why the table by condition holds fewer nights than were recorded; empty where it holds all."""
    names = {one.id: one.name for one in nights}
    out = [(names[i], reason) for i, reason in said.left_out if i in names]
    if not out:
        return []
    each = [f"{name} left out ({reason.partition(':')[0].rstrip('.')})" for name, reason in out[:MOST_NAMED]]
    more = [f"{len(out) - MOST_NAMED} more"] if len(out) > MOST_NAMED else []
    return [f"{len(nights) - len(out)} of them are compared: {clean(listed([*each, *more]))}."]
