"""The answer of a letter: two sentences of at most 25 words, the number first."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.analysis.comparison import ConditionRow, Contrast
from sleepbrux.core.printed import hours_text
from sleepbrux.recording.window import LIGHTS_UNKNOWN
from sleepbrux.report.letter.compared import NO_EFFECT, NightsCompared
from sleepbrux.report.numbers import count_of, listed, text
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night
from sleepbrux.study.file import NO_APPLIANCE

DOES_NOT_SHOW = "It does not show tooth grinding and diagnoses nothing."
WINDOWS = (
    ("lights off to on", "between lights off and lights on"),
    ("lights off to lights on", "between lights off and lights on"),
    ("lights off", "from lights off to the end of the recording"),
    ("lights on", "from the start of the recording to lights on"),
    (LIGHTS_UNKNOWN, "of the whole recording, time awake included"),
    ("start and end given", "between start and end as given"),
)
MOST_NAMED = 2
EPISODES = "episodes per valid hour"  # what a comparison calls its outcome


def worn(condition: str) -> str:
    """What was worn, in words."""
    return "no appliance" if condition == NO_APPLIANCE else condition


def with_worn(condition: str) -> str:
    """``"with X"``, or ``"without an appliance"``."""
    return "without an appliance" if condition == NO_APPLIANCE else f"with {condition}"


def hours_words(basis: str) -> str:
    """The hours that a rate divides by, in words.

    Parameters
    ----------
    basis
        As `Selection.basis` names them.

    Returns
    -------
    str
        To stand after "per hour".

    Examples
    --------
    >>> hours_words("lights off to on (marks in the recording)")
    'between lights off and lights on'
    >>> hours_words("recording, lights unknown, scored sleep only")
    'of the whole recording, time awake included, scored sleep only'
    """
    for beginning, words in WINDOWS:
        if basis.startswith(beginning):
            rest = basis.removeprefix(beginning)
            for said in (" (marks in the recording)", " (study file)", " by the user"):
                rest = rest.removeprefix(said)
            return words + rest
    return f"of: {basis}"


def interval_text(measure: Measure) -> str:
    """``"2.1–6.9"``: the last, widest interval; empty without one."""
    if not measure.intervals:
        return ""
    drawn = measure.intervals[-1]
    return f"{text(drawn.low, measure.unit)}–{text(drawn.high, measure.unit)}"


def one_night(night: Night) -> list[str]:
    """The answer about a single night."""
    index = night.measures["episodes_per_hour"]
    if index.value is None:
        return [f"No rate can be given: {index.reason}.", DOES_NOT_SHOW]
    n, hours = night.measures["episode_count"].value or 0, night.measures["valid_hours"].value
    wide = bool(index.intervals) and index.intervals[-1].name == "scaled_counting"
    sure = f" (95 % interval {interval_text(index)})" if wide else ""
    return [
        f"{text(index.value, '1/h')} episodes of jaw-muscle activity per hour "
        f"{hours_words(night.chosen.basis)}{sure}.",
        f"{count_of(int(n), 'episode')} in {hours_text(hours)} of valid recording, one night only. "
        f"{DOES_NOT_SHOW}",
    ]


def _one_contrast(contrast: Contrast, what: str) -> str:
    """What a comparison with the baseline says, number first."""
    found = contrast.ratio
    who, against = with_worn(contrast.condition), with_worn(contrast.against)
    if found is None:
        return f"{who[:1].upper()}{who[1:]}: cannot tell, too few nights or none with an episode."
    numbers = f"{found.ratio:.2f} times the {what} {against} (95 % interval {found.low:.2f}–{found.high:.2f})"
    said = {
        "lower": "lower",
        "higher": "higher",
        "cannot tell yet": "the true rate could be lower or higher"
        if found.low < 1 < found.high
        else "cannot tell yet",
    }.get(contrast.verdict, contrast.verdict)
    return f"{who[:1].upper()}{who[1:]} {numbers}: {said}."


def several_nights(rows: Sequence[ConditionRow], said: NightsCompared) -> list[str]:
    """The answer about several nights: the comparisons with the baseline, or the rates alone.

    Parameters
    ----------
    rows
        Rates of the compared nights by condition.
    said
        What the comparison says.
    """
    against = [c for c in said.contrasts if c.against == said.baseline]
    what = "rate" if said.outcome == EPISODES else said.outcome
    if against and len(against) <= MOST_NAMED:
        return [*(_one_contrast(c, what) for c in against), DOES_NOT_SHOW]
    if against:
        verdicts: dict[str, list[str]] = {}
        for c in against:
            verdicts.setdefault(c.verdict, []).append(worn(c.condition))
        found = "; ".join(f"{verdict}: {listed(who)}" for verdict, who in verdicts.items())
        return [f"Against {worn(said.baseline)}, {found}.", f"The table gives the numbers. {DOES_NOT_SHOW}"]
    known = [r for r in rows if r.rate_per_hour is not None]
    rates = "; ".join(f"{worn(r.condition)} {text(r.rate_per_hour, '1/h')}" for r in known[:4])
    first = f"Episodes per hour: {rates}." if known else "No rate can be given."
    no_effect = f"{NO_EFFECT} " if NO_EFFECT in said.sentences else ""
    return [first, f"{no_effect}{DOES_NOT_SHOW}"]
