"""The page about a cohort: persons' nights by condition, change with interval, forest."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from sleepbrux.analysis.cohort import Cohort, PersonNight
from sleepbrux.analysis.comparison.ratio import p_text
from sleepbrux.report import frame, wording
from sleepbrux.report.axes import Drawing, both, condition_sign, legend
from sleepbrux.report.numbers import minus, shortened
from sleepbrux.report.study_figures import forest_figure
from sleepbrux.report.study_page import RATIO_AXIS
from sleepbrux.report.wording import condition_words

MOST_DRAWN = 60


def persons_figure(nights: Sequence[PersonNight], conditions: Sequence[str], *, axis: str) -> Markup:
    """Every night as a sign of its condition above its person; a line joins the conditions' mean rates."""
    return both(lambda width: _persons(nights, conditions, axis, width))


def _persons(nights: Sequence[PersonNight], conditions: Sequence[str], axis: str, width: float) -> Markup:
    persons = list(dict.fromkeys(n.person for n in nights))[:MOST_DRAWN]
    rates = [n.events / n.hours for n in nights if n.hours > 0 and n.person in persons]
    d = Drawing(width, 300, f"{axis}: every night of {len(persons)} persons by condition", bottom=44)
    x, y = d.x(0, max(len(persons), 1)), d.y(0, max(rates, default=1.0) or 1.0)
    d.y_axis(y, axis)
    per = x(1) - x(0)
    for p, person in enumerate(persons):
        middle = (x(p) + x(p + 1)) / 2
        means = []
        for c, condition in enumerate(conditions):
            own = [n for n in nights if n.person == person and n.condition == condition and n.hours > 0]
            at = middle + (c - (len(conditions) - 1) / 2) * per * 0.6 / len(conditions)
            d.add(*(condition_sign(c, at, y(n.events / n.hours)) for n in own))
            if own:
                means.append(f"{at:.1f} {y(sum(n.events for n in own) / sum(n.hours for n in own)):.1f}")
        if len(means) > 1:
            d.line(f"M{'L'.join(means)}", "join")
        if per > 40 or p % math.ceil(40 / per) == 0:
            d.text(middle, d.floor + 16, shortened(person, max(int(per // 7), 4)), "mid")
    d.across(d.floor, "frame")
    d.x_title("person")
    return d.markup()


def _limits(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return ""
    between = " to " if low < 0 else "–"
    return f"{low:z.2f}{between}{high:z.2f}".replace("-", "−")


def render_cohort(found: Cohort, nights: Sequence[PersonNight]) -> str:
    """A cohort as one HTML page without scripts."""
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
            forests.append((condition_words(condition), forest_figure(rows_drawn, axis=RATIO_AXIS)))
    signs = [(condition_words(c), condition_sign(k, 8, 8)) for k, c in enumerate(conditions)]
    return frame.render(
        "cohort.html.j2",
        found=found,
        baseline=condition_words(found.baseline),
        legend=legend(signs, "Signs of the conditions"),
        persons=persons_figure(nights, conditions, axis=found.outcome),
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
                minus(f"{a.bias:z.2f}"),
                _limits(a.low, a.high),
                f"{a.between_sd:.2f}",
                f"{a.within_sd:.2f}",
                f"{a.within_sd_baseline:.2f}",
            )
            for a in found.agreement
        ],
        cautions=wording.CAUTIONS,
    )
