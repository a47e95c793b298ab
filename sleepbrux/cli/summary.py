"""``sleepbrux summary``: the nights of a study, condition by condition, from their archives."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, table_lines
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.analysis.condition_summary import ConditionSummary, Outcome, StudySummary


OTHER_HEADS = (
    "measure",
    "unit",
    "nights",
    "mean",
    "median",
    "range",
    "SD",
    "CV all",
    "Poisson",
    "between",
    "95 % of mean",
    "first",
    "others",
)


def _number(value: float | None, decimals: int = 2) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _nights(condition: ConditionSummary) -> Iterator[str]:
    primary = condition.outcomes[0]
    rows = []
    for night, value in zip(condition.nights, primary.values, strict=True):
        shown = value.reason if value.value is None else _number(value.value)
        count = "" if value.count is None else f" ({value.count} events)"
        remarks = "".join(f"  * {remark}" for remark in night.remarks)
        rows.append((night.id, f"{night.valid_hours:.2f}", f"{shown}{count}{remarks}"))
    yield from table_lines(("night", "valid h", primary.name), rows, texts=(0, 2))


def _spread(outcome: Outcome) -> Iterator[str]:
    spread = outcome.spread
    if spread.cv_pct is not None and spread.counting_cv_pct is not None:
        yield (
            f"    spread: CV {_number(spread.cv_pct, 1)} %; Poisson variation "
            f"{_number(spread.counting_cv_pct, 1)} %, night-to-night "
            f"{_number(spread.nights_cv_pct, 1)} %"
        )
    elif spread.cv_pct is not None:
        yield f"    spread: CV {_number(spread.cv_pct, 1)} %"
    yield f"    {spread.sentence}"


def _first(outcome: Outcome) -> str:
    first = outcome.first
    value = first.reason if first.value is None else _number(first.value)
    others = (
        "no other night"
        if first.mean_of_others is None
        else f"mean of the other {first.others}: {_number(first.mean_of_others)}"
    )
    which = "first night of the study" if first.first_of_study else "first night of this condition"
    return f"    {which}, {first.id}: {value}; {others}"


def _primary(outcome: Outcome) -> Iterator[str]:
    from sleepbrux.analysis.condition_summary import HALF_WIDTH_PCT

    yield f"  {outcome.name} ({outcome.unit}), primary outcome"
    yield (
        f"    nights {outcome.nights}, mean {_number(outcome.mean)}, median "
        f"{_number(outcome.median)}, range {_number(outcome.lowest)} to {_number(outcome.highest)}, "
        f"SD {_number(outcome.spread.sd)}"
    )
    yield from _spread(outcome)
    if outcome.interval is None:
        yield f"    {outcome.no_interval}"
    else:
        yield (
            f"    95 % interval {_number(outcome.interval.low)} to {_number(outcome.interval.high)}: "
            f"{outcome.interval.meaning}"
        )
    yield _first(outcome)
    wanted = f"nights for a half-width of {HALF_WIDTH_PCT:g} % of the mean"
    if outcome.none_needed:
        yield f"    {wanted}: not known ({outcome.none_needed})"
    for row in outcome.needed:
        yield (
            f"    {wanted}: {row.nights}, so {row.still_needed} "
            f"more (CV {_number(row.cv_pct, 1)} %, {row.source}; t quantile; "
            f"{row.nights_if_cv_known} if that CV were known exactly)"
        )


def _span(low: float | None, high: float | None) -> str:
    return "-" if low is None else f"{_number(low)}–{_number(high)}"


def _others(outcomes: tuple[Outcome, ...]) -> Iterator[str]:
    yield "  other measures, for description only (CV in %: of all, of Poisson variation, between nights)"
    rows = [
        (
            row.name,
            row.unit,
            f"{row.nights}",
            _number(row.mean),
            _number(row.median),
            _span(row.lowest, row.highest),
            _number(row.spread.sd),
            _number(row.spread.cv_pct, 1),
            _number(row.spread.counting_cv_pct, 1),
            _number(row.spread.nights_cv_pct, 1),
            _span(row.interval.low, row.interval.high) if row.interval else "-",
            _number(row.first.value),
            _number(row.first.mean_of_others),
        )
        for row in outcomes
    ]
    yield from table_lines(OTHER_HEADS, rows, indent="    ")
    explained = [row.name for row in outcomes if row.spread.counting_explains_all]
    if explained:
        yield f"    Poisson variation alone explains the spread of {', '.join(explained)}"


def _condition(condition: ConditionSummary) -> Iterator[str]:
    yield f"\n{condition.condition}: {count_of(len(condition.nights), 'night')} pooled"
    if condition.basis is not None:
        basis = condition.basis
        yield (
            f"  criterion {basis.criterion}; window: {basis.window}; channels: "
            f"{' + '.join(basis.channels)}; reference: {basis.reference}"
        )
    yield from (f"  note: {remark}" for remark in condition.remarks)
    if condition.outcomes:
        yield from _nights(condition)
        yield from _primary(condition.outcomes[0])
        yield from _others(condition.outcomes[1:])
    for left in condition.left_out:
        yield f"  left out: {left.id}: {'; '.join(left.reasons)}"


def _answers(summary: StudySummary) -> Iterator[str]:
    """Mean over nights of each condition, with its interval."""
    for one in summary.conditions:
        if not one.outcomes:
            continue
        found = one.outcomes[0]
        sure = f" (95 % interval {_span(found.interval.low, found.interval.high)})" if found.interval else ""
        yield (
            f"{one.condition}: {found.name.replace('_', ' ')} {_number(found.mean)}{sure}, mean of "
            f"{count_of(len(one.nights), 'night')}"
        )


def _table(summary: StudySummary) -> str:
    from sleepbrux.core.purpose import PURPOSE

    lines = [
        *_answers(summary),
        f"{summary.person}: primary outcome {summary.primary_outcome}, criterion "
        f"{summary.criterion} (study file); nights {summary.order}",
    ]
    for condition in summary.conditions:
        lines += _condition(condition)
    lines.append("")
    lines += [f"missing: {night.id} ({night.condition}): {night.reason}" for night in summary.missing]
    lines += [f"not comparable: {reason}" for reason in summary.not_comparable]
    lines += [f"note: {summary.unproved}"] if summary.unproved else []
    lines += [
        f"Note: {summary.counting_noise}.",
        "Side by side only: no statement about an effect is made. Nights vary by themselves.",
        PURPOSE,
    ]
    return "\n".join(lines) + "\n"


def _refuse_other(out: Path, person: str) -> None:
    """Refuse to write over anything but an earlier summary of the same person."""
    try:
        before = out.read_text("utf-8")
    except FileNotFoundError:
        return
    except (OSError, ValueError):
        before = ""
    if (
        f"{person}: primary outcome" not in before
        and f'"person": {json.dumps(person, ensure_ascii=False)}' not in before
    ):
        raise UsageError(
            f"--out {out.name} is there already and is no summary of {person!r}; name another file"
        )


@click.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@options.results
@click.option("--json", "as_json", is_flag=True, help="JSON instead of tables.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="File to write instead of printing.",
)
def command(study: Path, results: Path | None, as_json: bool, out: Path | None) -> int:
    """Pool the scored nights of STUDY (a study file) by condition.

    For each condition: mean, median and range over nights, how much of their spread Poisson variation
    explains, an interval of the mean, and how many nights are still needed. Recordings are not needed.
    """
    from sleepbrux.analysis.condition_summary import several_text, summarise
    from sleepbrux.archive.nights import Due, read_nights
    from sleepbrux.cli.reviews import say_unread
    from sleepbrux.cli.score import recorded_study, study_steps
    from sleepbrux.core.files import write_text
    from sleepbrux.report.outputs import ARCHIVE

    if out is not None and (out.resolve() == study.resolve() or out.name.endswith(ARCHIVE)):
        raise UsageError(f"--out {out.name} would overwrite an input; name another file")
    plan = recorded_study(study)
    folder = next_steps.found_results(study, results)
    due = Due(home=study.parent)
    nights, missing = read_nights(plan, folder, suffix=ARCHIVE, due=due)
    summary = summarise(plan, nights, missing)
    text = several_text(summary) if as_json else _table(summary)
    if out is not None:
        _refuse_other(out, plan.pseudonym)
        write_text(out, text)
    elif as_json:
        click.echo(text, nl=False)
    else:
        first, rest = text.split("\n", 1)
        headline(first)
        click.echo(rest, nl=False)
    if summary.missing:
        ids = ", ".join(night.id for night in summary.missing)
        click.echo(
            f"sleepbrux: {len(summary.missing)} of {len(plan.night)} nights are missing: {ids}; the "
            "result says why",
            err=True,
        )
    failed = say_unread(f"night {night.id}: {night.unread}" for night in nights if night.unread)
    if not as_json:
        next_steps.say_next(*study_steps(plan, study, folder))
    return 1 if summary.missing or failed else 0
