"""The page about two scorings of the same nights: tables, figures, cautions, nothing from outside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from html import escape
from importlib import resources
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from sleepbrux.analysis.agreement.compare import NONE, Pair, ScoringAgreement
from sleepbrux.analysis.agreement.statistics import IntervalEstimate
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.report.night_page import source_hash

WIDTH, HEIGHT = 460, 260
LEFT, RIGHT, TOP, BOTTOM = 56, 14, 14, 40
RULE_WORDS = {
    "any_overlap": "any overlap",
    "iou_0.2": "intersection over union of 0.2 or more",
}


def estimate_text(estimate: IntervalEstimate, digits: int = 2) -> str:
    """A number with its interval, or why it has none."""
    if estimate.value is None:
        return "none (no event to divide by)"
    shown = f"{estimate.value:.{digits}f}"
    if estimate.low is None or estimate.high is None:
        return shown
    return f"{shown} [{estimate.low:.{digits}f} to {estimate.high:.{digits}f}]"


def number(value: float | None, digits: int = 2) -> str:
    """A number, or ``none``."""
    return "none" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"


def _ticks(low: float, high: float) -> list[float]:
    step = 10 ** math.floor(math.log10(max(high - low, 1e-9)))
    step = next(s for m in (0.1, 0.2, 0.5, 1, 2) if (high - low) / (s := m * step) <= 6)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _frame(
    x: tuple[float, float], y: tuple[float, float], axes: tuple[str, str], title: str
) -> tuple[list[str], Any, Any]:
    """Axes of a figure, and functions from values to its coordinates."""

    def px(v: float) -> float:
        return LEFT + (v - x[0]) / (x[1] - x[0]) * (WIDTH - LEFT - RIGHT)

    def py(v: float) -> float:
        return HEIGHT - BOTTOM - (v - y[0]) / (y[1] - y[0]) * (HEIGHT - TOP - BOTTOM)

    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(title)}">',
        f'<rect class="sheet" x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" '
        f'height="{HEIGHT - TOP - BOTTOM}"/>',
    ]
    parts += [
        f'<path class="rule" d="M{px(v):.1f} {TOP}V{HEIGHT - BOTTOM}"/>'
        f'<text class="mid" x="{px(v):.1f}" y="{HEIGHT - BOTTOM + 15}">{v:g}</text>'
        for v in _ticks(*x)
    ]
    parts += [
        f'<path class="rule" d="M{LEFT} {py(v):.1f}H{WIDTH - RIGHT}"/>'
        f'<text class="end" x="{LEFT - 5}" y="{py(v) + 4:.1f}">{v:g}</text>'
        for v in _ticks(*y)
    ]
    parts.append(
        f'<text class="mid" x="{(LEFT + WIDTH - RIGHT) / 2:.0f}" y="{HEIGHT - 6}">{escape(axes[0])}</text>'
    )
    parts.append(
        f'<text class="mid" transform="translate(13 {(HEIGHT - BOTTOM + TOP) / 2:.0f}) '
        f'rotate(-90)">{escape(axes[1])}</text>'
    )
    return parts, px, py


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = (high - low or abs(high) or 1.0) * 0.08
    return low - room, high + room


def bland_altman_svg(pairs: Sequence[Pair], found: ScoringAgreement) -> str:
    """Differences of the rate over its means, one mark a night, with bias and limits."""
    limits = found.limits
    if limits is None:
        return ""
    rates = np.array([p.rates() for p in pairs])
    means, differences = rates.mean(axis=1), rates[:, 0] - rates[:, 1]
    lines = (
        ("bias", limits.bias, limits.bias_ci),
        ("limit", limits.lower, limits.lower_ci),
        ("limit", limits.upper, limits.upper_ci),
    )
    y = _span([*differences.tolist(), *(v for _, _, ci in lines for v in ci)])
    title = (
        f"Differences of events per known hour, A less B, over their mean: bias {limits.bias:z.2f}, limits "
        f"{limits.lower:z.2f} to {limits.upper:z.2f}, {limits.n} nights"
    )
    parts, px, py = _frame(
        _span(means.tolist()), y, ("mean of A and B, events per known hour", "A less B"), title
    )
    for kind, value, (low, high) in lines:
        parts.append(
            f'<rect class="ci" x="{LEFT}" y="{py(high):.1f}" width="{WIDTH - LEFT - RIGHT}" '
            f'height="{py(low) - py(high):.1f}"/>'
            f'<path class="{kind}" d="M{LEFT} {py(value):.1f}H{WIDTH - RIGHT}"/>'
        )
    for p, m, d in zip(pairs, means.tolist(), differences.tolist(), strict=True):
        parts.append(
            f'<circle class="mark" cx="{px(m):.1f}" cy="{py(d):.1f}" r="4">'
            f"<title>{escape(p.night)}: {m:.2f}, {d:+.2f}</title></circle>"
        )
    return "".join([*parts, "</svg>"])


def rates_svg(pairs: Sequence[Pair]) -> str:
    """Rate by B over rate by A, one mark a night, with the line on which they are equal."""
    rates = [p.rates() for p in pairs]
    span = _span([0.0, *(v for r in rates for v in r)])
    parts, px, py = _frame(
        span,
        span,
        ("A, events per known hour", "B, events per known hour"),
        f"Events per known hour by A and by B, {len(pairs)} nights",
    )
    parts.append(
        f'<path class="limit" d="M{px(span[0]):.1f} {py(span[0]):.1f}L{px(span[1]):.1f} {py(span[1]):.1f}"/>'
    )
    parts += [
        f'<circle class="mark" cx="{px(a):.1f}" cy="{py(b):.1f}" r="4"><title>{escape(p.night)}: '
        f"{a:.2f}, {b:.2f}</title></circle>"
        for p, (a, b) in zip(pairs, rates, strict=True)
    ]
    return "".join([*parts, "</svg>"])


def onsets_svg(pairs: Sequence[Pair]) -> str:
    """Histogram of the onset differences of matched events, the outermost classes open."""
    values = np.concatenate(
        [
            p.events[0][p.partners["any_overlap"][:, 0], 0] - p.events[1][p.partners["any_overlap"][:, 1], 0]
            for p in pairs
        ]
    )
    if not len(values):
        return ""
    reach = float(np.ceil(max(np.percentile(np.abs(values), 95), 0.05) * 10) / 10)
    edges = np.linspace(-reach, reach, 21)
    counts = np.histogram(np.clip(values, -reach, reach), edges)[0]
    parts, px, py = _frame(
        (-reach, reach),
        (0, counts.max() * 1.05),
        ("onset of A less onset of B, s (ends: that and more)", "matched events"),
        f"Onset differences of {len(values)} matched events",
    )
    parts += [
        f'<rect class="bar" x="{px(a) + 0.5:.1f}" y="{py(n):.1f}" width="{px(b) - px(a) - 1:.1f}" '
        f'height="{py(0) - py(n):.1f}"/>'
        for a, b, n in zip(edges[:-1].tolist(), edges[1:].tolist(), counts.tolist(), strict=True)
        if n
    ]
    return "".join([*parts, "</svg>"])


@cache
def _template() -> tuple[Template, str]:
    folder = resources.files("sleepbrux.report") / "templates"
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"estimate": estimate_text, "number": number}
    return (
        environment.from_string((folder / "agreement.html.j2").read_text("utf-8")),
        (folder / "agreement.css").read_text("utf-8"),
    )


def render_agreement(found: ScoringAgreement, pairs: Sequence[Pair]) -> str:
    """The agreement of two scorings as one HTML page, the same bytes for the same input."""
    template, style = _template()
    many = len(pairs) > 1
    return template.render(
        policy=(
            f"default-src 'none'; style-src '{source_hash(style)}'; img-src data:; "
            "base-uri 'none'; form-action 'none'"
        ),
        style=Markup(style),
        found=found,
        rules=RULE_WORDS,
        absent=NONE,
        version=__version__,
        purpose=PURPOSE,
        ba=Markup(bland_altman_svg(pairs, found)),
        rates=Markup(rates_svg(pairs)) if many else "",
        onsets=Markup(onsets_svg(pairs)),
    )
