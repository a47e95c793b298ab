"""``sleepbrux plan``: how many nights a comparison needs, and when to wear what."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sleepbrux.analysis.plan_arguments import ARGUMENTS, Wish, looks_in
from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, progress_bar, table_lines
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.analysis.planning import Plan, Schedule, Variation


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
    study: Path, results: Path | None, wish: Wish, progress: Callable[[], object]
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
    return plans_of_nights(
        plan, reading, wish.ratios, power=wish.power, most_nights=wish.most_nights, progress=progress
    )


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


def _variation(wish: Wish) -> tuple[float, Variation]:
    """Events a night without an appliance, and how far nights vary."""
    from sleepbrux.analysis.planning import Variation
    from sleepbrux.analysis.planning.planning_files import published

    if wish.rate is None:
        raise UsageError("give --rate (events per valid hour without an appliance), or --study")
    events = wish.rate * wish.hours
    if (wish.spread is None) == (wish.cv_pct is None):
        raise UsageError("give either --spread (published) or --cv-pct (beyond counting)")
    if wish.spread is not None:
        return events, published(wish.spread, events)
    return events, Variation(wish.cv_pct or 0.0, "as given")


def _looks(text: str | None) -> tuple[int, ...]:
    """Numbers of nights at which is looked, from ``"4,7,10"``."""
    looks = looks_in(text or "")
    if text is not None and not looks:
        raise UsageError(
            f"--looks {text!r}: give two or more rising numbers of nights in each condition, the first 4 or "
            "more, for example 6,9,12"
        )
    return looks


def _schedule(laid: Schedule, seed: int, out: Path) -> list[str]:
    lines = [f"\n{laid.design}, seed {seed}: {laid.analysis}"]
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


def _option(name: str) -> Callable[[options.Command], options.Command]:
    """The option of an argument of the table."""
    one = ARGUMENTS[name]
    least, most = (None if v is None else int(v) for v in (one.least, one.most))
    more: dict[str, Any] = {"type": None}
    if one.kind in ("number", "numbers"):
        more = {"type": options.Number(one.least, one.most, min_open=one.above)}
    elif one.kind == "whole":
        more = {"type": click.IntRange(least, most)}
    elif one.kind == "choice":
        more = {"type": click.Choice(one.choices)}
    elif one.kind == "day":
        more = {"type": click.DateTime(["%Y-%m-%d"])}
    if one.kind == "numbers":
        more["multiple"] = True
    elif one.kind == "names":
        more = {
            "type": options.Words(),
            "multiple": True,
            "metavar": "NAME",
            "callback": options.names,
            "default": ("none,appliance",),
            "show_default": "none,appliance",
        }
    elif one.default:
        convert = int if one.kind == "whole" else float
        more |= {"default": convert(one.default), "show_default": True}
    more_words = (
        "; repeat it for each, or write them with commas and no blanks between them."
        if one.kind == "names"
        else ""
    )
    return click.option(f"--{name.replace('_', '-')}", name, help=one.words + more_words, **more)


def _wished(command: options.Command) -> options.Command:
    """The options of every argument of the table; the command takes them as ``wish``."""

    @functools.wraps(command)
    def wrapped(**given: Any) -> Any:
        wish = {name: given.pop(name) for name in ARGUMENTS}
        start = wish["start"]
        wish |= {"looks": _looks(wish["looks"]), "conditions": tuple(wish["conditions"])}
        wish["start"] = start.date() if start is not None else None
        return command(wish=Wish(**wish), **given)

    with_options: options.Command = wrapped
    for name in reversed(ARGUMENTS):
        with_options = _option(name)(with_options)
    return with_options


@click.command()
@click.option(
    "--study",
    type=click.Path(path_type=Path, exists=True),
    default=None,
    help="Study file or folder with nights.csv: the person's own rate and variation.",
)
@options.results
@_wished
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
def command(study: Path | None, results: Path | None, wish: Wish, fixed: Path | None, out: Path) -> int:
    """Plan a comparison: nights in each condition to detect a change, by simulation.

    The simulated nights go through the very analysis and rules of ``sleepbrux compare``.
    """
    from sleepbrux.analysis.planning.planning_files import PLAN, plans_wished, write_planned
    from sleepbrux.core.purpose import PURPOSE

    if fixed is not None:
        click.echo("\n".join(_fixed(fixed, results)))
        if wish.rate is None and study is None:
            return 0
    if wish.schedule is not None and wish.start is None:
        raise UsageError("--schedule needs --start, the date of the first night (YYYY-MM-DD)")
    with progress_bar(desc="points simulated") as bar:
        if study is not None:
            plans = _of_study(study, results, wish, bar.update)
        else:
            plans = plans_wished(wish, *_variation(wish), progress=bar.update)
    laid = write_planned(plans, wish, out)
    lines = [*_shown(plans), *(_schedule(laid, wish.seed, out) if laid else ())]
    for plan in plans:
        headline(plan.answer)
    click.echo("\n".join([*lines, f"table: {out / PLAN}", PURPOSE]))
    if study is None:
        next_steps.say_next(("draft the study file", ("study", "new", out)))
    return 0
