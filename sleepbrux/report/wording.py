"""The sentences of a page: fixed ones, and those that a night fills in."""

from __future__ import annotations

from typing import NamedTuple

from sleepbrux.archive.journal import scoring_words
from sleepbrux.core.printed import hours_text, lasting
from sleepbrux.core.texts import sentence
from sleepbrux.recording.window import LIGHTS_UNKNOWN
from sleepbrux.report.numbers import count_of, listed, minus, plain, text, with_unit
from sleepbrux.scoring.distributions import details
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import REPLACED, Night
from sleepbrux.scoring.rate_range import range_of
from sleepbrux.scoring.uncertainty import LEAST_EVENTS
from sleepbrux.scoring.usability import UsabilityVerdict, after_night
from sleepbrux.signal.quality import REASONS
from sleepbrux.study.file import NO_APPLIANCE

NOT_REVIEWED = "Automatic scoring, not reviewed; a review has a page of its own"


def banner(night: Night) -> str:
    """Which scoring a page shows, how much of it a reader changed, and by which rules if by others."""
    said = scoring_words(night) or NOT_REVIEWED
    replaced = replaced_text(night)
    return f"{said}. {replaced}" if replaced else said


REPLACED_BANNER = (
    "No usable reference clench: scored relative to the resting level. Do not compare it with counts in % MVC"
)


def page_banner(night: Night) -> str:
    """The banner of a page, without names of rule sets; the measures name them."""
    said = scoring_words(night) or NOT_REVIEWED
    return f"{said}. {REPLACED_BANNER}" if replaced_text(night) else said


def replaced_text(night: Night) -> str:
    """That another rule set was used than the one meant, and why, in a sentence; empty where it was not."""
    text = next((note.text for note in night.notes if note.code == REPLACED), "")
    return sentence(text)


class Caution(NamedTuple):
    """One fixed caution: what it is about, its text, and where it comes from."""

    about: str
    text: str
    source: str


CAUTIONS = (
    Caution(
        "Who decides",
        "A licensed clinician reads this page together with history and findings; licensed practice and "
        "local rules come first.",
        "",
    ),
    Caution(
        "EMG alone counts too much",
        "EMG without sleep staging, audio and video cannot tell tooth grinding from swallowing, talking, "
        "movement or wakefulness. Against polysomnography with audio and video, ambulatory EMG missed almost "
        "nothing (sensitivity 0.99), but fewer than a quarter of its events were confirmed (positive "
        "predictive value 0.23); 72 % of the others lay in transient waking.",
        "Yamaguchi 2012, doi:10.1111/j.1365-2842.2011.02232.x",
    ),
    Caution(
        "Cut-offs of the sleep laboratory do not apply",
        "None is applied: below, equal to or above one, a rate says nothing here. In one study of 20 people one EMG "
        "channel needed its own (5.5 episodes/h where polysomnography had 2). The 2018 consensus describes a "
        "continuum.",
        "J Prosthodont Res 2019, doi:10.1016/j.jpor.2019.04.003; Lobbezoo 2018, PMC6287494",
    ),
    Caution(
        "What the hours are",
        "Rates are per hour of the window named above: sleep was not recorded, so time awake counts.",
        "",
    ),
    Caution(
        "One night is one sample",
        "In home recordings the same person's index varied from night to night by about half of its "
        "mean (coefficient of variation 50.7 %).",
        "Miettinen 2018, doi:10.5664/jcsm.7278",
    ),
    Caution(
        "Breathing before a splint",
        "Snoring, sleepiness or witnessed pauses in breathing: a sleep physician first. In a trial of 10 "
        "people an upper occlusal splint raised the apnoea-hypopnoea index on average from 15.9 to 17.4 per "
        "hour.",
        "Nikolopoulou, randomised trial; doi:10.1111/jopr.13966 on co-occurrence",
    ),
    Caution(
        "Appliances",
        "Do not start, stop or change an appliance because of this report. Loose, cracked or small "
        "appliances can be swallowed or inhaled. New bite change, pain or loose teeth: stop and see "
        "the dentist.",
        "systematic review, doi:10.1186/1472-6831-8-22",
    ),
    Caution(
        "Skin",
        "No electrodes on broken or irritated skin, or with a known adhesive allergy; remove them if "
        "they itch or burn. Battery-powered recorder only, never while charging or connected to mains.",
        "Phillips 2020: daily gel pads on the face reddened the skin of 53 % of wearers within 30 days",
    ),
)

