"""What a cohort says, and what must be known beside it."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.analysis.cohort.model import Crossed, Effect, Method, PersonNight
from sleepbrux.analysis.cohort.ratios import log_ratios
from sleepbrux.analysis.comparison.ratio import p_text
from sleepbrux.analysis.comparison.rules import VERDICT_P

LEAST_FOR_GEE = 20
LOG_RATIOS = (
    "each person counts once, with the logarithm of the own ratio; t over persons. The ratio is the "
    "geometric mean of the persons' ratios"
)
GEE = (
    "a Poisson model over all nights with persons as clusters, asked for by name. Its ratio is that of the "
    "mean rates, in which persons with many events weigh most; where the effect depends on the level it is "
    "another number than the mean of the persons' ratios"
)
FEW_FOR_GEE = (
    f"A GEE's covariance depends on the number of persons; with fewer than {LEAST_FOR_GEE} even the "
    "bias-reduced one is too small (our choice, in line with common advice; from memory)."
)
NOT_CONVERGED = (
    "The GEE did not come to a result with this table, so it gives no ratio. Use the log ratios of persons."
)


def sentences_of(
    effects: Sequence[Effect],
    conditions: Sequence[str],
    baseline: str,
    outcome: str,
    method: Method,
) -> tuple[str, ...]:
    """One sentence a condition; where nothing came out, that."""
    out = []
    for condition in conditions:
        term = f"{condition} / {baseline}"
        effect = next((e for e in effects if e.term == term), None)
        if effect is not None:
            out.append(_sentence(effect, outcome))
        elif method == "GEE":
            out.append(f"{term}: cannot tell. {NOT_CONVERGED}")
        else:
            out.append(f"{term}: cannot tell; fewer than two persons have a ratio.")
    return tuple(out)


def _sentence(e: Effect, outcome: str) -> str:
    told = e.p_holm is not None and e.p_holm <= VERDICT_P.value
    side = "lower" if told and e.high < 1 else "higher" if told and e.low > 1 else ""
    said = f"{side} on average over these persons" if side else "cannot tell yet"
    corrected = f"; p {p_text(e.p_holm)} after Holm" if e.p_holm is not None and e.p_holm != e.p else ""
    return (
        f"{e.term}: the rate ({outcome}) was {e.ratio:.2f} times as high (95 % interval {e.low:.2f} to "
        f"{e.high:.2f}{corrected}): {said}."
    )


def notes_of(
    nights: Sequence[PersonNight],
    conditions: Sequence[str],
    baseline: str,
    method: Method,
    crossed: Crossed,
) -> tuple[str, ...]:
    """What must be known beside the sentences: of persons, periods, nights."""
    notes = [
        "An average over persons says little of one person: in a randomised trial of 21 persons, 19–29 % "
        "fell and 33–48 % rose (van der Zaag 2005).",
        "Whether an appliance is the cause depends on how persons and nights were assigned, which this table "
        "does not say.",
    ]
    persons = {n.person for n in nights}
    if method == "GEE" and len(persons) < LEAST_FOR_GEE:
        notes.append(f"{len(persons)} persons: {FEW_FOR_GEE}")
    if len(conditions) > 1:
        notes.append(
            f'{len(conditions)} conditions are compared with the baseline; "lower" and "higher" need a p '
            "after Holm of at most 0.05. The intervals stand each for itself."
        )
    notes += _crossover_notes(nights, conditions, method, crossed)
    ratios = {c: log_ratios(nights, c, baseline) for c in conditions}
    lacking = persons - {r.person for found in ratios.values() for r in found}
    if lacking:
        notes.append(
            f"without nights under two conditions, or without any event: {', '.join(sorted(lacking))}"
        )
    single = sorted(
        {r.person for found in ratios.values() for r in found if min(r.nights, r.nights_baseline) == 1}
    )
    if single:
        weight = "counts" if len(single) == 1 else "count each"
        notes.append(
            f"one night only under some condition: {', '.join(single)}. Such a person {weight} as much as "
            "one with many nights."
        )
    return tuple(notes)


def _crossover_notes(
    nights: Sequence[PersonNight], conditions: Sequence[str], method: Method, crossed: Crossed
) -> list[str]:
    """What a crossover cannot keep apart; said too where its columns are there and it could not be used."""
    if crossed:
        carry = next((c[2] for c in crossed.values() if c[2] is not None), None)
        seen = (
            f" The ratio of the sequences' levels is {carry.ratio:.2f} ({carry.low:.2f} to {carry.high:.2f})."
            if carry and method == "log ratios"
            else ""
        )
        return [
            "Crossover: the ratio has the period taken out, and the period's own ratio is given too. "
            "What lasts from one period into the next (carry-over) cannot be separated from the effect and draws "
            f"the ratio to 1; only nights without an appliance between the periods help.{seen}"
        ]
    if any(n.period or n.sequence for n in nights):
        return [
            "The table has period or sequence, but is no crossover of two periods and two sequences with two "
            "persons or more in each. Period and carry-over are not taken out and may stand behind a "
            "difference."
        ]
    return []
