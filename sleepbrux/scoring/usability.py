"""The morning after: can this recording be read, and if not, what to do before the next night.

A word about the recording, never about the person: it says nothing of how much activity there was.

One rule (our choice): a night is to be *repeated* where no side, taken alone, has the valid hours that the
rules ask for. It is *usable with limits* where something else was found, and *usable* where nothing was. So a
side that is lost for longer never makes a better night.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import reduce
from pathlib import Path
from typing import Literal

from sleepbrux.core.errors import ReferenceLevelError, SleepbruxError
from sleepbrux.core.printed import hours_text
from sleepbrux.core.spans import Spans
from sleepbrux.core.texts import count_of
from sleepbrux.criteria import DEFAULT_WITHOUT_MVC_ID
from sleepbrux.recording.marks import classify
from sleepbrux.recording.window import LIGHTS_UNKNOWN
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.request import Request, score_file, study_request
from sleepbrux.scoring.without_doubtful import LEVELS, doubted
from sleepbrux.signal.doubtful_activity import DOUBTS
from sleepbrux.signal.quality import REASONS
from sleepbrux.study.file import load_study
from sleepbrux.study.files import find_file

Verdict = Literal["usable", "usable with limits", "repeat"]
Cause = Literal["electrode", "missing clench", "clock", "battery", "recording", "mains", "interference"]
LEAST_SHARE = 0.9
NEARLY_WHOLE_H = 0.5
FAULT_MINUTES = 15
CLIPPED_S = 30
DAY_H = (9, 19)
CLOCK_NOTES = {"dates-differ", "record-times-backward"}
LIGHTS_NOTES = {"lights-several", "lights-order", "lights-mark-misspelt"}

ELECTRODE = ("contact_lost", "movement", "spikes", "flat", "rail", "gain_step")
FIX_ELECTRODE = (
    "clean and dry the skin, use fresh electrodes, press them on for half a minute, tape the cable to "
    "the cheek with a slack loop, and look at the signal during a clench before sleep"
)
FIX_GAIN = "switch off automatic gain or range on the recorder, and renew the electrodes"
FIX_CLENCH = (
    "before sleep record a rest and three maximal clenches of 3 s on natural teeth, each marked "
    "('Clench') with its duration, or state the level (`mvc_uv`); 'sleepbrux reference' looks for "
    "clenches that were made and not marked"
)
FIX_MARKS = "mark lights off and lights on, once each, or state the times (`window`), for this night too"
FIX_CLOCK = "set date and time of the recorder before the night, and check them the morning after"
FIX_BATTERY = "charge or replace the battery and free the memory before the next night"
FIX_GAP = f"{FIX_BATTERY}; a recorder that sends by radio stays near its receiver"
FIX_SHARED = (
    "record on battery, away from chargers, phones and anything that sends by radio, with fresh electrodes on both "
    "sides and the microphone's cable apart from theirs; if it comes again at a fixed pace, ask the maker of "
    "the recorder"
)
FIX_MAINS = (
    "keep chargers, lamps and extension leads away from the bed and the recorder on its battery, and "
    "renew the reference electrode"
)


@dataclass(frozen=True)
class NightFinding:
    """One thing that limits a recording.

    Attributes
    ----------
    cause
        What it comes down to.
    text
        What was found.
    remedy
        What to do before the next night.
    fatal
        Whether it alone means that the night should be recorded again.
    """

    cause: Cause
    text: str
    remedy: str
    fatal: bool = False


@dataclass(frozen=True)
class UsabilityVerdict:
    """The answer for one recording.

    Attributes
    ----------
    name
        Of the recording, or the night's id in its study.
    verdict
        None where there is no recording to judge: a file that is not there, a study file at fault.
    valid_hours, window_hours
        None where the recording could not be read.
    input_sha256
        Digest of the recording; empty where it could not be read.
    """

    name: str
    verdict: Verdict | None
    valid_hours: float | None
    window_hours: float | None
    findings: tuple[NightFinding, ...]
    input_sha256: str = ""


def _electrodes(night: Night, *, short: bool) -> list[NightFinding]:
    """Channels that lost time to their electrode."""
    found = []
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        window = night.window.on(frames.grid)
        taken = {
            reason: (quality.faults[reason] & window).duration_s / 60
            for reason in ELECTRODE
            if reason in quality.faults
        }
        lost = reduce(Spans.__or__, (quality.faults[r] for r in taken), frames.grid.none()) & window
        minutes = lost.duration_s / 60
        if minutes < FAULT_MINUTES:
            continue
        most = max(taken, key=lambda reason: taken[reason])
        found.append(
            NightFinding(
                "electrode",
                f"{frames.channel.label}: {hours_text(minutes / 60)} of the window could not be scored, most of "
                f"it for one reason: {REASONS[most]} ({hours_text(taken[most] / 60)})",
                FIX_GAIN if most == "gain_step" else FIX_ELECTRODE,
                fatal=short and minutes * 60 >= 0.1 * window.duration_s,
            )
        )
    return found


def _clipping(night: Night) -> list[NightFinding]:
    found = []
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        seconds = (quality.clipped & quality.usable).duration_s
        if seconds >= CLIPPED_S:
            found.append(
                NightFinding(
                    "recording",
                    f"{frames.channel.label}: {seconds:.0f} s touch the end of the converter's range; "
                    "amplitudes there are 'at least'",
                    "choose a larger range or a smaller gain on the recorder",
                )
            )
    return found


def _battery(night: Night, *, short: bool) -> list[NightFinding]:
    """A recording that ends, or pauses, where nobody meant it to."""
    swept, found = night.swept, []
    kinds = {classify(mark.text) for mark in swept.marks}
    gap_minutes = sum(b - a for a, b in swept.gaps) / 60
    if gap_minutes >= 1:
        found.append(
            NightFinding(
                "battery",
                f"{hours_text(gap_minutes / 60)} missing from the recording, in {count_of(len(swept.gaps), 'gap')}",
                FIX_GAP,
                fatal=short,
            )
        )
    cut = {"records-inferred", "record-cut"} & {note.code for note in swept.notes}
    ends_open = "lights_off" in kinds and "lights_on" not in kinds
    if cut or ends_open:
        how = "was not closed by the recorder" if cut else "stops without a lights-on mark"
        found.append(
            NightFinding(
                "battery",
                f"the recording ends after {hours_text(swept.duration_s / 3600)} and {how}",
                FIX_BATTERY,
                fatal=short,
            )
        )
    return found


def _clench(night: Night) -> list[NightFinding]:
    codes = {note.code: note.text for note in night.notes}
    if night.reference is None:
        why = codes.get("reference-unusable") or codes.get("clenches-not-used")
        return [
            NightFinding(
                "missing clench",
                "no usable reference clench: amplitudes in % MVC cannot be given"
                + (f" ({why})" if why else ""),
                FIX_CLENCH,
            )
        ]
    left_out = [note.text for note in night.notes if note.code == "channel-left-out"]
    return [
        NightFinding("missing clench", text, FIX_CLENCH)
        if "spread" in text
        # another channel shows the same clenches, so they were made
        else NightFinding("electrode", text, f"{FIX_ELECTRODE}; then repeat the clenches")
        for text in left_out
    ] + [
        NightFinding("missing clench", codes[code], FIX_CLENCH)
        for code in ("mvc-spread", "threshold-near-rest")
        if code in codes
    ]


def _clock(night: Night) -> list[NightFinding]:
    swept, found = night.swept, []
    if swept.start_clock is None:
        found.append(NightFinding("clock", "the time of day is not known", FIX_CLOCK))
    elif swept.start is None:
        found.append(NightFinding("clock", "the date is not known", FIX_CLOCK))
    else:
        found += [NightFinding("clock", text, FIX_CLOCK) for text in _odd_clock(night, swept.start)]
    if night.window.basis == LIGHTS_UNKNOWN:
        found.append(
            NightFinding("clock", "lights off and on are not known, so time awake counts too", FIX_MARKS)
        )
    return found + [
        NightFinding("clock", note.text, FIX_CLOCK if note.code in CLOCK_NOTES else FIX_MARKS)
        for note in night.notes
        if note.code in CLOCK_NOTES or note.code in LIGHTS_NOTES
    ]


def _odd_clock(night: Night, start: datetime) -> Iterator[str]:
    """What a recorder's clock shows that was not set, or set wrongly."""
    said = f"the recording starts on {start:%Y-%m-%d at %H:%M} by the recorder's clock"
    if start > datetime.now() + timedelta(days=1):
        yield f"{said}, which is still to come"
    elif (start.month, start.day, start.hour) == (1, 1, 0):
        yield f"{said}, where the clocks of many recorders begin that were never set"
    spans = night.window.spans_s
    if spans:
        off, on = (start + timedelta(seconds=s) for s in (spans[0][0], spans[-1][1]))
        middle = off + (on - off) / 2
        if DAY_H[0] <= middle.hour < DAY_H[1]:
            yield (
                f"the window runs from {off:%H:%M} to {on:%H:%M} by the recorder's clock, most of it "
                "in daylight hours: unless the person slept by day, the clock is wrong"
            )


