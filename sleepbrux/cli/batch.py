"""``sleepbrux batch``: many nights side by side."""

from __future__ import annotations

import json
import time
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.score import check_time, levels_of, make_folder
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


class _Pace:
    """How far a run is and how fast it goes, for who has no bar; and its log."""

    def __init__(self, log: Path | None) -> None:
        self._log = log
        self._began = time.monotonic()
        self._before = self._total = self.n_done = 0

    def planned(self, total: int, todo: int) -> None:
        """So many nights, of which so many are to do."""
        self._before, self._total = total - todo, total
        self._note("planned", nights=total, to_score=todo)

    def done(self, row: LedgerRow) -> str:
        """One more; where the run stands now."""
        self.n_done += 1
        figures = row.figures
        if figures is None:
            self._note("failed", night=row.name, problem=row.problem)
        else:
            self._note(
                "scored",
                night=row.name,
                episodes_per_hour=figures.rate_per_hour,
                valid_hours=figures.valid_hours,
            )
        minutes = (time.monotonic() - self._began) / 60
        return f"{self._before + self.n_done} of {self._total}, {self.n_done / minutes:.1f} nights a minute"

    def ended(self, batch: Batch) -> None:
        """The table is written."""
        self._note("ended", nights=len(batch.rows), not_scored=batch.failed)

    def _note(self, event: str, **said: object) -> None:
        if self._log is not None:
            at = datetime.now(UTC).isoformat(timespec="milliseconds")
            line = json.dumps({"at": at, "event": event, **said}, ensure_ascii=False, allow_nan=False)
            try:
                with self._log.open("a", encoding="utf-8") as file:
                    file.write(f"{line}\n")
            except OSError as error:
                raise UsageError(f"--log {str(self._log)!r} cannot be written: {error.strerror}") from error


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
    if batch.waiting and batch.failed > batch.waiting:
        click.echo(
            f"stopped after {count_of(batch.failed - batch.waiting, 'failed night')}; {batch.waiting} were not tried; "
            "run the same command to go on",
            err=True,
        )
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


def _check_endings(stages: str, marks: str) -> None:
    """Refuse what names one file, or nothing that tells it from the recording."""
    for option, text in (("--stages", stages), ("--marks", marks)):
        if text and ("/" in text or "\\" in text or not text.strip(". ") or Path(text).is_file()):
            example = f".{option.strip('-')}.csv"
            raise UsageError(
                f"{option} {text!r} is no ending; write what the names end in after that of the recording, such "
                f"as {option} {example} for n1{example} beside n1.edf"
            )
    if stages and stages == marks:
        raise UsageError(f"--stages and --marks both name files that end in {stages!r}; give each its own")


@click.command()
@click.argument(
    "inputs", nargs=-1, required=True, type=click.Path(path_type=str), metavar="STUDY_OR_FOLDER..."
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
@click.option(
    "--mvc-uv",
    multiple=True,
    metavar="VALUE | LABEL=VALUE",
    help="Level of a maximal clench in µV in such recordings, for all channels or for one.",
)
@click.option(
    "--from",
    "from_text",
    default="",
    metavar="TIME",
    help="Start of the window in such recordings: clock time (23:10) or seconds.",
)
@click.option("--to", "to_text", default="", metavar="TIME", help="End of that window.")
@options.hints
@click.option(
    "--stages",
    default="",
    metavar="ENDING",
    help="What names of files with sleep stages end in, such as .stages.csv for n1.stages.csv beside n1.edf.",
)
@click.option(
    "--marks", default="", metavar="ENDING", help="The same for tables of marks, such as .marks.csv."
)
@click.option(
    "--archives/--no-archives",
    default=True,
    help="Whether an archive of each night is written; report and tables always are [default: yes].",
)
@click.option(
    "--scheduler",
    default="",
    metavar="ADDRESS",
    help="Dask scheduler whose workers do the work, such as tcp://host:8786.",
)
@click.option(
    "--shard", default="", metavar="I/N", help="Only every N-th night from the I-th on, for job arrays."
)
@click.option(
    "--max-failures",
    type=click.IntRange(min=0),
    default=None,
    metavar="N",
    help="Stop where more than N nights fail; the same command goes on later.",
)
@click.option(
    "--log",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Add what happens to this file, one line of JSON an event.",
)
@click.option("--merge", is_flag=True, help="Score nothing; write the table of what is there.")
def command(
    inputs: tuple[str, ...],
    out: Path,
    workers: int | None,
    criterion: str,
    channel: tuple[str, ...],
    mvc_uv: tuple[str, ...],
    from_text: str,
    to_text: str,
    hints: Hints,
    stages: str,
    marks: str,
    archives: bool,
    scheduler: str,
    shard: str,
    max_failures: int | None,
    log: Path | None,
    merge: bool,
) -> int:
    """Score the nights of study files, and every recording of folders, and write one table of all.

    The options that describe recordings (--unit, --scale, --rate and so on) are those of the recordings
    that no study file describes.

    A folder with a study.toml stands for that study; its results go to a folder named by the
    pseudonym. Run it again to go on after an interruption: only nights that are missing, or whose
    recording, study entry, rules or program version changed, are scored again.

    A recording, or a folder of EDF and BDF files, may lie in object storage: give its address, such as
    s3://bucket/nights (extra cloud). Each is copied while it is scored.
    """
    from sleepbrux.batch import Watch, run_batch
    from sleepbrux.batch.run import parse_shard
    from sleepbrux.batch.tasks import HIDDEN, Common, below, shared_folder
    from sleepbrux.recording.storage import is_address

    _check(criterion, scheduler, workers, merge, shard)
    part = parse_shard(shard) if shard else None
    for option, text in (("--from", from_text), ("--to", to_text)):
        check_time(text, option)
    _check_endings(stages, marks)
    levels = levels_of(mvc_uv, "--mvc-uv")
    common = Common(criterion, channel, hints, levels, from_text, to_text, stages, marks, archives)
    places = [text if is_address(text) else Path(text) for text in inputs]
    make_folder(out)
    pace = _Pace(log)
    bar = progress_bar(
        desc="nights", leave=False, bar_format="{desc} {n_fmt} of {total_fmt} {bar} {remaining} left"
    )

    def on_plan(total: int, todo: int) -> None:
        pace.planned(total, todo)
        bar.reset(total=total)
        bar.update(total - todo)
        _say_others(others)
        if total > todo and not merge:
            click.echo(f"{total - todo} of {total} nights are done already and unchanged")

    def on_row(row: LedgerRow) -> None:
        said = pace.done(row)
        bar.update()
        if row.problem:
            with above_the_bar():
                click.echo(f"sleepbrux: {_said(row)}", err=True)
        elif bar.disable:
            click.echo(f"{said}: {_said(row)}")

    others: list[str] = []
    shared = shared_folder(places)

    def on_other(path: Path | str, reason: str) -> None:
        name = below(path, shared)
        others.append(
            f"{name} was passed over: {reason}"
            if reason == HIDDEN
            else f"{name} is no recording to score: {reason}"
        )

    try:
        batch = run_batch(
            places,
            out,
            workers=workers,
            common=common,
            scheduler=scheduler,
            shard=part,
            merge=merge,
            watch=Watch(on_plan, on_row, on_other, _warn, max_failures),
        )
    except KeyboardInterrupt:
        bar.close()
        click.echo(f"{pace.n_done} nights were scored and are kept; run the same command to go on", err=True)
        raise
    finally:
        bar.close()
    pace.ended(batch)
    _end(batch)
    return 1 if batch.failed or batch.doubled else 0
