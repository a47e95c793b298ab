"""``sleepbrux criteria``: the rule sets, every value with its source."""

from __future__ import annotations

from typing import Any

import click

from sleepbrux.cli import next_steps
from sleepbrux.core.errors import UsageError
from sleepbrux.criteria import DEFAULT_ID, Criterion, criterion_ids, load_criterion


def _text(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def describe(criterion: Criterion) -> str:
    """A rule set as plain text."""
    lines = [criterion.title, f"id {criterion.id}", f"digest {criterion.digest()}"]
    if criterion.parent:
        lines.append(f"derived from {criterion.parent}")
    lines += ["", criterion.summary.strip(), "", "Settings (value, status, source)"]
    for path, value in criterion.values():
        note = criterion.sources.get(path)
        if value is None:
            continue
        status = f"[{note.status}] {note.source}" if note else "[not stated]"
        lines.append(f"  {path:<34} {_text(value):<20} {status}")
    lines += ["", "Departures from the source"]
    lines += [f"  - {text}" for text in criterion.departures] or ["  none"]
    if criterion.cut_offs:
        lines += ["", "Published cut-offs (not applied to any recording)"]
        lines += [
            f"  {c.measure} {c.comparison} {c.value:g}: made for {c.made_for} [{c.status}] {c.source}"
            for c in criterion.cut_offs
        ]
    return "\n".join(lines)


@click.group(invoke_without_command=True)
@click.pass_context
def command(ctx: click.Context) -> None:
    """List the scoring criteria; see also ``criteria show ID`` and ``criteria check FILE``."""
    if ctx.invoked_subcommand is None:
        for name in criterion_ids():
            click.echo(f"{name:<24} {load_criterion(name).title}")
        next_steps.say_next(("see every value with its source", ("criteria", "show", DEFAULT_ID)))


@command.command()
@click.argument("name", metavar="ID")
def show(name: str) -> None:
    """Print every value of a criterion with its source and status."""
    try:
        click.echo(describe(load_criterion(name)))
    except ValueError as error:
        raise UsageError(str(error)) from error
    next_steps.say_next(("see all rule sets", ("criteria",)))


@command.command()
@click.argument("file", type=click.Path())
def check(file: str) -> None:
    """Check a rule file of your own."""
    criterion = load_criterion(file)
    click.echo(f"{criterion.id}: complete; digest {criterion.digest()}")
    next_steps.say_next(("score a recording by it", ("score", "NIGHT.edf", "--criterion", file)))
