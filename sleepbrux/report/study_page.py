"""The page about a study: nights by condition, the comparison with its sentences, more nights."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from sleepbrux.analysis.comparison.model import Comparison, Contrast
from sleepbrux.analysis.comparison.prior import WORDS as PRIOR_WORDS
from sleepbrux.analysis.comparison.ratio import adjusted_p, p_text
from sleepbrux.analysis.comparison.rules import RULES, TREND_P
from sleepbrux.analysis.comparison.sentences import ALIKE, DESCRIBED, nights_with, plain_verdict
from sleepbrux.analysis.comparison.spreads import BAND, CAUTION, PEAKS, QUANTITIES, Effect
from sleepbrux.analysis.comparison.study import SDD, StudyComparison
from sleepbrux.analysis.planning import Plan
from sleepbrux.report import frame, wording
from sleepbrux.report.axes import condition_sign, legend
from sleepbrux.report.numbers import count_of, listed, plain, text
from sleepbrux.report.study_figures import (
    band_figure,
    forest_figure,
    in_order,
    power_figure,
    rates_figure,
    spread_panels,
    strips_figure,
)
from sleepbrux.report.wording import DOES_NOT_SHOW, condition_words
from sleepbrux.scoring.measures import label_of
from sleepbrux.scoring.uncertainty import LEAST_EVENTS, LEAST_HOURS
from sleepbrux.study.file import NO_APPLIANCE

CLENCH = ".clench.json"
RATIO_AXIS = "rate ratio, logarithmic axis; band: a quarter less to a third more"


def _night_rows(found: StudyComparison) -> list[dict[str, Any]]:
    comparison = found.comparison
    apart = {a.night.id: a.reason for a in comparison.apart}
    rows = []
    for n in in_order(comparison):
        c = comparison.conditions.index(n.condition)
        rows.append(
            {
                "sign": Markup('<svg viewBox="0 0 16 16" aria-hidden="true">{}</svg>').format(
                    condition_sign(c, 8, 8, left_out=n.id in apart)
                ),
                "id": n.id,
                "date": n.date.isoformat() if n.date else "",
                "condition": condition_words(n.condition),
                "events": f"{n.events:g}" if comparison.counts else "",
                "hours": f"{n.hours:.2f}" if found.per_hour else "",
                "rate": text(n.rate, "1/h") if comparison.counts else f"{n.events:.3g}",
                "remarks": "; ".join(
                    [*([apart[n.id]] if n.id in apart else []), *found.remarks.get(n.id, ())]
                ),
            }
        )
    return rows


def _interval(low: float | None, high: float | None, unit: str) -> str:
    return "" if low is None else f"{text(low, unit)}–{text(high, unit)}"


def _answer(contrast: Contrast) -> dict[str, str]:
    """One line for a contrast: what was worn, the verdict, and the ratio with its interval."""
    name, against = condition_words(contrast.condition), condition_words(contrast.against)
    verdict = contrast.verdict
    if verdict in ("lower", "higher"):
        words = f"{verdict} than with {against}"
    elif verdict == "cannot tell yet":
        why = contrast.sentence.partition("cannot tell yet; ")[2].rstrip(".")
        words = f"cannot tell yet: {why}" if why else "cannot tell"
    elif verdict == DESCRIBED:
        name, words = f"{name} against {against}", verdict
    else:
        words = f"{plain_verdict(verdict)} as with {against}"
    r = contrast.ratio
    numbers = (
        "no ratio can be given"
        if r is None
        else f"{r.ratio:.2f} times the rate, 95 % interval {r.low:.2f}–{r.high:.2f}, {r.nights} and "
        f"{r.nights_against} nights{f'; {verdict}' if verdict == ALIKE else ''}"
    )
    return {
        "name": name,
        "verdict": words,
        "numbers": numbers,
        "why": contrast.why,
        "kind": "told" if verdict not in ("cannot tell yet", DESCRIBED) else "open",
    }


def _contrast(found: StudyComparison, contrast: Contrast) -> dict[str, Any]:
    r, test = contrast.ratio, contrast.rearrangement
    with_first = contrast.with_first_night
    holding = next(
        (h for h in found.robustness if (h.condition, h.against) == (contrast.condition, contrast.against)),
        None,
    )
    facts = []
    comparison = found.comparison
    if r is not None:
        tested = sum(c.ratio is not None and c.against == comparison.baseline for c in comparison.contrasts)
        if contrast.against == comparison.baseline:
            facts.append(
                f"p {adjusted_p(r)}; {count_of(tested, 'comparison')} with the baseline. The verdict asks for "
                f"{comparison.verdict_p:g} or less."
            )
        facts.append(
            f"t test alone: p {p_text(r.p)}, {r.method}, {r.df:.1f} degrees of freedom: {r.why_method}. Interval "
            f"shown: {r.interval}."
        )
        if r.dispersions:
            facts.append(
                "The variance between nights is "
                + " and ".join(f"{d:.1f}" for d in r.dispersions)
                + " times that of counting alone."
            )
    if contrast.by_valid_hours and r is not None:
        facts.append(
            "Hours of the night count by how often events come in them. With every valid hour counting the "
            f"same the ratio is {contrast.by_valid_hours:.2f}."
        )
    if contrast.serial is not None:
        s = contrast.serial
        facts.append(
            f"If neighbouring nights may be alike, by a correlation of 0 to 0.9 that is not known (these "
            f"nights suggest {s.correlation:.1f}): {s.ratio:.2f} ({s.low:.2f}–{s.high:.2f}), "
            f"p {p_text(s.p)}."
        )
    if test is not None:
        how = f"all {test.arrangements}" if test.exact else f"9,999 of {test.arrangements}"
        facts.append(
            f"Rearrangement test alone, over {how} arrangements: p {p_text(test.p)} (least possible "
            f"{test.least_p:.3f}); {test.assumption}."
        )
    if contrast.prior is not None:
        prior = contrast.prior
        facts.append(
            f"Sensitivity only, never the verdict: {prior.ratio:.2f} ({prior.low:.2f}–{prior.high:.2f}) "
            f"{PRIOR_WORDS}."
        )
    if with_first is not None:
        facts.append(
            f"With the first night among the others: {with_first.ratio:.2f} "
            f"({with_first.low:.2f}–{with_first.high:.2f})."
        )
    rows = []
    for a in holding.alternatives if holding else ():
        ratio = "n/a" if a.ratio is None else f"{a.ratio:.2f}"
        rows.append((a.rule, ratio, _interval(a.low, a.high, ""), plain_verdict(a.verdict)))
    return {
        "title": f"{condition_words(contrast.condition)} against {nights_with(contrast.against)}",
        "sentence": contrast.sentence,
        "facts": facts,
        "holding": holding.sentence if holding else "",
        "alternatives": rows,
    }


def _effect(e: Effect) -> str:
    """The ratio of a measure beside the primary one."""
    text_ = f"{e.condition} / {e.against}: {e.ratio:.2f} ({e.low:.2f}–{e.high:.2f}"
    if e.serial_low is not None and e.serial_high is not None:
        text_ += f"; {e.serial_low:.2f}–{e.serial_high:.2f} if neighbours may be alike"
    return text_ + (")" if e.p_rearranged is None else f"), rearrangement p {p_text(e.p_rearranged)}")


def _measures(found: StudyComparison) -> list[dict[str, Any]]:
    rows = []
    for m in found.measured:
        cells = [
            (
                text(d.value, m.unit),
                _interval(d.low, d.high, m.unit),
                "" if d.events is None else f"{d.events} events",
            )
            for d in m.conditions
        ]
        effects = [_effect(e) for e in m.effects]
        if m.name == found.primary_outcome:
            effects = ["the primary outcome: see above"]
        elif m.trend is not None and m.trend.p < TREND_P.value:
            t = m.trend
            effects.append(
                f"changes with time by itself: {t.factor_per_week:.2f} in seven {t.unit.split()[0]} "
                f"({t.low:.2f}–{t.high:.2f})"
            )
        label = label_of(m.name)
        rows.append(
            {"label": label, "unit": m.unit, "statistic": m.statistic, "cells": cells, "effects": effects}
        )
    return rows


def _panels(found: StudyComparison) -> list[dict[str, Any]]:
    """Distributions, one panel a condition on common axes."""
    figures = []
    compared = {n.id for n in found.comparison.nights}
    known = {n.quantity for n in found.spreads if n.n}
    for quantity, words, unit in QUANTITIES:
        if quantity not in known or (quantity == "peak_uv" and "peak_pct_mvc" in known):
            continue
        nights = [n for n in found.spreads if n.quantity == quantity and n.id in compared]
        if sum(n.n for n in nights):
            panels = spread_panels(nights, found.comparison.conditions, axis=f"{words}, {unit}")
            figures.append({"title": words, "panels": panels})
    return figures


def _legend(comparison: Comparison) -> Markup:
    signs = [(condition_words(c), condition_sign(k, 8, 8)) for k, c in enumerate(comparison.conditions)]
    if comparison.apart:
        signs.append(("hollow: left out of the comparison", condition_sign(0, 8, 8, left_out=True)))
    return legend(signs, "Signs of the conditions")


def _without_interval(comparison: Comparison) -> str:
    """Why some nights have no bar; empty where all have one."""
    if all(n.interval is not None for n in in_order(comparison)):
        return ""
    return f"; none with fewer than {LEAST_EVENTS} events or {LEAST_HOURS:g} valid hours"


def _rates(found: StudyComparison) -> str:
    """The rate of every condition, its events over its hours or its nights, for the headline."""
    comparison = found.comparison
    if not comparison.counts:
        return ""
    said = []
    for condition in comparison.conditions:
        own = [n for n in comparison.nights if n.condition == condition]
        if hours := sum(n.hours for n in own):
            rate = text(sum(n.events for n in own) / hours, "1/h")
            said.append(
                f"{rate} {'without an appliance' if condition == NO_APPLIANCE else f'with {condition}'}"
            )
    return f"Per {'hour' if found.per_hour else 'night'}: {listed(said)}." if said else ""


def _halving(plans: Sequence[Plan]) -> str:
    """Nights needed, as one number."""
    p = next((p for p in plans if p.ratio == 0.5), plans[0] if plans else None)
    if p is None:
        return ""
    change = "halving" if p.ratio == 0.5 else f"change to {p.ratio:g} times"
    if not p.needed:
        studies = f"in {100 * p.power:.0f} % of studies"
        return f"Even {p.most_nights} nights in each condition would not detect a true {change} {studies}."
    return f"{p.needed} nights in each condition would detect a true {change} in {p.power_text} of studies."


def _scored(found: StudyComparison) -> str:
    """Whether a reader looked at the nights, and what was counted."""
    how = "A reader decided on every night." if found.reviewed else "Automatic scoring, not reviewed."
    return f"{how} Jaw-muscle activity was counted."


REVIEW_NEXT = "Next: confirm or reject the episodes of each night in a review, then write the letter."


def _described(comparison: Comparison) -> str:
    """What "described, not tested" means; empty where no contrast is."""
    if all(c.verdict != DESCRIBED for c in comparison.contrasts):
        return ""
    return (
        f'"{DESCRIBED.capitalize()}": a ratio without a verdict, because only comparisons with '
        f"{nights_with(comparison.baseline)} were tested."
    )


def _next(found: StudyComparison, plans: Sequence[Plan]) -> str:
    """What to do next: more nights where the comparison cannot tell yet, else a look at what was counted."""
    base = found.comparison.baseline
    open_ = [c for c in found.comparison.contrasts if c.against == base and c.verdict == "cannot tell yet"]
    if open_:
        return f"Next: record more nights. {_halving(plans)}".strip()
    if found.reviewed:
        return "Next: write the letter."
    return REVIEW_NEXT


def _compared(found: StudyComparison) -> str:
    """How many of the study's nights are compared, and which are not and why, in few words."""
    comparison = found.comparison
    out = [(a.night.id, a.reason) for a in comparison.apart]
    out += [(n.id, n.reasons[0]) for n in found.left_out] + [(n.id, "missing") for n in found.missing]
    n = len(comparison.nights)
    if not out:
        return f"{count_of(n, 'night')} compared"
    first = [f"{id_} left out ({reason.partition(':')[0]})" for id_, reason in out[:2]]
    more = [f"{len(out) - 2} more"] if len(out) > 2 else []
    return f"{n} of {count_of(n + len(out), 'night')} compared; {listed([*first, *more])}"