def _mains(night: Night) -> list[NightFinding]:
    found = []
    for frames, quality in zip(night.swept.frames, night.quality, strict=True):
        notched = Spans.of(frames.grid, [(n.first, n.stop) for n in frames.notched])
        share = (notched & quality.usable).duration_s / max(frames.grid.duration_s, 1.0)
        if share >= 0.1:
            found.append(
                NightFinding(
                    "mains",
                    f"{frames.channel.label}: mains hum was taken out in "
                    f"{100 * share:.0f} % of the recording",
                    FIX_MAINS,
                )
            )
    return found


def _doubtful(night: Night) -> list[NightFinding]:
    """Doubtful activity, where it could change the rate."""
    found = []
    for reason, where in doubted(night.swept, night.notes).items():
        text = f"{DOUBTS[reason]} ({where}); it was counted, and could be no muscle activity"
        if reason in LEVELS:
            text = f"{DOUBTS[reason]} ({where}); the threshold may have been too high or too low there"
        shared = reason == "shared"
        found.append(
            NightFinding(
                "interference" if shared else "electrode", text, FIX_SHARED if shared else FIX_ELECTRODE
            )
        )
    return found


def _gap_hours(night: Night) -> float:
    grid = night.selection.window.grid
    gaps = Spans.of(grid, [(grid.nearest(a), grid.nearest(b)) for a, b in night.swept.gaps])
    return (gaps & night.selection.window).hours


