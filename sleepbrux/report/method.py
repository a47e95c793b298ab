"""The method paragraph of a page, filled in from the night."""

from __future__ import annotations

from sleepbrux.core.version import __version__
from sleepbrux.criteria import Criterion
from sleepbrux.report.numbers import count_of, listed, plain, text
from sleepbrux.report.wording import lacking, unit_word, window_words
from sleepbrux.scoring.night import Night
from sleepbrux.signal.envelope import odd_frames
from sleepbrux.signal.filters import band_edges_hz


def _band(night: Night) -> str:
    bands = dict.fromkeys((float(f.channel.rate), *band_edges_hz(f.channel.rate)) for f in night.swept.frames)
    return listed([f"{low:g}–{high:g} Hz at {rate:g} samples a second" for rate, low, high in bands])


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
        level += f" the night, {unit_word(night)}: {levels or 'unknown'})"
    else:
        level = f"{plain(rule.level_pct_mvc)} % MVC"
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
        "phasic_minimum": "a tonic burst together with a phasic part that suffices alone makes a mixed one",
        "tonic_flagged": "a tonic burst together with phasic ones makes a tonic episode, flagged",
    }[episode.mixed]
    least = count_of(episode.minimum_phasic_bursts, "phasic burst")
    made = f"{least} or more make a phasic episode, one tonic burst a tonic one; {kinds}"
    if not rules.burst.types:
        made = f"{count_of(episode.minimum_phasic_bursts, 'burst')} or more make an episode"
    regular = (
        f", onsets {plain(episode.regular_minimum_s)}–{plain(episode.regular_maximum_s)} s apart"
        if episode.regular
        else ""
    )
    pause = "or more" if episode.gap_inclusive else "exceeded"
    clock = episode.gap_clock.replace("_", " ")
    free = episode.gap_free_of.replace("_", " ")
    return (
        f"A pause of {plain(episode.gap_s)} s {pause} ({clock}, free of {free}) separates episodes: "
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


LOST_TIME = (
    "An episode counts where its onset was seen, with its bursts; a single burst where its own onset was seen. "
    "What was active already when lost time ended is not counted. In lost time the clock of a pause stands "
    "still; lost time as long as the pause ends an episode."
)
"""What every rule set does where time is lost."""


def method(night: Night) -> str:
    """The method paragraph, filled in from the night."""
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
            f"Surface EMG, recorded without attendance and without {lacking(night)}, was scored by sleepbrux "
            f"{__version__} with the rules {night.criterion.id}.",
            f"Each channel was band-passed (causal Butterworth, order 4 and 2, {_band(night)}) and kept in "
            f"frames of {frames}.",
            f"{_amplitude(night)}.",
            f"{_threshold(night)}; {_bursts(night.criterion)}.",
            f"{_episodes(night.criterion)}.",
            *([f"With several channels, {sides}."] if len(night.swept.frames) > 1 else []),
            *_surroundings(night.criterion),
            f"Analysed was the time {window_words(night.window.basis, origin=True)}, without 60 s either way of "
            "clenches and synchronisation marks; time in which a scored channel is missing or unusable is taken "
            "out of the hours.",
        )
    )
