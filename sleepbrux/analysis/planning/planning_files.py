"""A plan from a person's own nights or a published variation, and the files that it leaves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from sleepbrux.analysis.comparison.records import Reading, counted
from sleepbrux.analysis.comparison.study import compare_counts
from sleepbrux.analysis.planning.design import MOST_NIGHTS, RUNS_PAGE, Design, Planned
from sleepbrux.analysis.planning.nights import PUBLISHED, Variation, extra_cv_pct
from sleepbrux.analysis.planning.plan import Plan, design_in, plans_csv, plans_from, plans_of
from sleepbrux.analysis.planning.schedule import Schedule, schedule, schedule_csv, schedule_toml
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import write_text, write_together
from sleepbrux.study.file import Study

DESIGNS: tuple[Design, ...] = ("A-B-A", "randomised nights", "randomised blocks")
PLAN, TABLE, ENTRIES = "plan.csv", "schedule.csv", "schedule.toml"
HOURS = 7.0


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


def write_plans(plans: Sequence[Plan], out: Path) -> Path:
    """Write the table of some plans into a folder; the table."""
    out.mkdir(parents=True, exist_ok=True)
    write_text(out / PLAN, plans_csv(plans))
    return out / PLAN


def nights_of(plan: Plan) -> int:
    """Nights in each condition that a schedule is laid out for.

    Raises
    ------
    UsageError
        So many as were tried are not enough.
    """
    wanted = plan.looks[-1] if plan.looks else plan.needed
    if wanted is None:
        raise UsageError(f"the first ratio needs more than {plan.most_nights} nights")
    return wanted


def write_schedule(
    design: Design,
    conditions: Sequence[str],
    nights: int,
    start: date,
    out: Path,
    *,
    seed: int = 1,
    looks: Sequence[int] = (),
) -> Schedule:
    """Lay out nights by date, the baseline first named, and write table and entries of a study file."""
    laid = schedule(design, list(conditions), nights, start, seed=seed)
    out.mkdir(parents=True, exist_ok=True)
    entries = schedule_toml(laid, baseline=conditions[0], looks=tuple(looks))
    write_together({out / TABLE: schedule_csv(laid), out / ENTRIES: entries})
    return laid
