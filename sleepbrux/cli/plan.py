"""``sleepbrux plan``: how many nights a comparison needs, and when to wear what."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, progress_bar, table_lines
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.analysis.planning import Plan, Variation

SPREADS = ("lavigne2001 episodes", "lavigne2001 bursts", "miettinen2018 episodes")
DESIGNS = ("A-B-A", "randomised nights", "randomised blocks")
PLANNED = ("A-B", *DESIGNS)


def _curve(plan: Plan) -> list[str]:
    """A chart of letters: one row a number of nights."""
    from sleepbrux.analysis.planning import bound_of

    rows = []
    for p in plan.points:
        mark = "  <- enough" if p.nights == plan.needed else ""
        if p.least_p is not None and p.least_p > bound_of(plan):
            mark = f"  least possible p {p.least_p:.3f}: cannot detect"
        rows.append((f"{p.nights}", f"{100 * p.power:.0f} %", f"{'#' * round(40 * p.power)}{mark}"))
    return table_lines(("nights in each", "power", ""), rows, texts=(2,))


def _shown(plans: Sequence[Plan]) -> list[str]:
    first = plans[0]
    variation = first.variation
    span = (
        ""
        if variation.low_pct is None
        else f", 80 % range {variation.low_pct:.0f} to {variation.high_pct:.0f} %"
    )
    apart = "first night recorded and left out" if first.first_apart else "first night compared too"
    lines = [
        f"nights vary by {variation.cv_pct:.1f} % beyond counting{span} ({variation.source})",
        f"{first.events_per_night:.1f} events in a night without an appliance; {first.design}, {apart}; "
        f"{count_of(first.contrasts, 'condition')} against the baseline",
        f"{first.runs} simulated studies a point, so each power is known to about "
        f"{200 * first.standard_error:.0f} points",
    ]
    if first.correlation:
        lines.insert(
            2,
            f"the order is not drawn, so neighbouring nights are taken as alike (correlation {first.correlation:g})",
        )
    for plan in plans:
        lines += [
            f"\nrate goes to {plan.ratio:g} times: {plan.needed_text} for {100 * plan.power:.0f} % power"
        ]
        if plan.expected is not None:
            lines.append(f"  with these looks {plan.expected:.1f} nights in each condition on average")
        lines += _curve(plan)
    return lines


def _of_study(
    study: Path,
    results: Path | None,
    ratios: Sequence[float],
    power: float,
    most_nights: int,
    progress: Callable[[], object],
) -> tuple[Plan, ...]:
    """What the page of the study says of more nights: the same nights, design and numbers."""
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.analysis.planning.planning_files import plans_of_nights
    from sleepbrux.cli.compare import study_of
    from sleepbrux.cli.reviews import say_unread
    from sleepbrux.report.outputs import ARCHIVE

    plan, beside, due = study_of(study, {})
    reading = read_records(plan, results or beside, suffix=ARCHIVE, due=due, robust=False)
    say_unread(reading.unread)
    return plans_of_nights(plan, reading, ratios, power=power, most_nights=most_nights, progress=progress)


def _fixed(file: Path, results: Path | None) -> list[str]:
    """Record what a study file fixes; what the record then says."""
    from sleepbrux.analysis.comparison.fixing import fix, fixing_notes, record_path, scored_nights
    from sleepbrux.cli.compare import study_of
    from sleepbrux.report.outputs import ARCHIVE

    plan, beside, _ = study_of(file, {})
    scored = scored_nights(results or beside, plan, ARCHIVE)
    path = record_path(file)
    try:
        record = fix(path, plan, scored=scored, now=datetime.now(UTC))
    except OSError as error:
        raise UsageError(
            f"{path.name}: cannot be written ({error.strerror}); make the folder of {file.name} writable"
        ) from error
    return [*(f"{n.severity}: {n.text}" for n in fixing_notes(record, plan)), f"record: {path}"]


def _variation(
    spread: str | None, cv_pct: float | None, rate: float | None, hours: float
) -> tuple[float, Variation]:
    """Events a night without an appliance, and how far nights vary."""
    from sleepbrux.analysis.planning import Variation
    from sleepbrux.analysis.planning.planning_files import published

    if rate is None:
        raise UsageError("give --rate (events per valid hour without an appliance), or --study")
    events = rate * hours
    if (spread is None) == (cv_pct is None):
        raise UsageError("give either --spread (published) or --cv-pct (beyond counting)")
    if spread is not None:
        return events, published(spread, events)
    return events, Variation(cv_pct or 0.0, "as given")


def _looks(text: str | None) -> tuple[int, ...]:
    """Numbers of nights at which is looked, from ``"4,7,10"``."""
    if text is None:
        return ()
    try:
        looks = tuple(int(v) for v in text.split(","))
    except ValueError:
        looks = ()
    if len(looks) < 2 or list(looks) != sorted(set(looks)) or looks[0] < 4:
        raise UsageError(
            f"--looks {text!r}: give two or more rising numbers of nights in each condition, the first 4 or "
            "more, for example 6,9,12"
        )
    return looks


def _schedule(
    design: str,
    conditions: list[str],
    nights: int,
    start: datetime | None,
    seed: int,
    looks: Sequence[int],
    out: Path,
) -> list[str]:
    from sleepbrux.analysis.planning.planning_files import write_schedule

    if start is None:
        raise UsageError("--schedule needs --start, the date of the first night (YYYY-MM-DD)")
    laid = write_schedule(design, conditions, nights, start.date(), out, seed=seed, looks=looks)  # type: ignore[arg-type]
    lines = [f"\n{design}, seed {seed}: {laid.analysis}"]
    if laid.least_p is not None:
        lines.append(f"Least possible p of the rearrangement test: {laid.least_p:.4f}.")
    if laid.warning:
        lines.append(f"warning: {laid.warning}")
    lines += [
        f"  {n.date} {n.id}  {n.condition}" + (f"  (block {n.block})" if n.block else "") for n in laid.nights
    ]
    return [
        *lines,
        f"schedule: {out / 'schedule.csv'}; for the study file: {out / 'schedule.toml'}",
    ]


@click.command()
@click.option(
    "--study",
    type=click.Path(path_type=Path, exists=True),
    default=None,
    help="Study file or folder with nights.csv: the person's own rate and variation.",
)
@options.results
@click.option(
    "--rate",
    type=options.Number(0, 10_000, min_open=True),
    default=None,
    help="Events per valid hour without an appliance.",
)
@click.option(
    "--hours",
    type=options.Number(0, 24, min_open=True),
    default=7.0,
    show_default=True,
    help="Valid hours of a night.",
)
@click.option("--spread", type=click.Choice(SPREADS), default=None, help="A published variation.")
@click.option(
    "--cv-pct",
    type=options.Number(0, 300),
    default=None,
    help="Variation between nights beyond counting, SD in % of the mean.",
)
@click.option(
    "--ratio",
    type=options.Number(0, 100, min_open=True),
    multiple=True,
    help="True ratio to be detected; repeatable [default: 0.5 and 0.75].",
)
@click.option(
    "--power",
    type=options.Number(0.5, 0.99),
    default=0.8,
    show_default=True,
    help="Wanted power: share of studies that detect it.",
)
@click.option(
    "--design",
    "planned",
    type=click.Choice(PLANNED),
    default=None,
    help="How nights are laid out [default: as --schedule, else randomised nights].",
)
@click.option(
    "--contrasts",
    type=click.IntRange(1, 9),
    default=None,
    help="Conditions that are compared with the baseline [default: those of --conditions].",
)
@click.option(
    "--looks", default=None, help="Nights in each condition at which is looked, set beforehand: 6,9,12."
)
@click.option(
    "--most-nights",
    type=click.IntRange(4, 200),
    default=60,
    show_default=True,
    help="Stop at so many nights in each condition.",
)
@click.option(
    "--schedule", "design", type=click.Choice(DESIGNS), default=None, help="Also lay out nights by date."
)
@click.option(
    "--conditions",
    type=options.Words(),
    multiple=True,
    default=("none,appliance",),
    show_default="none,appliance",
    metavar="NAME",
    callback=options.names,
    help="For the schedule: conditions, the baseline first; repeat it for each, or write them with "
    "commas and no blanks between them.",
)
@click.option(
    "--nights",
    type=click.IntRange(4, 200),
    default=None,
    help="For the schedule: nights in each [default: what the first ratio needs].",
)
@click.option("--start", type=click.DateTime(["%Y-%m-%d"]), default=None, help="Date of the first night.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the drawing.")
@click.option(
    "--fix",
    "fixed",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    default=None,
    help="Record what this study file fixes, before the first night is scored.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    help="Folder for the table and the schedule [default: here].",
)
def command(
    study: Path | None,
    results: Path | None,
    rate: float | None,
    hours: float,
    spread: str | None,
    cv_pct: float | None,
    ratio: tuple[float, ...],
    power: float,
    planned: str | None,
    contrasts: int | None,
    looks: str | None,
    most_nights: int,
    design: str | None,
    conditions: list[str],
    nights: int | None,
    start: datetime | None,
    seed: int,
    fixed: Path | None,
    out: Path,
) -> int:
    """Plan a comparison: nights in each condition to detect a change, by simulation.

    The simulated nights go through the very analysis and rules of ``sleepbrux compare``.
    """
    from sleepbrux.analysis.planning import Planned, plan_nights
    from sleepbrux.analysis.planning.planning_files import nights_of, write_plans
    from sleepbrux.core.purpose import PURPOSE

    if fixed is not None:
        click.echo("\n".join(_fixed(fixed, results)))
        if rate is None and study is None:
            return 0
    ratios = ratio or (0.5, 0.75)
    with progress_bar(desc="points simulated") as bar:
        if study is not None:
            plans = _of_study(study, results, ratios, power, most_nights, bar.update)
        else:
            events, variation = _variation(spread, cv_pct, rate, hours)
            laid: Any = planned or design or "randomised nights"
            others = contrasts or max(len(conditions) - 1, 1)
            wanted_plan = Planned(laid, others, looks=_looks(looks), power=power, most_nights=most_nights)
            plans = tuple(plan_nights(events, variation, r, wanted_plan, progress=bar.update) for r in ratios)
    answers, lines = [plan.answer for plan in plans], _shown(plans)
    table = write_plans(plans, out)
    if design is not None:
        try:
            wanted = nights or nights_of(plans[0])
        except UsageError as error:
            raise UsageError(f"{error}; give --nights for a schedule") from None
        lines += _schedule(design, conditions, wanted, start, seed, _looks(looks), out)
    for answer in answers:
        headline(answer)
    click.echo("\n".join([*lines, f"table: {table}", PURPOSE]))
    if study is None:
        next_steps.say_next(("draft the study file", ("study", "new", out)))
    return 0