def _plan_rows(plans: Sequence[Plan]) -> list[tuple[str, str, str]]:
    rows = []
    for p in plans:
        chances = ", ".join(f"{q.nights}: {100 * q.power:.0f} %" for q in p.points)
        rows.append((f"to {p.ratio:g} times", p.needed_text, chances))
    return rows


CLENCH_HEADS = ("muscle", "with", "clenches", "mean, µV", "% of natural teeth (95 % interval)")


def clench_tests(folder: Path, person: str = "") -> list[dict[str, Any]]:
    """Clench tests of ``sleepbrux clench`` that lie beside the nights (``*.clench.json``).

    A file that is none is shown by its name only, and one that says that it is of another person than
    ``person`` not at all.
    """
    tests = []
    for path in sorted(folder.glob(f"*{CLENCH}")):
        test: dict[str, Any] = {
            "title": path.name,
            "columns": CLENCH_HEADS,
            "rows": [],
            "notes": [],
        }
        try:
            table = json.loads(path.read_text("utf-8"))
            if person and table.get("person", table.get("pseudonym", "")) not in ("", person):
                continue
            test["rows"] = [
                _clench_row(channel["label"], c)
                for channel in table["channels"]
                for c in channel["conditions"]
            ]
            test["title"] = str(table["name"])
            test["notes"] = [str(table[k]) for k in ("statement", "tiredness", "assumes")]
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            test["rows"] = []
            test["notes"] = ["not a clench test that this version can read"]
        tests.append(test)
    return tests


