"""The answer about a night in words, number first: the same on the terminal and in the letter."""

from __future__ import annotations

from sleepbrux.core.printed import hours_text
from sleepbrux.recording.window import LIGHTS_UNKNOWN
from sleepbrux.report.numbers import count_of, text
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night

DOES_NOT_SHOW = "It does not show tooth grinding and diagnoses nothing."
WINDOWS = (
    ("lights off to on", "between lights off and lights on"),
    ("lights off to lights on", "between lights off and lights on"),
    ("lights off", "from lights off to the end of the recording"),
    ("lights on", "from the start of the recording to lights on"),
    (LIGHTS_UNKNOWN, "of the whole recording, time awake included"),
    ("start and end given", "between start and end as given"),
)


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


def rate_sentence(night: Night) -> str:
    """Rate, hours and interval of a night, without a stop at the end.

    The interval is left out where there is only one that is too narrow.
    """
    index = night.measures["episodes_per_hour"]
    if index.value is None:
        return f"no rate can be given: {index.reason}"
    wide = bool(index.intervals) and index.intervals[-1].name == "scaled_counting"
    sure = f" (95 % interval {interval_text(index)})" if wide else ""
    return f"{text(index.value, '1/h')} episodes per hour {hours_words(night.selection.basis)}{sure}"


def count_sentence(night: Night) -> str:
    """How many episodes in how many valid hours."""
    n, hours = night.measures["episode_count"].value or 0, night.measures["valid_hours"].value
    return f"{count_of(int(n), 'episode')} in {hours_text(hours)} of valid recording"
