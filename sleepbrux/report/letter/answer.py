"""The answer of a letter: two sentences of at most 25 words, the number first."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.analysis.comparison import ConditionRow, Contrast
from sleepbrux.analysis.comparison.sentences import ALIKE, plain_verdict
from sleepbrux.report.letter.compared import NO_EFFECT, NightsCompared
from sleepbrux.report.numbers import listed, text
from sleepbrux.report.wording import DOES_NOT_SHOW, condition_words, count_phrase, rate_phrase
from sleepbrux.scoring.night import Night
from sleepbrux.study.file import NO_APPLIANCE

MOST_SENTENCES = 2
EPISODES = "episodes per valid hour"  # what a comparison calls its outcome
SAME_MEANS = f"About the same means {ALIKE}."


def with_worn(condition: str) -> str:
    """``"with X"``, or ``"without an appliance"``."""
    return "without an appliance" if condition == NO_APPLIANCE else f"with {condition}"


def one_night(night: Night) -> list[str]:
    """The answer about a single night."""
    rate = rate_phrase(night, of="jaw-muscle activity")
    first = f"{rate[:1].upper()}{rate[1:]}."
    if night.measures["episodes_per_hour"].value is None:
        return [first, DOES_NOT_SHOW]
    return [first, f"{count_phrase(night)}, one night only. {DOES_NOT_SHOW}"]


def _one_contrast(contrast: Contrast, what: str) -> str:
    """What a comparison with the baseline says, number first."""
    found = contrast.ratio
    who, against = with_worn(contrast.condition), with_worn(contrast.against)
    if found is None:
        return f"{who[:1].upper()}{who[1:]}: cannot tell, too few nights or none with an episode."
    numbers = f"the {what} was {found.ratio:.2f} times that {against} (95 % interval {found.low:.2f}–{found.high:.2f})"
    said = {
        "lower": "lower",
        "higher": "higher",
        "cannot tell yet": "the true rate could be lower or higher"
        if found.low < 1 < found.high
        else "cannot tell yet",
    }.get(contrast.verdict, plain_verdict(contrast.verdict))
    why = f" {contrast.why}" if contrast.why else ""
    return f"{who[:1].upper()}{who[1:]}, {numbers}: {said}.{why}"


def _same(contrasts: Sequence[Contrast]) -> list[str]:
    """What "about the same" means, where it was said."""
    return [SAME_MEANS] if any(c.verdict == ALIKE for c in contrasts) else []


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
    if against and len(against) <= MOST_SENTENCES:
        return [*(_one_contrast(c, what) for c in against), *_same(against), DOES_NOT_SHOW]
    if against:
        verdicts: dict[str, list[str]] = {}
        for c in against:
            verdicts.setdefault(plain_verdict(c.verdict), []).append(condition_words(c.condition))
        found = "; ".join(f"{verdict}: {listed(who)}" for verdict, who in verdicts.items())
        why = list(dict.fromkeys(c.why for c in against if c.why))
        first = f"Against {condition_words(said.baseline)}, {found}."
        return [first, *why, *_same(against), f"The table gives the numbers. {DOES_NOT_SHOW}"]
    known = [r for r in rows if r.rate_per_hour is not None]
    rates = "; ".join(f"{condition_words(r.condition)} {text(r.rate_per_hour, '1/h')}" for r in known[:4])
    first = f"Episodes per hour: {rates}." if known else "No rate can be given."
    no_effect = f"{NO_EFFECT} " if NO_EFFECT in said.sentences else ""
    return [first, f"{no_effect}{DOES_NOT_SHOW}"]
