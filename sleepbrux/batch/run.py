"""A whole batch: plan, lock, what is done, the rest side by side, one table."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from sleepbrux.batch import ledger
from sleepbrux.batch.cluster import run_cluster
from sleepbrux.batch.ledger import LedgerRow, cores, locked, row_of, tidy
from sleepbrux.batch.pool import run_pool
from sleepbrux.batch.tasks import Common, OnOther, Task, plan, shard_of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import write_text
from sleepbrux.core.texts import visible
from sleepbrux.export.tables import decimals, safe_text

TABLE = "nights.csv"
NOT_YET = "not scored yet"

COLUMNS = {
    "study": "pseudonym in the study file; empty for a recording without one",
    "night": "id in the study file, or the recording's name",
    "recording": "name of the file",
    "path": "of the recording, relative to the folder that all inputs share",
    "condition": "what was worn",
    "date": "day on which the recording began, else the study's; empty where not known",
    "episodes": "episodes whose onset lies in the valid window",
    "valid_hours": "denominator of the rate",
    "episodes_per_hour": "episodes per valid hour",
    "criterion": "id of the rule set",
    "instead_of": "id of the rule set that was meant, where another one had to be used",
    "basis": "whose word the window is",
    "reference": "where the clench came from",
    "warnings": "warnings in the night's notes",
    "input_sha256": "SHA-256 of the recording",
    "report_id": "id of the night's report",
    "version": "of the program",
    "problem": "why the night was not scored; empty where it was",
}


@dataclass(frozen=True)
class Batch:
    """What a run leaves.

    Attributes
    ----------
    rows
        In input order: all nights, or those of the shard.
    unchanged
        How many were done already.
    table
        The file with all rows; None for a shard, whose table the next whole run writes.
    """

    rows: tuple[LedgerRow, ...]
    unchanged: int
    table: Path | None

    @property
    def failed(self) -> int:
        """Nights without a result."""
        return sum(bool(row.problem) for row in self.rows)


def run_batch(
    inputs: Sequence[Path],
    out: Path,
    *,
    workers: int | None = None,
    common: Common | None = None,
    scheduler: str = "",
    shard: tuple[int, int] | None = None,
    merge: bool = False,
    on_plan: Callable[[int, int], None] | None = None,
    on_row: Callable[[LedgerRow], None] | None = None,
    on_other: OnOther | None = None,
) -> Batch:
    """Score many nights and write one table of them; what is done and unchanged is not done again.

    Parameters
    ----------
    inputs
        Study files, folders, recordings; see `tasks.plan`.
    workers
        Processes; default: one a core. The count changes no byte.
    common
        How recordings without a study file are scored.
    scheduler
        Address of a Dask scheduler that does the work instead.
    shard
        ``(i, n)``: only every n-th night from the i-th on, and no table.
    merge
        Score nothing; write the table of what is there.
    on_plan, on_row
        Called with the number of nights and of those to score, then with each row as it is done.
    on_other
        See `tasks.plan`.

    Raises
    ------
    UsageError
        Nothing to score, two nights of one name, a folder that another run holds.
    """
    tasks = plan(inputs, out, common or Common(), on_other=on_other)
    if shard is not None:
        tasks = shard_of(tasks, shard)
    with locked(out, shard):
        rows, todo = _done(tasks, out, merge=merge)
        if on_plan is not None:
            on_plan(len(tasks), len(todo))
        unchanged = len(tasks) - len(todo) if not merge else 0
        tidy(out, todo)
        for task, row in _work(todo, out, workers or cores(), scheduler):
            rows[task.key] = row
            if on_row is not None:
                on_row(row)
        ordered = tuple(rows[task.key] for task in tasks)
        if shard is not None:
            return Batch(ordered, unchanged, None)
        write_text(out / TABLE, batch_csv(ordered))
    return Batch(ordered, unchanged, out / TABLE)


def _done(tasks: Sequence[Task], out: Path, *, merge: bool) -> tuple[dict[str, LedgerRow], list[Task]]:
    """Rows that stand, by key, and the tasks still to do."""
    rows, todo = {}, []
    for task in tasks:
        record = ledger.whole(out, task) if merge else ledger.checked(out, task, read=False)
        if record is not None:
            rows[task.key] = msgspec.structs.replace(record.row, path=visible(task.path))
        elif merge:
            rows[task.key] = row_of(task, problem=NOT_YET)
        else:
            todo.append(task)
    return rows, todo


def _work(todo: Sequence[Task], out: Path, workers: int, scheduler: str) -> Iterator[tuple[Task, LedgerRow]]:
    if not todo:
        return iter(())
    if scheduler:
        return run_cluster(todo, out.absolute(), scheduler)
    return run_pool(todo, out.absolute(), workers)


def batch_csv(rows: Sequence[LedgerRow]) -> str:
    """Nights of a batch, one row each; columns `COLUMNS`."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        said = (row.study, row.night, row.recording, row.path, row.condition)
        writer.writerow(
            [
                *map(safe_text, said),
                row.date,
                *_figures(row),
                row.input_sha256,
                row.report_id,
                row.version,
                safe_text(row.problem),
            ]
        )
    return buffer.getvalue()


def _figures(row: LedgerRow) -> list[str]:
    figures = row.figures
    if figures is None:
        return [""] * 8
    rate = figures.rate_per_hour
    return [
        str(figures.episodes),
        decimals(figures.valid_hours, 4),
        "" if rate is None else decimals(rate, 4),
        safe_text(figures.criterion),
        figures.instead_of,
        safe_text(figures.basis),
        safe_text(figures.reference),
        str(figures.warnings),
    ]


def parse_shard(text: str) -> tuple[int, int]:
    """``"2/5"`` as ``(2, 5)``.

    Raises
    ------
    UsageError
        Not two whole numbers, or the first not from 1 to the second.
    """
    first, slash, second = text.partition("/")
    if not (slash and first.isdecimal() and second.isdecimal()) or not 1 <= int(first) <= int(second):
        raise UsageError(f"--shard {text!r} is no part; write --shard 2/5 for the second of five")
    return int(first), int(second)
