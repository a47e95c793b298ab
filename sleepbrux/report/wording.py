"""The sentences of a page: fixed ones, and those that a night fills in."""

from __future__ import annotations

from typing import NamedTuple

from sleepbrux.archive.journal import scoring_words
from sleepbrux.core.printed import hours_text
from sleepbrux.core.version import __version__
from sleepbrux.criteria import Criterion
from sleepbrux.report.numbers import count_of, listed, plain, text, with_unit
from sleepbrux.scoring.distributions import details
from sleepbrux.scoring.lost_time import rate_range
from sleepbrux.scoring.night import REPLACED, Night
from sleepbrux.scoring.uncertainty import TOO_FEW
from sleepbrux.signal.envelope import odd_frames
from sleepbrux.signal.filters import band_edges_hz
from sleepbrux.signal.quality import REASONS

NOT_REVIEWED = "Automatic scoring, not reviewed; a review has a page of its own"


def banner(night: Night) -> str:
    """Which scoring a page shows, how much of it a reader changed, and by which rules if by others."""
    said = scoring_words(night) or NOT_REVIEWED
    replaced = replaced_text(night)
    return f"{said}. {replaced}" if replaced else said


def replaced_text(night: Night) -> str:
    """That another rule set was used than the one meant, and why, in a sentence; empty where it was not."""
    text = next((note.text for note in night.notes if note.code == REPLACED), "")
    return f"{text[0].upper()}{text[1:]}." if text else ""


class Caution(NamedTuple):
    """One fixed caution: what it is about, its text, and where it comes from."""

    about: str
    text: str
    source: str


