"""The page about a study: nights by condition, the comparison with its sentences, more nights."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from sleepbrux import __version__
from sleepbrux.compare.model import Comparison, Contrast
from sleepbrux.compare.ratio import p_text
from sleepbrux.compare.rules import RULES
from sleepbrux.compare.sentences import nights_with
from sleepbrux.compare.spreads import CAUTION, QUANTITIES
from sleepbrux.compare.study import SDD, StudyComparison
from sleepbrux.measures import label_of
from sleepbrux.planning import Plan
from sleepbrux.purpose import PURPOSE
from sleepbrux.report import wording
from sleepbrux.report.night_page import _read, source_hash
from sleepbrux.report.numbers import plain, text
from sleepbrux.report.study_figures import forest_svg, nights_svg, overlay_svg, power_svg, sign

CLENCH = ".clench.json"
RATIO_AXIS = "rate ratio, logarithmic axis; grey band: no change larger than a quarter"


@cache
def _page() -> tuple[Template, str]:
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_read("study.html.j2")), _read("night.css") + _read("study.css")


def policy(style: str) -> str:
    """Content security policy of a page that has a style and no script."""
    return (
        f"default-src 'none'; style-src '{source_hash(style)}'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )


def _night_rows(found: StudyComparison) -> list[dict[str, Any]]:
    comparison = found.comparison
    apart = {a.night.id: a.reason for a in comparison.apart}
    nights = [*(a.night for a in comparison.apart), *comparison.nights]
    if all(n.date for n in nights):
        nights.sort(key=lambda n: (n.date, n.id))
    rows = []
    for n in nights:
        c = comparison.conditions.index(n.condition)
        rows.append({
            "sign": Markup('<svg viewBox="0 0 16 16" aria-hidden="true">{}</svg>').format(
                sign(c, 8, 8, apart=n.id in apart)),
            "id": n.id,
            "date": n.date.isoformat() if n.date else "",
            "condition": n.condition,
            "events": f"{n.events:g}" if comparison.counts else "",
            "hours": f"{n.hours:.2f}" if comparison.counts else "",
            "rate": text(n.rate, "1/h") if comparison.counts else f"{n.events:.3g}",
            "remarks": "; ".join([*([apart[n.id]] if n.id in apart else []),
                                  *found.remarks.get(n.id, ())]),
        })  # fmt: skip
    return rows


def _interval(low: float | None, high: float | None, unit: str) -> str:
    return "" if low is None else f"{text(low, unit)} to {text(high, unit)}"


def _contrast(found: StudyComparison, contrast: Contrast) -> dict[str, Any]:
    r, test = contrast.ratio, contrast.rearrangement
    with_first = contrast.with_first_night
    holding = next(
        (h for h in found.robustness
         if (h.condition, h.against) == (contrast.condition, contrast.against)), None,
    )  # fmt: skip
    facts = []
    told = sum(c.ratio is not None for c in found.comparison.contrasts)
    if r is not None:
        facts.append(
            f"p {p_text(r.p)}, after Holm over {told} "
            f"comparisons p {p_text(r.p_holm)}. {r.method}, {r.df:.1f} degrees of freedom: {r.why_method}."
        )
        if r.dispersions:
            facts.append(
                "The variance between nights is " + " and ".join(f"{d:.1f}" for d in r.dispersions)
                + " times that of counting alone."
            )  # fmt: skip
    if test is not None:
        how = f"all {test.arrangements}" if test.exact else f"9,999 of {test.arrangements}"
        facts.append(
            f"Rearrangement test over {how} arrangements: p {p_text(test.p)} (least possible "
            f"{test.least_p:.3f}); {test.assumption}."
        )
    if with_first is not None:
        facts.append(
            f"With the first night among the others: {with_first.ratio:.2f} "
            f"({with_first.low:.2f} to {with_first.high:.2f})."
        )
    rows = []
    for a in holding.alternatives if holding else ():
        ratio = "n/a" if a.ratio is None else f"{a.ratio:.2f}"
        rows.append((a.rule, ratio, _interval(a.low, a.high, ""), a.verdict))
    return {
        "title": f"{contrast.condition} against {nights_with(contrast.against)}",
        "sentence": contrast.sentence,
        "facts": facts,
        "holding": holding.sentence if holding else "",
        "alternatives": rows,
    }


def _measures(found: StudyComparison) -> list[dict[str, Any]]:
    rows = []
    for m in found.measured:
        cells = [
            (text(d.value, m.unit), _interval(d.low, d.high, m.unit),
             "" if d.events is None else f"{d.events} events")
            for d in m.conditions
        ]  # fmt: skip
        differences = [
            f"{d.condition} less {d.against}: {text(d.difference, m.unit)} "
            f"({_interval(d.low, d.high, m.unit)})"
            for d in m.differences
        ]
        label = label_of(m.name)
        rows.append({"label": label, "unit": m.unit, "statistic": m.statistic, "cells": cells,
                     "differences": differences})  # fmt: skip
    return rows


def _overlays(found: StudyComparison) -> list[dict[str, Any]]:
    figures = []
    compared = {n.id for n in found.comparison.nights}
    for quantity, words, unit in QUANTITIES:
        nights = [n for n in found.spreads if n.quantity == quantity and n.id in compared]
        if sum(n.n for n in nights):
            axis = f"{words}, {unit}"
            svg = overlay_svg(nights, found.comparison.conditions, axis=axis)
            figures.append({"axis": axis, "svg": svg, "n": sum(n.n for n in nights)})
    return figures


def _legend(comparison: Comparison) -> list[tuple[str, Markup]]:
    drawn = Markup(
        '<svg viewBox="0 0 34 16" aria-hidden="true"><path class="mean-of l{}" d="M0 8H34"/>{}</svg>'
    )
    return [
        (c, drawn.format(k % 5, sign(k, 17, 8)))
        for k, c in enumerate(comparison.conditions)
    ]  # fmt: skip


def _plan_rows(plans: Sequence[Plan]) -> list[tuple[str, str, str]]:
    rows = []
    for p in plans:
        needed = (
            f"{p.needed} nights in each condition" if p.needed
            else f"more than {p.points[-1].nights} nights in each condition"
        )  # fmt: skip
        chances = ", ".join(f"{q.nights}: {100 * q.power:.0f} %" for q in p.points)
        rows.append((f"to {p.ratio:g} times", needed, chances))
    return rows


CLENCH_HEADS = ("muscle", "with", "clenches", "mean, µV", "% of natural teeth (95 % interval)")


def clench_tests(folder: Path) -> list[dict[str, Any]]:
    """Clench tests of ``sleepbrux clench`` that lie beside the nights (``*.clench.json``).

    A file that is none is shown by its name only.
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
            test["rows"] = [
                _clench_row(channel["label"], c)
                for channel in table["channels"]
                for c in channel["conditions"]
            ]
            test["title"] = str(table["name"])
            test["notes"] = [str(table[k]) for k in ("statement", "tiredness", "assumes")]
        except (OSError, ValueError, KeyError, TypeError):
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
        shown = f"{share['pct']:.0f} ({share['low']:.0f} to {share['high']:.0f})"
    kind = "" if share is None or row["without_tiredness"] else ", tiredness in it"
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
    template, style = _page()
    comparison = found.comparison
    forest = [
        (f"{c.condition} / {c.against}", c.ratio.ratio, c.ratio.low, c.ratio.high)
        for c in comparison.contrasts
        if c.ratio is not None
    ]
    return template.render(
        policy=policy(style),
        style=Markup(style),
        name=found.pseudonym,
        outcome=comparison.outcome,
        criterion=found.criterion,
        basis=found.basis,
        order=comparison.order,
        night_order=found.night_order,
        legend=_legend(comparison),
        nights_svg=nights_svg(comparison, comparison.outcome),
        nights=_night_rows(found),
        contrasts=[_contrast(found, c) for c in comparison.contrasts],
        forest=forest_svg(forest, axis=RATIO_AXIS) if forest else "",
        notes=comparison.cautions,
        left_out=found.left_out,
        missing=found.missing,
        rescored=found.rescored,
        conditions=comparison.conditions,
        measures=_measures(found),
        descriptive=CAUTION,
        overlays=_overlays(found),
        sdd=SDD,
        clench=clench,
        plan_svg=power_svg(plans) if plans else "",
        plan_rows=_plan_rows(plans),
        plans=plans,
        rules=[(r.key.replace("_", " "), plain(round(r.value, 4)), r.reason) for r in RULES],
        cautions=wording.CAUTIONS,
        purpose=PURPOSE,
        version=__version__,
    )