def _alone(night: Night) -> tuple[str, float]:
    """The side that was usable longest inside the window, and for how many hours."""
    alone = {
        frames.channel.label: (quality.usable & night.window.on(frames.grid)).hours
        for frames, quality in zip(night.swept.frames, night.quality, strict=True)
    }
    label = max(alone, key=lambda k: alone[k])
    return label, alone[label]


def _one_side(night: Night, valid: float) -> NightFinding:
    """Too few hours of all sides together, enough of one."""
    label, hours = _alone(night)
    quoted = json.dumps(label, ensure_ascii=False)
    return NightFinding(
        "electrode",
        f"all sides together can be scored for {hours_text(valid)}, where the rules ask for "
        f"{night.criterion.window.minimum_valid_hours:g} h; {label} alone has {hours_text(hours)}. Score "
        f"that side alone (channels = [{quoted}], here or at the night in the study file). "
        "A night of one side is not compared with nights of both",
        FIX_ELECTRODE,
    )


def _too_short(night: Night, found: list[NightFinding], valid: float, window: float) -> NightFinding:
    """Why no side has the hours that the rules ask for."""
    least = night.criterion.window.minimum_valid_hours
    label, hours = _alone(night)
    text = f"{hours_text(valid)} can be scored; the rules ask for {least:g} h"
    if hours > valid:
        text += f"; the best side alone, {label}, has {hours_text(hours)}"
    if window < least <= night.swept.duration_s / 3600:
        text += f" (window: {hours_text(window)} of {hours_text(night.swept.duration_s / 3600)} recorded)"
        return NightFinding("clock", text, FIX_MARKS, fatal=True)
    for other in found:
        if other.fatal:
            return NightFinding(other.cause, text, other.remedy, fatal=True)
    if window - valid < NEARLY_WHOLE_H:
        return NightFinding("recording", text, "record until the morning", fatal=True)
    return NightFinding("electrode", text, FIX_ELECTRODE, fatal=True)


