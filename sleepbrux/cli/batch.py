"""``sleepbrux batch``: many nights side by side."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.score import make_folder
from sleepbrux.cli.terminal import above_the_bar, progress_bar
from sleepbrux.core.errors import CriterionError, UsageError
from sleepbrux.core.texts import count_of

if TYPE_CHECKING:
    from sleepbrux.batch import Batch, LedgerRow
    from sleepbrux.recording.opening import Hints


MOST_SAID = 20


def _say_others(others: list[str]) -> None:
    for text in others[:MOST_SAID]:
        click.echo(text, err=True)
    if len(others) > MOST_SAID:
        click.echo(f"and {len(others) - MOST_SAID} more files", err=True)


def _said(row: LedgerRow) -> str:
    from sleepbrux.report.numbers import text

    name = row.name
    if row.figures is None:
        return f"{name} was not scored: {row.problem}"
    rate = row.figures.rate_per_hour
    value = "no rate" if rate is None else f"{text(rate, '1/h')} episodes per valid hour"
    meant = row.figures.instead_of
    by = f"scored by {row.figures.criterion} instead of {meant}: " if meant else ""
    return f"{name}: {by}{value}"


def _warn(text: str) -> None:
    with above_the_bar():
        click.echo(f"warning: {text}", err=True)


def _next(archives: Iterable[Path | None]) -> None:
    for first in [path for path in archives if path is not None][:1]:
        next_steps.say_next(("look at every episode of a night and decide", ("review", first)))


def _end(batch: Batch) -> None:
    """Where the table is, what is wrong with it, and what comes next."""
    if batch.table is None:
        click.echo("one table of all shards: run the same command with --merge instead of --shard")
    else:
        click.echo(f"{count_of(len(batch.rows), 'night')} in one table: {batch.table}")
        if batch.no_longer_listed:
            click.echo(
                f"{count_of(batch.no_longer_listed, 'row')} of the earlier table are not nights of this run and "
                "were taken out; their results stay",
                err=True,
            )
    for sentence in batch.doubled:
        click.echo(f"sleepbrux: {sentence}", err=True)
    if batch.failed:
        click.echo(f"{batch.failed} of {len(batch.rows)} nights were not scored", err=True)
    if batch.table is not None:
        _next(batch.archives)


def _check(criterion: str, scheduler: str, workers: int | None, merge: bool, shard: str) -> None:
    if criterion:
        from sleepbrux.criteria import load_criterion

        try:
            load_criterion(criterion)
        except CriterionError as error:
            raise UsageError(str(error)) from error
    if scheduler and workers is not None:
        raise UsageError("--workers counts processes of this machine; leave it out with --scheduler")
    if merge and (shard or scheduler or workers is not None):
        raise UsageError("--merge scores nothing; leave out --shard, --scheduler and --workers")


@click.command()
@click.argument(
    "inputs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="STUDY_OR_FOLDER..."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder for the results; made if it is not there.",
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    default=None,
    help="Processes at a time, one night each [default: one a core].",
)
@click.option(
    "--criterion",
    default="",
    metavar="ID | FILE",
    help="Rule set for recordings that no study file describes.",
)
@click.option(
    "--channel", multiple=True, metavar="LABEL", help="Channel to score in such recordings; repeatable."
)
@options.hints
@click.option(
    "--scheduler",
    default="",
    metavar="ADDRESS",
    help="Dask scheduler whose workers do the work, such as tcp://host:8786.",
)
@click.option(
    "--shard", default="", metavar="I/N", help="Only every N-th night from the I-th on, for job arrays."
)
@click.option("--merge", is_flag=True, help="Score nothing; write the table of what is there.")
def command(
    inputs: tuple[Path, ...],
    out: Path,
    workers: int | None,
    criterion: str,
    channel: tuple[str, ...],
    hints: Hints,
    scheduler: str,
    shard: str,
    merge: bool,
) -> int:
    """Score the nights of study files, and every recording of folders, and write one table of all.

    The options that describe recordings (--unit, --scale, --rate and so on) are those of the recordings
    that no study file describes.

    A folder with a study.toml stands for that study; its results go to a folder named by the
    pseudonym. Run it again to go on after an interruption: only nights that are missing, or whose
    recording, study entry, rules or program version changed, are scored again.
    """
    from sleepbrux.batch import Watch, run_batch
    from sleepbrux.batch.run import parse_shard
    from sleepbrux.batch.tasks import HIDDEN, Common, below, shared_folder

    _check(criterion, scheduler, workers, merge, shard)
    part = parse_shard(shard) if shard else None
    make_folder(out)
    bar = progress_bar(
        desc="nights", leave=False, bar_format="{desc} {n_fmt} of {total_fmt} {bar} {remaining} left"
    )
    done = 0

    def on_plan(total: int, todo: int) -> None:
        bar.reset(total=total)
        bar.update(total - todo)
        _say_others(others)
        if total > todo and not merge:
            click.echo(f"{total - todo} of {total} nights are done already and unchanged")

    def on_row(row: LedgerRow) -> None:
        nonlocal done
        done += 1
        bar.update()
        if row.problem:
            with above_the_bar():
                click.echo(f"sleepbrux: {_said(row)}", err=True)
        elif bar.disable:
            click.echo(_said(row))

    others: list[str] = []
    shared = shared_folder(inputs)

    def on_other(path: Path, reason: str) -> None:
        name = below(path, shared)
        others.append(
            f"{name} was passed over: {reason}"
            if reason == HIDDEN
            else f"{name} is no recording to score: {reason}"
        )

    try:
        batch = run_batch(
            inputs,
            out,
            workers=workers,
            common=Common(criterion, channel, hints),
            scheduler=scheduler,
            shard=part,
            merge=merge,
            watch=Watch(on_plan, on_row, on_other, _warn),
        )
    except KeyboardInterrupt:
        bar.close()
        click.echo(f"{done} nights were scored and are kept; run the same command to go on", err=True)
        raise
    finally:
        bar.close()
    _end(batch)
    return 1 if batch.failed or batch.doubled else 0
