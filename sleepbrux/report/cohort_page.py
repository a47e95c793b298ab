"""The page about a cohort: persons' nights by condition, change with interval, forest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from sleepbrux.analysis.cohort import Cohort, PersonNight
from sleepbrux.analysis.comparison.ratio import p_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.report import wording
from sleepbrux.report.night_page import _read
from sleepbrux.report.numbers import plain
from sleepbrux.report.study_figures import forest_svg, sign
from sleepbrux.report.study_page import RATIO_AXIS, policy

MOST_DRAWN = 60


@cache
def _page() -> tuple[Template, str]:
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_read("cohort.html.j2")), _read("night.css") + _read("study.css")


def persons_svg(nights: Sequence[PersonNight], conditions: Sequence[str], *, axis: str) -> Markup:
    """Every night as a sign of its condition above its person; a line joins the conditions' mean rates."""
    persons = list(dict.fromkeys(n.person for n in nights))[:MOST_DRAWN]
    rates = [n.events / n.hours for n in nights if n.hours > 0 and n.person in persons]
    width, height, left, top, bottom = 900, 320, 52, 22, 64
    most = max(rates, default=1.0) or 1.0
    step = next((m * 10.0**e for e in range(-3, 6) for m in (1, 2, 5) if most <= 6 * m * 10.0**e), most)
    full = step * math.ceil(most / step - 1e-9)
    per = (width - left - 12) / max(len(persons), 1)

    def y(rate: float) -> float:
        return height - bottom - rate / full * (height - top - bottom)

    out = [
        Markup('<svg class="histogram" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
            width, height, f"{axis}: every night of {len(persons)} persons by condition"
        )
    ]
    grid = Markup('<path class="rule" d="M{} {:.1f}H{}"/><text class="end" x="{}" y="{:.1f}">{}</text>')
    for value in (k * step for k in range(round(full / step) + 1)):
        shown = plain(round(value, 6))
        out += [grid.format(left, y(value), width - 12, left - 6, y(value) + 4, shown)]
    for p, person in enumerate(persons):
        middle = left + (p + 0.5) * per
        means = []
        for c, condition in enumerate(conditions):
            own = [n for n in nights if n.person == person and n.condition == condition and n.hours > 0]
            x = middle + (c - (len(conditions) - 1) / 2) * per * 0.6 / len(conditions)
            out += [sign(c, x, y(n.events / n.hours), apart=True) for n in own]
            if own:
                mean = sum(n.events for n in own) / sum(n.hours for n in own)
                means.append(f"{x:.1f} {y(mean):.1f}")
        if len(means) > 1:
            out.append(Markup('<path class="change" d="M{}"/>').format("L".join(means)))
        if per > 26 or p % math.ceil(26 / per) == 0:
            out.append(
                Markup('<text class="mid" x="{:.1f}" y="{}">{}</text>').format(
                    middle, height - bottom + 16, person[:12]
                )
            )
    out.append(
        Markup('<text x="4" y="12">{}</text><text class="mid" x="{}" y="{}">person</text></svg>').format(
            axis, (left + width) / 2, height - 24
        )
    )
    return Markup("").join(out)


def _limits(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{low:z.2f} to {high:z.2f}"


def render_cohort(found: Cohort, nights: Sequence[PersonNight]) -> str:
    """A cohort as one HTML page without scripts."""
    template, style = _page()
    drawn = Markup('<svg viewBox="0 0 16 16" aria-hidden="true">{}</svg>')
    conditions = [found.baseline, *found.by_person]
    forests = []
    for condition, rows in found.by_person.items():
        rows_drawn = [
            (r.person, r.ratio, r.low, r.high)
            for r in rows[:MOST_DRAWN]
            if r.low is not None and r.high is not None
        ]
        rows_drawn += [
            ("all persons", e.ratio, e.low, e.high)
            for e in found.effects
            if e.term == f"{condition} / {found.baseline}"
        ]
        if rows_drawn:
            forests.append((condition, forest_svg(rows_drawn, axis=RATIO_AXIS)))
    return template.render(
        policy=policy(style),
        style=Markup(style),
        found=found,
        legend=[(c, drawn.format(sign(k, 8, 8, apart=True))) for k, c in enumerate(conditions)],
        persons=persons_svg(nights, conditions, axis=found.outcome),
        forests=forests,
        effects=[
            (e.term, f"{e.ratio:.2f}", _limits(e.low, e.high), p_text(e.p).removeprefix("= "), f"{e.df:g}")
            for e in found.effects
        ],
        ranks=[(c, "n/a" if p is None else p_text(p)) for c, p in found.wilcoxon_p.items()],
        repeatability=[
            (
                r.condition,
                r.persons,
                r.nights,
                "n/a" if r.icc is None else f"{r.icc:.2f}",
                _limits(r.low, r.high),
                *("n/a" if v is None else str(v) for v in r.nights_for.values()),
            )
            for r in found.repeatability
        ],
        agreement=[
            (
                f"{a.condition} less {a.against}",
                a.persons,
                f"{a.bias:z.2f}",
                _limits(a.low, a.high),
                f"{a.between_sd:.2f}",
                f"{a.within_sd:.2f}",
                f"{a.within_sd_baseline:.2f}",
            )
            for a in found.agreement
        ],
        cautions=wording.CAUTIONS,
        purpose=PURPOSE,
        version=__version__,
    )