FLAG_WORDS = {
    "edge": "lost time in it, or nearer than the pause that ends an episode",
    "clipped": "a sample lies at the end of the converter's range: amplitudes are 'at least'",
    "above-200-mvc": "a peak above 200 % MVC, which is improbable",
    "phasic-bursts": "holds phasic bursts too few for the phasic rule",
    "reader": "added or changed by the reader",
    "by-rule": "made by the rules from bursts that the reader changed",
}


LIMITS = {
    "lights-unknown": "lights off and on are not known, so the whole recording counts",
    "few-valid-hours": "fewer valid hours than the rules ask for",
    "mvc-implausible": "the level of the clench is implausible",
    "threshold-near-rest": "the threshold lies near the resting level",
    "channel-left-out": "a channel was left out",
    "side-lost": "one side was lost part of the night",
    "activity-doubtful": "some activity is doubtful",
}
"""Notes that are limits of the result itself."""

PLACEMENT_WORDS = {
    "same electrodes": "with the electrodes and recorder of the night",
    "other placement": "with electrodes placed at another time",
    "not stated": "not stated whether with the electrodes and recorder of the night",
}

BRIEF_REASONS = {
    "missing": "not recorded",
    "settling": "settling",
    "flat": "no change",
    "held": "values repeated",
    "rail": "end of range",
    "contact_lost": "contact lost",
    "movement": "movement",
    "spikes": "spikes",
    "gain_step": "other gain",
    "marked_bad": "marked as bad",
}


def reason_words(reason: str) -> str:
    """Why time cannot be scored, in words."""
    return REASONS.get(reason, reason.replace("_", " "))


def _hours(night: Night, name: str) -> str:
    """Hours of the night; lost time as the table of exclusions has it."""
    value = night.measures[name].value
    return lasting(3600 * value) if name == "excluded_hours" and value is not None else hours_text(value)


def unit_word(night: Night) -> str:
    """µV, or that the channels have a unit of their own."""
    units = {f.channel.unit for f in night.swept.frames}
    return "µV" if units == {"uV"} else "units of the channel"


def lacking(night: Night) -> str:
    """What the night did not have of sleep staging, audio and video."""
    surroundings = night.swept.surroundings
    words = [
        *(["sleep staging"] if surroundings.stages is None else []),
        *(["audio"] if surroundings.sound is None else []),
    ]
    return f"{', '.join(words)} or video" if words else "video"


WINDOWS = (
    ("lights off to on", "between lights off and lights on"),
    ("lights off to lights on", "between lights off and lights on"),
    ("lights off", "from lights off to the end of the recording"),
    ("lights on", "from the start of the recording to lights on"),
    ("start and end given", "between the start and end that were given"),
    (LIGHTS_UNKNOWN, "of the whole recording, time awake included"),
)
ORIGINS = {
    " (marks in the recording)": "by marks in the recording",
    " (study file)": "as the study file gives them",
    " by the user": "",
}


