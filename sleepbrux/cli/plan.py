"""``sleepbrux plan``: how many nights a comparison needs, and when to wear what."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepbrux.cli import options
from sleepbrux.cli.terminal import progress_bar
from sleepbrux.errors import UsageError

if TYPE_CHECKING:
    from sleepbrux.planning import Plan, Variation

SPREADS = ("lavigne2001 episodes", "lavigne2001 bursts", "miettinen2018 episodes")
DESIGNS = ("A-B-A", "randomised nights", "randomised blocks")


def _curve(plan: Plan) -> list[str]:
    """A chart of letters: one row a number of nights."""
    lines = [f"  {'nights in each':>15}{'chance of telling':>20}"]
    for p in plan.points:
        mark = "  <- enough" if p.nights == plan.needed else ""
        lines.append(f"  {p.nights:>15}{100 * p.power:>18.0f} % {'#' * round(40 * p.power)}{mark}")
    return lines


def _shown(plans: Sequence[Plan], variation: Variation) -> list[str]:
    lines = [
        f"nights vary by {variation.cv_pct:.1f} % beyond counting ({variation.source})",
        f"{plans[0].events_per_night:.1f} events in a night without an appliance; {plans[0].contrasts} "
        f"comparison(s); {plans[0].runs} simulated studies a point, so each chance is known to about "
        f"{200 * plans[0].standard_error:.0f} points",
    ]
    for plan in plans:
        found = (
            f"{plan.needed} nights in each condition" if plan.needed
            else f"more than {plan.points[-1].nights} nights in each condition"
        )  # fmt: skip
        lines += [
            f"\nrate goes to {plan.ratio:g} times: {found} for a chance of {100 * plan.power:.0f} %"
        ]
        lines += _curve(plan)
    return lines


def _variation(
    study: Path | None, results: Path | None, spread: str | None, cv_pct: float | None,
    rate: float | None, hours: float,
) -> tuple[float, Variation]:  # fmt: skip
    """Events a night without an appliance, and how far nights vary."""
    from sleepbrux.planning import PUBLISHED, Variation, extra_cv_pct, own_variation

    if study is not None:
        from sleepbrux.cli.compare import study_of
        from sleepbrux.compare.core import compare_nights
        from sleepbrux.compare.records import counted, read_records
        from sleepbrux.outputs import ARCHIVE

        plan, beside = study_of(study, {})
        reading = read_records(plan, results or beside, suffix=ARCHIVE, robust=False)
        nights, counts = counted(reading.records, plan.primary_outcome)
        if not counts:
            raise UsageError(
                f"{plan.primary_outcome} is no count of events, so it cannot be planned"
            )
        kept = list(nights)
        if len({n.condition for n in nights}) > 1:
            kept = list(compare_nights(nights, baseline=plan.baseline, rearranged=False).nights)
        base = [n for n in kept if n.condition == plan.baseline] or kept
        return sum(n.events for n in base) / max(len(base), 1), own_variation(kept)
    if rate is None:
        raise UsageError("give --rate (events per valid hour without an appliance), or --study")
    events = rate * hours
    if (spread is None) == (cv_pct is None):
        raise UsageError("give either --spread (published) or --cv-pct (beyond counting)")
    if spread is not None:
        known = PUBLISHED[spread]
        extra = extra_cv_pct(known.cv_pct, events)
        return events, Variation(
            extra, f"{known.cv_pct:g} % in all, counting noise taken out; {known.source}"
        )
    return events, Variation(cv_pct or 0.0, "as given")


def _schedule(design: str, conditions: list[str], nights: int, start: datetime | None, seed: int,
              out: Path) -> list[str]:  # fmt: skip
    from sleepbrux.files import write_text
    from sleepbrux.planning import schedule, schedule_csv, schedule_toml

    if start is None:
        raise UsageError("--schedule needs --start, the date of the first night (YYYY-MM-DD)")
    laid: Any = schedule(design, conditions, nights, start.date(), seed=seed)  # type: ignore[arg-type]
    out.mkdir(parents=True, exist_ok=True)
    write_text(out / "schedule.csv", schedule_csv(laid))
    write_text(out / "schedule.toml", schedule_toml(laid, baseline=conditions[0]))
    lines = [f"\n{design}, seed {seed}: {laid.analysis}"]
    lines += [f"  {n.date} {n.id}  {n.condition}" + (f"  (block {n.block})" if n.block else "")
              for n in laid.nights]  # fmt: skip
    return [
        *lines,
        f"Schedule: {out / 'schedule.csv'}; for the study file: {out / 'schedule.toml'}",
    ]


@click.command()
@click.option("--study", type=click.Path(path_type=Path, exists=True), default=None,
              help="Study file or folder with nights.csv: the person's own rate and variation.")  # fmt: skip
@click.option("--results", type=click.Path(path_type=Path, file_okay=False, exists=True), default=None,
              help="Folder with the archives [default: results beside the study file].")  # fmt: skip
@click.option("--rate", type=options.Number(min=0, min_open=True), default=None,
              help="Events per valid hour without an appliance.")  # fmt: skip
@click.option("--hours", type=options.Number(min=0, min_open=True), default=7.0, show_default=True,
              help="Valid hours of a night.")  # fmt: skip
@click.option("--spread", type=click.Choice(SPREADS), default=None, help="A published variation.")
@click.option("--cv-pct", type=options.Number(0, 300), default=None,
              help="Variation between nights beyond counting, SD in % of the mean.")  # fmt: skip
@click.option("--ratio", type=options.Number(min=0, min_open=True), multiple=True,
              help="True ratio to be told, may be repeated [default: 0.5 and 0.75].")  # fmt: skip
@click.option("--power", type=options.Number(0.5, 0.99), default=0.8, show_default=True,
              help="Wanted chance of telling it.")  # fmt: skip
@click.option("--contrasts", type=click.IntRange(1, 45), default=1, show_default=True,
              help="Comparisons between conditions (3 for two appliances and none).")  # fmt: skip
@click.option("--most-nights", type=click.IntRange(4, 200), default=60, show_default=True,
              help="Stop at so many nights in each condition.")  # fmt: skip
@click.option("--schedule", "design", type=click.Choice(DESIGNS), default=None,
              help="Also lay out nights by date.")  # fmt: skip
@click.option("--conditions", type=options.Words(), multiple=True, default=("none,appliance",),
              show_default="none,appliance", metavar="NAME", callback=options.names,
              help="For the schedule: conditions, the baseline first; repeat it for each, or write them with "
                   "commas and no blanks between them.")  # fmt: skip
@click.option("--nights", type=click.IntRange(4, 200), default=None,
              help="For the schedule: nights in each [default: what the first ratio needs].")  # fmt: skip
@click.option(
    "--start", type=click.DateTime(["%Y-%m-%d"]), default=None, help="Date of the first night."
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the drawing."
)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default=Path(),
              help="Folder for the table and the schedule [default: here].")  # fmt: skip
def command(
    study: Path | None, results: Path | None, rate: float | None, hours: float, spread: str | None,
    cv_pct: float | None, ratio: tuple[float, ...], power: float, contrasts: int, most_nights: int,
    design: str | None, conditions: list[str], nights: int | None, start: datetime | None, seed: int,
    out: Path,
) -> int:  # fmt: skip
    """Plan a comparison: nights in each condition to tell a change, by simulation.

    The simulated nights go through the very analysis and rules of ``sleepbrux compare``.
    """
    from sleepbrux.files import write_text
    from sleepbrux.planning import plan_nights, plans_csv
    from sleepbrux.purpose import PURPOSE

    events, variation = _variation(study, results, spread, cv_pct, rate, hours)
    with progress_bar(desc="points simulated") as bar:
        plans = [
            plan_nights(events, variation, r, contrasts=contrasts, power=power, most_nights=most_nights,
                        progress=bar.update)
            for r in ratio or (0.5, 0.75)
        ]  # fmt: skip
    lines = _shown(plans, variation)
    out.mkdir(parents=True, exist_ok=True)
    write_text(out / "plan.csv", plans_csv(plans))
    if design is not None:
        wanted = nights or plans[0].needed
        if wanted is None:
            raise UsageError(
                f"the first ratio needs more than {most_nights} nights; give --nights for a schedule"
            )
        lines += _schedule(design, conditions, wanted, start, seed, out)
    click.echo("\n".join([*lines, f"Table: {out / 'plan.csv'}", PURPOSE]))
    return 0
