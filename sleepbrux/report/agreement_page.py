"""The page about two scorings of the same nights: tables, figures, cautions, nothing from outside."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from sleepbrux.analysis.agreement.compare import NONE, Pair, ScoringAgreement
from sleepbrux.analysis.agreement.statistics import IntervalEstimate
from sleepbrux.report import frame
from sleepbrux.report.axes import Drawing
from sleepbrux.report.numbers import listed, minus

WIDTH, HEIGHT = 330.0, 240.0
RULE_WORDS = {
    "any_overlap": "any overlap",
    "iou_0.2": "intersection over union of 0.2 or more",
}


def estimate_text(estimate: IntervalEstimate, digits: int = 2) -> str:
    """A number with its interval, or why it has none."""
    if estimate.value is None:
        return "none (no event to divide by)"
    shown = number(estimate.value, digits)
    if estimate.low is None or estimate.high is None:
        return shown
    between = " to " if estimate.low < 0 else "–"
    return f"{shown} [{number(estimate.low, digits)}{between}{number(estimate.high, digits)}]"


def number(value: float | None, digits: int = 2) -> str:
    """A number, or ``none``."""
    return "none" if value is None or not math.isfinite(value) else minus(f"{value:z.{digits}f}")


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = (high - low or abs(high) or 1.0) * 0.08
    return low - room, high + room


def _spot(x: float, y: float, words: str) -> Markup:
    return Markup('<circle class="ring" cx="{:.1f}" cy="{:.1f}" r="4"><title>{}</title></circle>').format(
        x, y, words
    )


def bland_altman_figure(pairs: Sequence[Pair], found: ScoringAgreement) -> Markup:
    """Differences of the rate over its means, one mark a night, with bias and limits; empty without limits."""
    limits = found.limits
    if limits is None:
        return Markup("")
    rates = np.array([p.rates() for p in pairs])
    means, differences = rates.mean(axis=1), rates[:, 0] - rates[:, 1]
    lines = (
        ("curve", "bias", limits.bias, limits.bias_ci),
        ("mark", "lower limit", limits.lower, limits.lower_ci),
        ("mark", "upper limit", limits.upper, limits.upper_ci),
    )
    alt = (
        f"Differences of events per known hour, A less B, over their mean: bias {limits.bias:z.2f}, limits "
        f"{limits.lower:z.2f}–{limits.upper:z.2f}, {limits.n} nights"
    )
    d = Drawing(WIDTH, HEIGHT, alt)
    x = d.x(*_span(means.tolist()))
    y = d.y(*_span([*differences.tolist(), *(v for *_, ci in lines for v in ci)]))
    for _, _, _, (low, high) in lines:
        d.box((d.left, d.width - d.right), (y(low), y(high)), "ci")
    d.y_axis(y, "A less B, events per known hour")
    d.x_axis(x, "mean of A and B, events per known hour")
    last, places = -99.0, dict[float, list[str]]()
    for kind, words, value, _ in sorted(lines, key=lambda line: -line[2]):
        d.across(y(value), kind)
        places.setdefault(round(y(value)), []).append(words)
    for place, words_there in places.items():  # equal lines have one label, near ones are pushed apart
        last = max(place - 8, last + 16)
        d.text(d.width - d.right - 2, last, listed(words_there), "end strong")
    for p, m, diff in zip(pairs, means.tolist(), differences.tolist(), strict=True):
        d.add(_spot(x(m), y(diff), f"{p.night}: {m:.2f}, {minus(f'{diff:+.2f}')}"))
    return d.markup()


def rates_figure(pairs: Sequence[Pair]) -> Markup:
    """Rate by B over rate by A, one mark a night, with the line on which they are equal."""
    rates = [p.rates() for p in pairs]
    span = _span([0.0, *(v for r in rates for v in r)])
    said = "; ".join(f"{p.night}: {a:.2f}, {b:.2f}" for p, (a, b) in zip(pairs, rates, strict=True))
    d = Drawing(WIDTH, HEIGHT, f"Events per known hour by A and by B. {said}")
    x, y = d.x(*span), d.y(*span)
    d.y_axis(y, "B, events per known hour")
    d.x_axis(x, "A, events per known hour")
    d.line(f"M{x(span[0]):.1f} {y(span[0]):.1f}L{x(span[1]):.1f} {y(span[1]):.1f}", "mark")
    d.add(
        *(_spot(x(a), y(b), f"{p.night}: {a:.2f}, {b:.2f}") for p, (a, b) in zip(pairs, rates, strict=True))
    )
    return d.markup()


def onsets_figure(pairs: Sequence[Pair]) -> Markup:
    """Histogram of the onset differences of matched events, the outermost classes open."""
    values = np.concatenate(
        [
            p.events[0][p.partners["any_overlap"][:, 0], 0] - p.events[1][p.partners["any_overlap"][:, 1], 0]
            for p in pairs
        ]
    )
    if not len(values):
        return Markup("")
    reach = float(np.ceil(max(np.percentile(np.abs(values), 95), 0.05) * 10) / 10)
    edges = np.linspace(-reach, reach, 21)
    counts = np.histogram(np.clip(values, -reach, reach), edges)[0]
    alt = f"Onset differences of {len(values)} matched events, median {np.median(values):z.3f} s"
    d = Drawing(WIDTH, HEIGHT, alt)
    x, y = d.x(-reach, reach), d.y(0, float(counts.max()))
    d.y_axis(y, "matched events")
    d.x_axis(x, "onset of A less onset of B, s (ends: and more)", most=5)
    for a, b, n in zip(edges[:-1].tolist(), edges[1:].tolist(), counts.tolist(), strict=True):
        if n:
            d.box((x(a) + 0.5, x(b) - 0.5), (y(n), d.floor), "bar")
    d.across(d.floor, "frame")
    return d.markup()


def render_agreement(found: ScoringAgreement, pairs: Sequence[Pair]) -> str:
    """The agreement of two scorings as one HTML page, the same bytes for the same input."""
    return frame.render(
        "agreement.html.j2",
        found=found,
        estimate=estimate_text,
        number=number,
        rules=RULE_WORDS,
        absent=NONE,
        ba=bland_altman_figure(pairs, found),
        rates=rates_figure(pairs) if len(pairs) > 1 else "",
        onsets=onsets_figure(pairs),
    )