def window_words(basis: str, *, origin: bool = False) -> str:
    """The denominator of a rate, as it follows "per hour" or "valid".

    Parameters
    ----------
    basis
        As `Selection.basis` names it.
    origin
        Say too where lights off and on come from.

    Examples
    --------
    >>> window_words("lights off to on (marks in the recording), scored sleep only")
    'between lights off and lights on, scored sleep only'
    >>> window_words("lights off to lights on (study file)", origin=True)
    'between lights off and lights on, as the study file gives them'
    """
    for beginning, words in WINDOWS:
        if not basis.startswith(beginning):
            continue
        rest = basis.removeprefix(beginning)
        for said, from_where in ORIGINS.items():
            if rest.startswith(said):
                more = f", {from_where}" if origin and from_where else ""
                return f"{words}{more}{rest.removeprefix(said)}"
        return words + rest
    return f"of the window: {basis}"


def condition_words(condition: str) -> str:
    """A condition of a study as people read it."""
    return "no appliance" if condition == NO_APPLIANCE else condition


VERDICTS = {
    "usable": "Usable night, no need to repeat it",
    "usable with limits": "Usable with limits, no need to repeat it",
    "repeat": "Repeat this night",
}
CAUSES = {
    "electrode": "an electrode lost contact",
    "missing clench": "no usable reference clench",
    "clock": "clock or lights uncertain",
    "battery": "recording cut short or with gaps",
    "recording": "amplitudes beyond the range of the recorder",
    "mains": "mains hum, taken out",
    "interference": "the same disturbance on both sides",
}
REMEDIES = {
    "electrode": "renew the electrodes and tape the cable with slack",
    "missing clench": "record three marked maximal clenches before sleep",
    "clock": "set the clock, and mark lights off and on",
    "battery": "charge the battery and free the memory",
    "recording": "choose a larger range on the recorder",
    "mains": "keep chargers away from the bed, renew the reference electrode",
    "interference": "keep chargers and radios away, record on battery",
}
TOO_SHORT = "record until the morning"


def verdict_words(morning: UsabilityVerdict) -> str:
    """Whether the recording can be read, and the causes where it cannot or not fully."""
    words = VERDICTS[morning.verdict or "repeat"]
    found = ["too short" if f.fatal and f.cause == "recording" else CAUSES[f.cause] for f in morning.findings]
    causes = listed(list(dict.fromkeys(found))[:2])
    return f"{words}: {causes}" if causes else words


REVIEW_NEXT = "Next: confirm or reject each episode in a review."


def review_words(what: str) -> str:
    """What a review is, and which command or click begins it; ``what``: its file, in words."""
    return (
        f"A review shows each episode in the signal, to accept or reject: sleepbrux review with {what}, or "
        '"review" under Nights in sleepbrux start.'
    )


def next_words(night: Night) -> str:
    """What to do next, in short sentences: with this night, and before the next one.

    A night that is to be repeated names the repetition; the remedies stand in full under "Quality".
    """
    morning = after_night(night)
    worst = next((f for f in morning.findings if f.fatal), next(iter(morning.findings), None))
    remedy = ""
    if worst is not None:
        remedy = TOO_SHORT if worst.fatal and worst.cause == "recording" else REMEDIES[worst.cause]
    if morning.verdict == "repeat":
        return f"Next: record the night again, {'until the morning' if remedy == TOO_SHORT else f'and {remedy}'}."
    if not len(night.selection.episodes):
        first = "Next: record more nights, as one night is one sample."
    elif night.review is None:
        first = REVIEW_NEXT
    else:
        first = "Next: compare it with this person's other nights."
    return f"{first} Before the next night: {remedy}." if remedy else first


def interval_of(measure: Measure) -> str:
    """The 95 % interval as low–high; empty where there is none to be trusted."""
    drawn = measure.own_interval
    return f"{text(drawn.low, measure.unit)}–{text(drawn.high, measure.unit)}" if drawn else ""


def widest_interval(measure: Measure) -> str:
    """``"2.1–6.9"``: the last, widest interval, even one that is too narrow; empty without one."""
    if not measure.intervals:
        return ""
    drawn = measure.intervals[-1]
    return f"{text(drawn.low, measure.unit)}–{text(drawn.high, measure.unit)}"