def after_night(night: Night, name: str = "") -> UsabilityVerdict:
    """What one scored night says of its recording: see the rule above."""
    valid = night.measures["valid_hours"].value or 0.0
    window = night.measures["analysed_hours"].value or 0.0
    least = night.criterion.window.minimum_valid_hours
    short = max(valid, _alone(night)[1]) < least
    found = [
        *_electrodes(night, short=short),
        *_battery(night, short=short),
        *_clench(night),
        *_clock(night),
        *_clipping(night),
        *_mains(night),
        *_doubtful(night),
    ]
    unseen = window - valid - _gap_hours(night)
    if short:
        found.insert(0, _too_short(night, found, valid, window))
    elif valid < least:
        found.insert(0, _one_side(night, valid))
    elif unseen > (1 - LEAST_SHARE) * window and not any(f.cause == "electrode" for f in found):
        found.append(
            NightFinding(
                "electrode",
                f"{hours_text(unseen)} of {hours_text(window)} could not be scored",
                FIX_ELECTRODE,
            )
        )
    verdict: Verdict = "repeat" if short else "usable with limits" if found else "usable"
    return UsabilityVerdict(
        name or night.swept.name, verdict, valid, window, tuple(found), night.swept.digest
    )


def unreadable(name: str, error: SleepbruxError) -> UsabilityVerdict:
    """The answer for a recording that cannot be scored at all."""
    remedy = (
        "follow what the sentence says; where it names the file, copy it from the recorder again, and "
        "repeat the night if that does not help"
    )
    found = NightFinding("recording", str(error), remedy, fatal=True)
    return UsabilityVerdict(name, "repeat", None, None, (found,))


def absent(name: str, text: str) -> UsabilityVerdict:
    """The answer where there is no recording to judge."""
    found = NightFinding("recording", text, "put the recording where it is looked for, or correct its name")
    return UsabilityVerdict(name, None, None, None, (found,))


def judge_file(path: Path, request: Request, name: str = "") -> UsabilityVerdict:
    """The answer for one file; a file that cannot be read is to be recorded again."""
    if not path.exists():
        return absent(name or path.name, f"{path.name}: there is no such file")
    try:
        try:
            return after_night(score_file(path, request), name)
        except ReferenceLevelError as error:
            found = NightFinding("missing clench", str(error), FIX_CLENCH)
            background = replace(request, criterion=DEFAULT_WITHOUT_MVC_ID, mvc_uv=None, reference=None)
            morning = after_night(score_file(path, background), name)
            others = tuple(f for f in morning.findings if f.cause != "missing clench")
            verdict: Verdict = "repeat" if morning.verdict == "repeat" else "usable with limits"
            return replace(morning, verdict=verdict, findings=(*others, found))
    except SleepbruxError as error:
        return unreadable(name or path.name, error)


def judge_study(path: Path) -> Iterator[UsabilityVerdict]:
    """The answer for each night of a study file, in its order, scored as the study says.

    Raises
    ------
    StudyError
        The study file itself cannot be read.
    """
    study = load_study(path)
    for night in study.recorded:
        try:
            file = find_file(path.parent, night.recording, f"night {night.id!r}")
            request = study_request(study, night, path.parent)
        except SleepbruxError as error:
            yield absent(night.id, str(error))
            continue
        yield judge_file(file, request, night.id)
