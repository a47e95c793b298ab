"""Conditions compared over persons: the one place that knows the order of the steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import get_args

from sleepbrux.analysis.cohort.crossover import crossed_effect, crossover
from sleepbrux.analysis.cohort.gee import by_gee
from sleepbrux.analysis.cohort.model import Cohort, Effect, Method, PersonNight
from sleepbrux.analysis.cohort.ratios import by_ratios, log_ratios
from sleepbrux.analysis.cohort.repeatability import agreement_of, repeatability_of
from sleepbrux.analysis.cohort.sentences import GEE, LOG_RATIOS, notes_of, sentences_of
from sleepbrux.analysis.comparison.ratio import holm
from sleepbrux.core.arguments import TEXT, check, each, of, one_of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import plain_name, twins
from sleepbrux.study.file import NO_APPLIANCE


def compare_cohort(
    nights: Sequence[PersonNight],
    *,
    baseline: str = NO_APPLIANCE,
    outcome: str = "episodes per valid hour",
    method: Method = "log ratios",
) -> Cohort:
    """Compare conditions over persons.

    Parameters
    ----------
    nights
        Nights of two persons or more, each under one condition.
    baseline
        The condition that the others are compared with.
    outcome
        What is compared, in words with its denominator.
    method
        ``"GEE"`` for a population-averaged model, which asks another question (`GEE`); never chosen by the
        number of persons.

    Returns
    -------
    Cohort

    Raises
    ------
    UsageError
        No night of the baseline, only one condition, or fewer than two persons; or two persons or two
        conditions whose names differ only in case, blanks or zeros.

    Examples
    --------
    >>> from sleepbrux import PersonNight, compare_cohort
    >>> nights = [
    ...     PersonNight(f"P{p}", c, 10 * p + k + n, 7.0)
    ...     for p in (1, 2, 3) for k, c in ((4, "none"), (0, "splint")) for n in (0, 1)
    ... ]
    >>> compare_cohort(nights).persons
    3
    """
    check(
        nights=(nights, each(of(PersonNight), "a list of PersonNight")),
        baseline=(baseline, TEXT),
        outcome=(outcome, TEXT),
        method=(method, one_of(*get_args(Method))),
    )
    baseline = plain_name(baseline)
    names = list(dict.fromkeys(n.condition for n in nights))
    persons = list(dict.fromkeys(n.person for n in nights))
    for what, said in (("persons", persons), ("conditions", names)):
        if alike := twins(said):
            raise UsageError(
                f"{what} {alike[0]!r} and {alike[1]!r} differ only in case, blanks or zeros; write one name "
                "where one is meant, else names that differ in more"
            )
    if baseline not in names:
        raise UsageError(
            f"there is no night under the baseline {baseline!r}; there are {', '.join(names) or 'none'}"
        )
    conditions = [n for n in names if n != baseline]
    if not conditions or len(persons) < 2:
        raise UsageError(
            f"a cohort needs two persons or more and two conditions or more; there are {len(persons)} and "
            f"{len(names)}"
        )
    effects, ranks = by_ratios(nights, conditions, baseline)
    crossed = {c: found for c in conditions if (found := crossover(nights, c, baseline))}
    if method == "GEE":
        effects = by_gee(nights, conditions, baseline)
    else:
        effects = [crossed_effect(e, crossed, baseline) for e in effects]
        effects = [*effects, *(e for found in crossed.values() for e in found[1:] if e is not None)]
    effects = _after_holm(effects)
    return Cohort(
        outcome=outcome,
        baseline=baseline,
        persons=len(persons),
        nights=len(nights),
        method=method,
        why_method=GEE if method == "GEE" else LOG_RATIOS,
        effects=tuple(effects),
        wilcoxon_p=ranks,
        by_person={c: log_ratios(nights, c, baseline) for c in conditions},
        repeatability=tuple(repeatability_of(nights, c) for c in (baseline, *conditions)),
        agreement=tuple(a for c in conditions if (a := agreement_of(nights, c, baseline))),
        sentences=sentences_of(effects, conditions, baseline, outcome, method),
        notes=notes_of(nights, conditions, baseline, method, crossed),
    )


def _after_holm(effects: Sequence[Effect]) -> list[Effect]:
    tested = [e for e in effects if " / " in e.term and not e.term.startswith("carry-over")]
    adjusted = iter(holm([e.p for e in tested]) if tested else ())
    return [replace(e, p_holm=next(adjusted)) if e in tested else e for e in effects]