def rate_phrase(night: Night, *, of: str = "") -> str:
    """The rate with its denominator and interval, or why there is none; without a stop at the end.

    Parameters
    ----------
    of
        What the episodes are of, such as ``"jaw-muscle activity"``.
    """
    index = night.measures["episodes_per_hour"]
    if index.value is None:
        return f"no rate can be given: {index.reason}"
    interval = interval_of(index)
    few = "events" if len(night.selection.episodes) < LEAST_EVENTS else "valid hours"
    sure = f"95 % interval {interval}, this night only" if interval else f"too few {few} for an interval"
    rate, of = text(index.value, "1/h"), f" of {of}" if of else ""
    noun = "episode" if rate == "1.0" else "episodes"
    return f"{rate} {noun}{of} per hour {window_words(night.selection.basis)} ({sure})"


def rate_words(night: Night) -> str:
    """`rate_phrase` as a sentence."""
    said = rate_phrase(night)
    return f"{said[:1].upper()}{said[1:]}."


def count_phrase(night: Night) -> str:
    """What was counted, by kind, and in how many hours; without a stop at the end."""
    n = int(night.measures["episode_count"].value or 0)
    kinds = {k: int((night.episodes.kind[night.selection.episodes] == i).sum()) for i, k in enumerate(KINDS)}
    by_kind = ", ".join(f"{c} {k}" for k, c in kinds.items() if c and k != "unclassified")
    return (
        f"{count_of(n, 'episode')}{f' ({by_kind})' if by_kind else ''} in {_hours(night, 'valid_hours')} "
        "that could be scored"
    )


DOES_NOT_SHOW = "It does not show tooth grinding and diagnoses nothing."
NO_PROOF = f"This counts jaw-muscle activity. {DOES_NOT_SHOW}"
MOST_WORDS = 25


def _items(night: Night) -> list[str]:
    """What limits the result, the weightiest first."""
    codes = {note.code for note in night.notes}
    limits = [words for code, words in LIMITS.items() if code in codes]
    reference = night.reference
    if reference is not None and not reference.confirmed:
        limits.append("the reference clenches are not confirmed")
    if reference is not None and not reference.natural:
        limits.append(f"the reference clench was made with {reference.teeth} in")
    minutes = 60 * (night.measures["excluded_hours"].value or 0.0)
    if minutes >= 1:
        limits.append(f"{_hours(night, 'excluded_hours')} not scored")
    limits.append(_time_awake(night))
    if len(night.swept.frames) == 1:
        limits.append("one channel shows one side only")
    if reference is not None and reference.placement != "same electrodes":
        limits.append(f"reference clench {PLACEMENT_WORDS[reference.placement]}")
    return [*limits, "one night is one sample"]


def _limits(night: Night) -> tuple[list[str], list[str]]:
    """Limits that the first screen names, in at most 25 words, and the rest."""
    items = _items(night)
    shown = items
    while len(shown) > 1 and len(f"{'; '.join(shown)} and 9 more below".split()) > MOST_WORDS - 1:
        shown = shown[:-1]
    return shown, items[len(shown) :]


def limits_words(night: Night) -> str:
    """What limits the result, in one sentence of at most 25 words; the rest is counted."""
    shown, rest = _limits(night)
    return f"Limits: {'; '.join(shown)}{f'; {len(rest)} more below' if rest else ''}."


def more_limits(night: Night) -> str:
    """The limits that the first screen has not named; empty where it has named all."""
    rest = _limits(night)[1]
    return f"More limits: {'; '.join(rest)}." if rest else ""


def based_on(night: Night) -> str:
    """Channels, hours, threshold and reference, in a sentence."""
    labels = [f.channel.label for f in night.swept.frames]
    hours = f"{_hours(night, 'valid_hours')} of {_hours(night, 'analysed_hours')} in the window"
    named = night.reference is not None and len(night.reference.levels) == len(labels)
    channels = count_of(len(labels), "channel") + ("" if named else f" ({listed(labels)})")
    rule = night.criterion.threshold
    if rule.times_background is not None and not night.criterion.needs_mvc:
        level = f"a threshold of {plain(rule.times_background)} times the running background"
    else:
        level = f"a threshold in % MVC (reference: {reference_text(night)})"
    return f"Based on {channels}, {hours}, and {level}."


