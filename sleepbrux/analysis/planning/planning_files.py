"""A plan from a person's own nights or a published variation, and the files that it leaves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sleepbrux.analysis.comparison.records import Reading, counted
from sleepbrux.analysis.comparison.study import compare_counts
from sleepbrux.analysis.plan_arguments import Wish
from sleepbrux.analysis.planning.design import MOST_NIGHTS, RUNS_PAGE, Planned
from sleepbrux.analysis.planning.nights import PUBLISHED, Variation, extra_cv_pct
from sleepbrux.analysis.planning.plan import (
    Plan,
    Point,
    bound_of,
    design_in,
    plan_nights,
    plans_csv,
    plans_from,
    plans_of,
)
from sleepbrux.analysis.planning.schedule import Schedule, schedule, schedule_csv, schedule_toml
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import write_together
from sleepbrux.core.json_text import json_text, versioned
from sleepbrux.study.file import Study

SCHEMA_VERSION = "1.0"  # of `ANSWERS`
PLAN, ANSWERS, TABLE, ENTRIES = "plan.csv", "plan.json", "schedule.csv", "schedule.toml"


def published(name: str, events_per_night: float) -> Variation:
    """A published variation with Poisson variation taken out, for so many events a night."""
    known = PUBLISHED[name]
    return Variation(
        extra_cv_pct(known.cv_pct, events_per_night),
        f"{known.cv_pct:g} % in all, Poisson variation taken out; {known.source}",
    )


def plans_of_nights(
    study: Study,
    reading: Reading,
    ratios: Sequence[float],
    *,
    power: float,
    most_nights: int = MOST_NIGHTS,
    progress: Callable[[], object] | None = None,
) -> tuple[Plan, ...]:
    """What the page of the study says of more nights: the same nights, design and numbers."""
    if len({r.entry.condition for r in reading.records}) == 1:
        nights, counts = counted(reading.records, study.primary_outcome)
        return plans_from(
            nights[1:],
            reading.records[0].entry.condition,
            ratios,
            Planned(design_in(study.order), power=power, most_nights=most_nights, runs=RUNS_PAGE),
            counts=counts,
            outcome=study.primary_outcome,
            progress=progress,
        )
    found = compare_counts(study, reading)
    return plans_of(found, ratios, power=power, most_nights=most_nights, progress=progress)


def plans_wished(
    wish: Wish, events: float, variation: Variation, *, progress: Callable[[], object] | None = None
) -> tuple[Plan, ...]:
    """Plans for so many events a night, one a ratio."""
    laid: Any = wish.laid
    planned = Planned(
        laid,
        wish.contrasts or max(len(wish.conditions) - 1, 1),
        looks=wish.looks,
        power=wish.power,
        most_nights=wish.most_nights,
    )
    return tuple(plan_nights(events, variation, ratio, planned, progress=progress) for ratio in wish.ratios)


def write_planned(plans: Sequence[Plan], wish: Wish, out: Path) -> Schedule | None:
    """Write the table of some plans, what they say and, where one is wished, a schedule; the schedule.

    Raises
    ------
    UsageError
        A schedule is wished, and so many nights as were tried are not enough.
    """
    laid = None
    if wish.schedule is not None and wish.start is not None:
        nights, design = wish.nights or nights_of(plans[0]), wish.schedule
        laid = schedule(design, list(wish.conditions), nights, wish.start, seed=wish.seed)  # type: ignore[arg-type]
    out.mkdir(parents=True, exist_ok=True)
    texts = {PLAN: plans_csv(plans), ANSWERS: json_text(_said(plans, laid))}
    if laid is not None:
        texts[TABLE] = schedule_csv(laid)
        texts[ENTRIES] = schedule_toml(laid, baseline=wish.conditions[0], looks=wish.looks)
    write_together({out / name: text for name, text in texts.items()})
    return laid


def _said(plans: Sequence[Plan], laid: Schedule | None) -> dict[str, Any]:
    """What plans and schedule say, for a page that shows them later."""
    first = plans[0]
    said = {
        "answers": [one.answer for one in plans],
        "design": first.design,
        "source": first.variation.source,
        "rows": [_row(one, point) for one in plans for point in one.points],
        "analysis": laid.analysis if laid else "",
        "warning": laid.warning if laid else "",
        "nights": [[str(n.date), n.id, n.condition] for n in laid.nights] if laid else [],
    }
    return versioned(SCHEMA_VERSION, said)


def _row(plan: Plan, point: Point) -> dict[str, Any]:
    least = point.least_p
    cannot = least is not None and least > bound_of(plan)
    return {
        "ratio": f"{plan.ratio:g}",
        "nights": point.nights,
        "power": f"{100 * point.power:.0f} %",
        "least_p": "" if least is None else f"{least:.4f}",
        "said": "cannot detect" if cannot else "enough" if point.nights == plan.needed else "",
    }


def nights_of(plan: Plan) -> int:
    """Nights in each condition that a schedule is laid out for.

    Raises
    ------
    UsageError
        So many as were tried are not enough.
    """
    wanted = plan.looks[-1] if plan.looks else plan.needed
    if wanted is None:
        raise UsageError(
            f"the first ratio needs more than {plan.most_nights} nights; give `nights` for a schedule"
        )
    return wanted