CAUTIONS = (
    Caution(
        "Who decides",
        "A licensed clinician reads this page together with the person's history and findings; licensed "
        "practice and local rules come before anything that stands here.",
        "",
    ),
    Caution(
        "EMG alone counts too much",
        "EMG without sleep staging, audio and video cannot tell tooth grinding from swallowing, "
        "talking, movement or wakefulness. Against polysomnography with audio and video, ambulatory "
        "EMG missed almost nothing (sensitivity 0.99), but fewer than a quarter of its events were "
        "confirmed (positive predictive value 0.23); 72 % of the others lay in transient waking. "
        "Counts from EMG alone and from polysomnography with audio and video hardly agreed "
        "(ICC below 0.10).",
        "Yamaguchi 2012, doi:10.1111/j.1365-2842.2011.02232.x; Miettinen 2020, "
        "doi:10.1007/s11325-019-01915-2",
    ),
    Caution(
        "Cut-offs of the sleep laboratory do not apply",
        "Published cut-offs were made with polysomnography, most of them with audio and video. In one "
        "study of 20 people a single EMG channel needed a cut-off of its own (5.5 episodes/h where "
        "polysomnography had 2). The 2018 consensus asks for activity to be described on a continuum, "
        "without a cut-off for presence or absence; the later update speaks of device-based "
        "assessment.",
        "J Prosthodont Res 2019, doi:10.1016/j.jpor.2019.04.003; Lobbezoo 2018, PMC6287494; "
        "Verhoeff et al., J Oral Rehabil 2025",
    ),
    Caution(
        "What the hours are",
        "Rates are per hour of the stated window: sleep was not staged, its hours are not known, and "
        "time awake inside the window counts.",
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
        "Snoring, sleepiness or witnessed pauses in breathing: a sleep physician first, before any "
        "splint. In a trial of 10 people an upper occlusal splint raised the apnoea-hypopnoea index "
        "on average from 15.9 to 17.4 per hour.",
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
        "they itch or burn. Daily gel pads on the face reddened or inflamed the skin of 53 % of "
        "wearers within 30 days. Battery-powered recorder only, never while charging or connected to "
        "mains equipment.",
        "Phillips 2020",
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


# Notes that belong into the third sentence itself.
LIMITS = {
    "lights-unknown": "no lights marks are known, so the whole recording counts",
    "few-valid-hours": "fewer valid hours than the rules ask for, so the rate may be far off",
    "mvc-implausible": "the level of the clench is implausible",
    "threshold-near-rest": "the threshold lies near the resting level",
    "channel-left-out": "a channel was left out",
    "side-lost": "one side was lost for part of the night",
}

PLACEMENT_WORDS = {
    "same electrodes": "with the electrodes and recorder of the night",
    "other placement": "with electrodes placed at another time",
    "not stated": "not stated whether with the electrodes and recorder of the night",
}

BRIEF_REASONS = {
    "missing": "not recorded",
    "settling": "settling",
    "flat": "no change",
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


def _count(night: Night, name: str) -> int:
    return int(night.measures[name].value or 0)


def _hours(night: Night, name: str) -> str:
    whole = hours_text(night.measures[name].value)
    return whole.removeprefix("0 h ").removeprefix("0") if whole.startswith("0 h ") else whole


def _unit(night: Night) -> str:
    units = {f.channel.unit for f in night.swept.frames}
    return "µV" if units == {"uV"} else "units of the channel"


def _lacking(night: Night) -> str:
    """What the night did not have of sleep staging, audio and video."""
    surroundings = night.swept.surroundings
    words = [
        *(["sleep staging"] if surroundings.stages is None else []),
        *(["audio"] if surroundings.sound is None else []),
    ]
    return f"{', '.join(words)} or video" if words else "video"


def _what_was_found(night: Night) -> str:
    index = night.measures["episodes_per_hour"]
    if index.value is None:
        return (
            f"No index can be given ({index.reason}): the stated window is "
            f"'{night.window.basis}', scored by the rules {night.criterion.id}."
        )
    n = _count(night, "episode_count")
    parts = []
    for kind in ("phasic", "tonic", "mixed"):
        measure = night.measures[f"{kind}_episodes_per_hour"]
        if measure.value is not None:
            parts.append(f"{kind} {text(measure.value, '1/h')}")
    kinds = f" ({', '.join(parts)})" if parts else ""
    drawn = next((i for i in index.intervals if i.name == "scaled_counting"), None)
    sure = (
        f", 95 % interval {text(drawn.low, '1/h')}-{text(drawn.high, '1/h')} ({drawn.meaning})"
        if drawn
        else f", {TOO_FEW}"
        if any(TOO_FEW in i.meaning for i in index.intervals)
        else ""
    )
    return (
        f"By the rules {night.criterion.id}, {count_of(n, 'episode')} of jaw-muscle activity "
        f"began in {_hours(night, 'valid_hours')} of valid recording: {text(index.value, '1/h')} per "
        f"hour of the stated window '{night.selection.basis}'{kinds}{sure}; a count of EMG activity, "
        f"without {_lacking(night)}, and neither a count of tooth grinding nor a "
        "statement about a disorder."
    )


def _what_it_stands_on(night: Night) -> str:
    labels = [f.channel.label for f in night.swept.frames]
    hours = f"{_hours(night, 'valid_hours')} valid of {_hours(night, 'analysed_hours')} in the window"
    channels = f"{count_of(len(labels), 'channel')} ({listed(labels)})"
    if night.criterion.threshold.times_background is not None and not night.criterion.needs_mvc:
        level = (
            f"a threshold of {plain(night.criterion.threshold.times_background)} times the running background"
        )
    else:
        level = f"a threshold in % MVC and its reference ({reference_text(night)})"
    return f"It stands on {channels}, {hours}, and {level}."


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


def sides_text(night: Night) -> str:
    """How far the channels agree, in a sentence or two; empty with one channel or no burst."""
    sides = details(night).sides
    if sides.shared_pct is None:
        return ""
    text = f"Every channel took part in {plain(round(sides.shared_pct))} % of the counted bursts."
    if sides.asymmetry_pct is not None:
        text += (
            f" Median peaks differ by {plain(round(sides.asymmetry_pct))} %, as (left - right) / "
            "(left + right); a difference between sides also follows from electrodes and clench."
        )
    return text


def _time_awake(night: Night) -> str:
    """What becomes of events in wake."""
    if night.swept.surroundings.stages is None:
        return "time awake inside the window counts, as sleep was not staged"
    if night.criterion.context.wake == "drop_scored":
        return "scored wake is left out, wakings shorter than an epoch are not"
    return "time awake inside the window counts, though sleep was staged"


def cautions(night: Night) -> tuple[Caution, ...]:
    """The cautions of a page: fixed, but for what the hours are where sleep was staged."""
    if night.swept.surroundings.stages is None:
        return CAUTIONS
    staged = (
        "Rates are per hour of scored sleep inside the stated window, and as right as its staging; wakings "
        "shorter than an epoch count as sleep."
        if night.criterion.context.wake == "drop_scored"
        else "Rates are per hour of the stated window, time awake included, unless a line says per hour of "
        "sleep: those rest on the stages that the night came with."
    )
    return tuple(c._replace(text=staged) if c.about == "What the hours are" else c for c in CAUTIONS)


def _what_limits_it(night: Night) -> str:
    limits = [_time_awake(night)]
    codes = {note.code for note in night.notes}
    limits += [words for code, words in LIMITS.items() if code in codes]
    excluded = night.measures["excluded_hours"].value or 0.0
    if excluded * 60 >= 1:
        longest = max(
            (
                (s.duration_s, reason, f.channel.label)
                for f, q in zip(night.swept.frames, night.quality, strict=True)
                for reason, s in q.faults.items()
            ),
            default=(0.0, "", ""),
        )
        cause = f" (longest: {reason_words(longest[1])}, {longest[2]})" if longest[1] else ""
        limits.append(f"{_hours(night, 'excluded_hours')} of the window could not be scored{cause}")
    if len(night.swept.frames) == 1:
        limits.append("one channel shows one side only")
    reference = night.reference
    if reference is not None and reference.placement != "same electrodes":
        limits.append(f"electrodes of the reference clench: {reference.placement}")
    if reference is not None and not reference.confirmed:
        limits.append("the reference clenches are unconfirmed")
    if reference is not None and not reference.natural:
        limits.append(f"the reference clench was made with {reference.teeth} in")
    limits.append("it is one night")
    warnings = sum(note.severity == "warning" for note in night.notes)
    told = f"; {count_of(warnings, 'warning')} below" if warnings else ""
    return f"What limits it: {'; '.join(limits)}{told}."


def reading(night: Night) -> tuple[str, str, str]:
    """The reading in three sentences: what was found, what it stands on, what limits it."""
    first = " ".join(filter(None, (replaced_text(night), _what_was_found(night))))
    return first, _what_it_stands_on(night), _what_limits_it(night)


def moved_by_lost_time(night: Night) -> str:
    """How far lost time could move the rate, in a sentence; empty where that is not known."""
    found = rate_range(night.measures)
    return found.sentence if found else ""


def _band(night: Night) -> str:
    bands = dict.fromkeys((float(f.channel.rate), *band_edges_hz(f.channel.rate)) for f in night.swept.frames)
    return listed([f"{low:g}-{high:g} Hz at {rate:g} samples a second" for rate, low, high in bands])


def _amplitude(night: Night) -> str:
    rule = night.criterion.envelope
    sizes = dict.fromkeys(
        (odd_frames(rule.window_s, f.grid.slot_s), float(f.grid.slot_s)) for f in night.swept.frames
    )
    kind = "root mean square" if night.amplitude == "rms" else "mean rectified value"
    windows = listed([f"{n} frames ({n * slot:.3g} s)" for n, slot in sizes])
    return f"Amplitude is the {kind} over a moving window of {windows}"


def _threshold(night: Night) -> str:
    rule = night.criterion.threshold
    verb = "above" if rule.comparison == ">" else "at or above"
    levels = ", ".join(
        f"{label} {text(value)}" for label, value in night.threshold_uv.items() if value is not None
    )
    if rule.times_background is not None:
        floor = f", at least {plain(rule.floor_pct_mvc)} % MVC" if rule.floor_pct_mvc is not None else ""
        level = f"{plain(rule.times_background)} times the running background{floor} (median over"
        level += f" the night, {_unit(night)}: {levels or 'unknown'})"
    else:
        level = f"{plain(rule.level_pct_mvc)} % MVC ({_unit(night)}: {levels or 'unknown'})"
    test = "" if rule.test == "crossing" else f", and its {rule.test} does so too"
    release = (
        ""
        if rule.release_ratio == 1
        else f"; it lasts until the envelope falls below {plain(rule.release_ratio)} of that"
    )
    return f"A burst is a stretch in which it lies {verb} {level}{test}{release}"


def _bursts(rules: Criterion) -> str:
    burst = rules.burst
    edges = (
        "its edges are re-estimated from the frames"
        if rules.envelope.edges == "corrected"
        else "its edges are the crossings"
    )
    least = f"{plain(burst.minimum_s)} s{' or more' if burst.minimum_inclusive else ' exceeded'}"
    kinds = f", phasic up to {plain(burst.phasic_maximum_s)} s and tonic beyond" if burst.types else ""
    return f"{edges}, dips of at most {plain(burst.bridge_s)} s are closed, and it lasts {least}{kinds}"


def _episodes(rules: Criterion) -> str:
    episode = rules.episode
    kinds = {
        "one_of_each": "one of each kind or more make a mixed episode",
        "phasic_minimum": "a tonic burst beside a phasic part that suffices alone makes a mixed one",
        "tonic_flagged": "a tonic burst beside phasic ones makes a tonic episode, flagged",
    }[episode.mixed]
    least = count_of(episode.minimum_phasic_bursts, "phasic burst")
    made = f"{least} or more make a phasic episode, one tonic burst a tonic one; {kinds}"
    if not rules.burst.types:
        made = f"{count_of(episode.minimum_phasic_bursts, 'burst')} or more make an episode"
    regular = (
        f", onsets {plain(episode.regular_minimum_s)}-{plain(episode.regular_maximum_s)} s apart"
        if episode.regular
        else ""
    )
    pause = "or more" if episode.gap_inclusive else "exceeded"
    clock = episode.gap_clock.replace("_", " ")
    free = episode.gap_free_of.replace("_", " ")
    return (
        f"A pause of {plain(episode.gap_s)} s {pause} ({clock}, free of {free}) separates episodes; "
        f"{made}{regular}"
    )


def _surroundings(rules: Criterion) -> list[str]:
    """Sentences on what the rules ask of the surroundings of an event; none where they ask nothing."""
    out = []
    heart = rules.heart_rate
    if heart is not None:
        least = "more than" if heart.comparison == ">" else "at least"
        over = (
            "the mean rate of the window"
            if heart.baseline == "night_mean"
            else f"the median of the {plain(heart.baseline_s)} s that end {plain(heart.baseline_gap_s)} s "
            "before"
        )
        out.append(
            f"An event counts only where the heart rate in the {plain(heart.within_s)} s before its onset "
            f"rises {least} {plain(heart.rise_pct)} % over {over}; time without a trusted heart rate is "
            "taken out of the hours."
        )
    if rules.context.wake == "drop_scored":
        out.append("Events that begin outside scored sleep, and that time, are left out.")
    if rules.context.wake == "drop_probable":
        out.append(
            "Events that begin while probably awake are left out: by the ECG or the accelerometer, by both where the "
            "night has both, and in scored wake where stages are scored."
        )
    if rules.context.movement == "drop":
        share = plain(100 * rules.context.movement_share)
        out.append(f"Events of which {share} % or more lie in a body movement are left out.")
    return out


def method(night: Night) -> str:
    """The method paragraph, filled in from the night."""
    labels = [f.channel.label for f in night.swept.frames]
    sides = {
        "any": "an event counts where any scored channel shows it",
        "both": "an event counts only where every scored channel shows it at once",
        "mean": "the mean of the channels was scored",
    }[night.criterion.sides.combine]
    frames = listed(
        [f"{1000 * s:.4g} ms" for s in dict.fromkeys(float(f.grid.slot_s) for f in night.swept.frames)]
    )
    return " ".join(
        (
            f"Surface EMG ({listed(labels)}), recorded without attendance and without {_lacking(night)}, "
            f"was scored by sleepbrux {__version__} with the rules {night.criterion.id}.",
            "Each channel was band-passed (causal Butterworth, fourth-order high-pass and second-order "
            f"low-pass, {_band(night)}) and kept as mean square and mean rectified value per frame of "
            f"{frames}.",
            f"{_amplitude(night)}.",
            f"{_threshold(night)}; {_bursts(night.criterion)}.",
            f"{_episodes(night.criterion)}.",
            f"With several channels, {sides}.",
            *_surroundings(night.criterion),
            f"The analysed window is '{night.window.basis}', clenches and synchronisation marks left "
            "out by 60 s either way; time in which a scored channel is missing or unusable is taken "
            "out of the hours. An episode belongs where its onset was seen, its bursts follow it, and a "
            "single burst belongs where its own onset was seen. What was active already when lost time ended "
            "is not counted. In lost time the clock of a pause stands still; lost time as long as the pause "
            "ends an episode.",
            f"Reference: {reference_text(night)}.",
        )
    )
