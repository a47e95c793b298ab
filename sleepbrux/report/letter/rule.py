"""A rule set in words, made from its own settings."""

from __future__ import annotations

from sleepbrux.criteria import Criterion
from sleepbrux.report.numbers import plain

NUMBERS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


def rule_words(rules: Criterion) -> list[str]:
    """What counts as a burst, what as an episode, which side, and what else is asked.

    Parameters
    ----------
    rules
        Any rule set.

    Returns
    -------
    list of str
        One sentence each.

    Examples
    --------
    >>> from sleepbrux.criteria import load_criterion
    >>> for sentence in rule_words(load_criterion("phasic_tonic_10mvc")):
    ...     print(sentence)
    Bursts: activity above 10 % of maximal clench lasting 0.25 s or longer; phasic up to 2 s, tonic beyond.
    Episodes: three or more phasic bursts or one tonic burst, both kinds together: mixed.
    A pause of 3 s or longer between bursts ends an episode.
    A burst on any recorded muscle counts.
    """
    return [_burst(rules), _episode(rules), _pause(rules), _sides(rules), *_asked(rules)]


def _level(rules: Criterion) -> str:
    rule = rules.threshold
    over = "above" if rule.comparison == ">" else "at or above"
    if rule.times_background is None:
        return f"{over} {plain(rule.level_pct_mvc)} % of maximal clench"
    floor = f" and {plain(rule.floor_pct_mvc)} % of maximal clench" if rule.floor_pct_mvc is not None else ""
    return f"{over} {plain(rule.times_background)} times the resting level{floor}"


def _burst(rules: Criterion) -> str:
    rule, burst = rules.threshold, rules.burst
    also = "" if rule.test == "crossing" else f", the {rule.test} too,"
    least = (
        f"{plain(burst.minimum_s)} s or longer"
        if burst.minimum_inclusive
        else f"over {plain(burst.minimum_s)} s"
    )
    lasting = f" lasting {least}" if burst.minimum_s else " of any length"
    to = "up to" if burst.phasic_maximum_inclusive else "below"
    kinds = f"; phasic {to} {plain(burst.phasic_maximum_s)} s, tonic beyond" if burst.types else ""
    return f"Bursts: activity {_level(rules)}{also}{lasting}{kinds}."


def _many(n: int, noun: str) -> str:
    number = NUMBERS.get(n, str(n))
    return f"{number} {noun}" if n == 1 else f"{number} or more {noun}s"


def _episode(rules: Criterion) -> str:
    rule = rules.episode
    regular = (
        f" that begin {plain(rule.regular_minimum_s)}–{plain(rule.regular_maximum_s)} s after each other"
        if rule.regular
        else ""
    )
    if not rules.burst.types:
        least = "each burst, with what follows it" if rule.minimum_phasic_bursts == 1 else ""
        return f"Episodes: {least or _many(rule.minimum_phasic_bursts, 'burst')}{regular}."
    mixed = {
        "one_of_each": "both kinds together: mixed",
        "phasic_minimum": f"a tonic burst with {_many(rule.minimum_phasic_bursts, 'phasic burst')}: mixed",
        "tonic_flagged": "both kinds together: tonic",
    }[rule.mixed]
    return (
        f"Episodes: {_many(rule.minimum_phasic_bursts, 'phasic burst')}{regular} or one tonic burst, {mixed}."
    )


def _pause(rules: Criterion) -> str:
    rule = rules.episode
    least = "or longer" if rule.gap_inclusive else "exceeded"
    free = "" if rule.gap_free_of == "qualifying_bursts" else ", free of any activity,"
    clock = "between bursts" if rule.gap_clock == "offset_to_onset" else "from onset to onset of bursts"
    return f"A pause of {plain(rule.gap_s)} s {least}{free} {clock} ends an episode."


def _sides(rules: Criterion) -> str:
    return {
        "any": "A burst on any recorded muscle counts.",
        "both": "A burst counts only where all recorded muscles show it at once.",
        "mean": "The mean of the recorded muscles is scored.",
    }[rules.sides.combine]


def _asked(rules: Criterion) -> list[str]:
    """What the rules ask of the surroundings of an event."""
    found = []
    heart, context = rules.heart_rate, rules.context
    if heart is not None:
        least = "more than" if heart.comparison == ">" else "at least"
        found.append(
            f"The heart rate must rise by {least} {plain(heart.rise_pct)} % within "
            f"{plain(heart.within_s)} s before it."
        )
    if context.wake == "drop_scored":
        found.append("Only episodes that begin in scored sleep count.")
    if context.wake == "drop_probable":
        found.append("Episodes that begin while an accelerometer says probably awake do not count.")
    if context.movement == "drop":
        share = plain(100 * context.movement_share)
        found.append(f"Episodes of which {share} % or more lie in a body movement do not count.")
    return found