def _clench_row(label: str, row: dict[str, Any]) -> tuple[str, ...]:
    share = row["without_tiredness"] or row["as_measured"]
    if share is None:
        shown = "100"
    elif share["low"] is None:
        shown = f"{share['pct']:.0f} (no interval)"
    else:
        shown = f"{share['pct']:.0f} ({share['low']:.0f}–{share['high']:.0f})"
    kind = "" if share is None or row["without_tiredness"] else ", fatigue in it"
    clenches = str(len(row["trials_uv"]))
    return (label, str(row["condition"]), clenches, f"{row['mean_uv']:.0f}", shown + kind)


def render_study(
    found: StudyComparison, *, plans: Sequence[Plan] = (), clench: Sequence[dict[str, Any]] = ()
) -> str:
    """A study's comparison as one HTML page without scripts, the same bytes for the same study.

    Parameters
    ----------
    plans
        What `planning` says of more nights, drawn as curves.
    clench
        `clench_tests` of the folder, shown beside the nights.
    """
    comparison = found.comparison
    forest = [
        (
            f"{condition_words(c.condition)} / {condition_words(c.against)}",
            c.ratio.ratio,
            c.ratio.low,
            c.ratio.high,
        )
        for c in comparison.contrasts
        if c.ratio is not None
    ]
    return frame.render(
        "study.html.j2",
        name=found.person,
        outcome=comparison.outcome,
        criterion=found.criterion,
        basis=found.basis,
        window=wording.window_words(found.basis.window) if found.basis else "",
        reference=wording.reference_kind_words(found.basis.reference) if found.basis else "",
        order=comparison.order,
        night_order=found.night_order,
        answers=[_answer(c) for c in comparison.contrasts],
        headline=_rates(found),
        needed=_halving(plans),
        limits=f"{_scored(found)} {DOES_NOT_SHOW}",
        described=_described(comparison),
        next_step=(step := _next(found, plans)),
        next_how=wording.review_words("the study file") if step == REVIEW_NEXT else "",
        compared=_compared(found),
        legend=_legend(comparison),
        strips=strips_figure(comparison, found.strips) if found.strips else "",
        rates=rates_figure(comparison),
        counts=comparison.counts,
        bare=_without_interval(comparison),
        nights=_night_rows(found),
        contrasts=[_contrast(found, c) for c in comparison.contrasts],
        forest=forest_figure(forest, axis=RATIO_AXIS) if forest else "",
        notes=(*found.fixing, *comparison.cautions),
        left_out=found.left_out,
        missing=found.missing,
        rescored=found.rescored,
        conditions=[condition_words(c) for c in comparison.conditions],
        measures=_measures(found),
        descriptive=CAUTION,
        peaks=PEAKS,
        band_words=BAND,
        bands=[
            {
                "title": f"{condition_words(b.condition)} / {condition_words(b.against)}",
                "svg": band_figure(b),
                "nights": f"{b.nights} and {b.nights_against} nights",
            }
            for b in found.bands
        ],
        panels=_panels(found),
        sdd=SDD,
        clench=clench,
        plan_svg=power_figure(plans) if plans else "",
        plan_rows=_plan_rows(plans),
        plans=plans,
        rules=[(r.key.replace("_", " "), plain(round(r.value, 4)), r.reason) for r in RULES],
        cautions=wording.CAUTIONS,
    )
