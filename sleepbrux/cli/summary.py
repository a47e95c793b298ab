"""``sleepbrux summary``: the nights of a study, condition by condition, from their archives."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import following
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.analysis.condition_summary import ConditionSummary, Outcome, StudySummary


def _number(value: float | None, decimals: int = 2) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _nights(condition: ConditionSummary) -> Iterator[str]:
    primary = condition.outcomes[0]
    width = max(5, *(len(night.id) for night in condition.nights))
    yield f"  {'night':<{width}} {'valid h':>8}  {primary.name}"
    for night, value in zip(condition.nights, primary.values, strict=True):
        shown = value.reason if value.value is None else _number(value.value)
        count = "" if value.count is None else f" ({value.count} events)"
        remarks = "".join(f"  * {remark}" for remark in night.remarks)
        yield f"  {night.id:<{width}} {night.valid_hours:>8.2f}  {shown}{count}{remarks}"


def _spread(outcome: Outcome) -> Iterator[str]:
    spread = outcome.spread
    if spread.cv_pct is not None and spread.counting_cv_pct is not None:
        yield (
            f"    spread: CV {_number(spread.cv_pct, 1)} %; counting noise "
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
    return "-" if low is None else f"{_number(low)} to {_number(high)}"


def _others(outcomes: tuple[Outcome, ...]) -> Iterator[str]:
    yield "  other measures, for description only (CV in %: of all, of counting, between nights)"
    yield (
        f"    {'measure':<45}{'unit':>10}{'nights':>7}{'mean':>9}{'median':>9}{'range':>20}{'SD':>9}"
        f"{'CV all':>8}{'counting':>9}{'between':>8}{'95 % of mean':>20}{'first':>9}"
        f"{'others':>9}"
    )
    for row in outcomes:
        interval, spread = row.interval, row.spread
        yield (
            f"    {row.name:<45}{row.unit:>10}{row.nights:>7}{_number(row.mean):>9}"
            f"{_number(row.median):>9}{_span(row.lowest, row.highest):>20}{_number(spread.sd):>9}"
            f"{_number(spread.cv_pct, 1):>8}{_number(spread.counting_cv_pct, 1):>9}"
            f"{_number(spread.nights_cv_pct, 1):>8}"
            f"{_span(interval.low, interval.high) if interval else '-':>20}"
            f"{_number(row.first.value):>9}{_number(row.first.mean_of_others):>9}"
        )
    explained = [row.name for row in outcomes if row.spread.counting_explains_all]
    if explained:
        yield f"    counting noise alone explains the spread of {', '.join(explained)}"


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


def _table(summary: StudySummary) -> str:
    from sleepbrux.core.purpose import PURPOSE

    lines = [
        f"{summary.person}: primary outcome {summary.primary_outcome}, criterion "
        f"{summary.criterion} (study file); nights {summary.order}"
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
        not before.startswith(f"{person}:")
        and f'"person": {json.dumps(person, ensure_ascii=False)}' not in before
    ):
        raise UsageError(
            f"--out {out.name} is there already and is no summary of {person!r}; name another file"
        )


@click.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    default=None,
    help="Folder with the archives [default: results beside the study file].",
)
@click.option("--json", "as_json", is_flag=True, help="JSON instead of tables.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="File to write instead of printing.",
)
def command(study: Path, results: Path | None, as_json: bool, out: Path | None) -> int:
    """Pool the scored nights of STUDY (a study file) by condition.

    For each condition: mean, median and range over nights, how much of their spread counting noise
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
    folder = following.found_results(study, results)
    due = Due(home=study.parent)
    nights, missing = read_nights(plan, folder, suffix=ARCHIVE, due=due)
    summary = summarise(plan, nights, missing)
    text = several_text(summary) if as_json else _table(summary)
    if out is not None:
        _refuse_other(out, plan.pseudonym)
    if out is None:
        click.echo(text, nl=False)
    else:
        write_text(out, text)
    if not as_json:
        following.say_next(*study_steps(plan, study, folder))
    if summary.missing:
        ids = ", ".join(night.id for night in summary.missing)
        click.echo(
            f"sleepbrux: {len(summary.missing)} of {len(plan.night)} nights are missing: {ids}; the "
            "reasons stand in the result",
            err=True,
        )
    failed = say_unread(f"night {night.id}: {night.unread}" for night in nights if night.unread)
    return 1 if summary.missing or failed else 0