def reference_text(night: Night) -> str:
    """The reference in one phrase."""
    reference = night.reference
    if reference is None:
        return "no reference clench"
    levels = ", ".join(f"{v.label} {with_unit(v.mvc_uv, 'µV')}" for v in reference.levels)
    kind = "RMS" if reference.amplitude == "rms" else "mean rectified"
    return (
        f"{levels} {kind}, {reference.statistic}; {reference.origin}; "
        f"{PLACEMENT_WORDS[reference.placement]}; teeth: {reference.teeth}"
        + (f"; clench of {reference.date}" if reference.date else "")
        + ("" if reference.confirmed else "; unconfirmed: detected automatically, not confirmed")
    )


KIND_WORDS = {
    "own clench": "maximal clenches in each night's own recording",
    "other recording": "maximal clenches of another recording",
    "stated levels": "levels of maximal clench as entered",
    "as given": "",
    "not stated": "",
    "rms": "RMS",
    "rectified": "mean rectified",
    "unconfirmed": "detected automatically, not confirmed",
}


def reference_kind_words(kind: str) -> str:
    """How the references of a study's nights came about, without what nobody stated.

    Examples
    --------
    >>> reference_kind_words("stated levels; as given; rms; not stated; not stated")
    'levels of maximal clench as entered, RMS'
    """
    return ", ".join(words for part in kind.split("; ") if (words := KIND_WORDS.get(part, part)))


def sides_text(night: Night) -> str:
    """How far the channels agree, in a sentence or two; empty with one channel or no burst."""
    sides = details(night).sides
    if sides.shared_pct is None:
        return ""
    every = "both channels" if len(night.swept.frames) == 2 else "all channels"
    text = f"In {plain(round(sides.shared_pct))} % of the counted bursts {every} were active."
    if sides.asymmetry_pct is not None:
        text += (
            f" Median peaks differ by {minus(plain(round(sides.asymmetry_pct)))} % (left less right, of "
            "their sum)."
        )
    return text


def _time_awake(night: Night) -> str:
    """What becomes of events in wake."""
    if night.swept.surroundings.stages is None:
        return "sleep was not recorded, so time awake counts"
    if night.criterion.context.wake == "drop_scored":
        return "scored wake is left out, wakings shorter than an epoch are not"
    return "time awake counts, though sleep was staged"


def cautions(night: Night) -> tuple[Caution, ...]:
    """The cautions of a page: fixed, but for what the hours are where sleep was staged."""
    if night.swept.surroundings.stages is None:
        return CAUTIONS
    staged = (
        "Rates are per hour of scored sleep inside the window, and as right as its staging; wakings shorter "
        "than an epoch count as sleep."
        if night.criterion.context.wake == "drop_scored"
        else "Rates are per hour of the window named above, time awake included, unless a line says per hour of "
        "sleep: those use the stages that the night came with."
    )
    return tuple(c._replace(text=staged) if c.about == "What the hours are" else c for c in CAUTIONS)


def reading(night: Night) -> tuple[str, ...]:
    """The result in a few sentences: whether it can be read, the rate, the count, limits, what it is based on."""
    return (
        *filter(None, (replaced_text(night),)),
        f"{verdict_words(after_night(night))}.",
        rate_words(night),
        f"{count_phrase(night)}.",
        NO_PROOF,
        limits_words(night),
        next_words(night),
        based_on(night),
    )


def moved_by_lost_time(night: Night) -> str:
    """How far lost and cleaned time could move the rate, in a sentence; empty where that is not known."""
    found = range_of(night)
    return found.sentence if found else ""
