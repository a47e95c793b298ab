"""A whole batch: plan, lock, what is done, the rest side by side, one table."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import msgspec

from sleepbrux.analysis.comparison.fixing import fix_at_scoring
from sleepbrux.archive.manifest import load_manifest
from sleepbrux.batch import ledger
from sleepbrux.batch.cluster import run_cluster
from sleepbrux.batch.ledger import LedgerRow, cores, locked, row_of, tidy
from sleepbrux.batch.pool import run_pool
from sleepbrux.batch.tasks import Common, OnOther, Task, plan, shard_of, without_companion
from sleepbrux.core.arguments import CALL, LEVELS, NONE, PATH, TEXTS, check, each, of
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import write_text
from sleepbrux.core.texts import visible
from sleepbrux.export.tables import decimals, safe_text
from sleepbrux.recording.opening import Hints
from sleepbrux.recording.storage import is_address
from sleepbrux.report.outputs import ARCHIVE
from sleepbrux.study.file import load_study

TABLE = "nights.csv"
NOT_YET = "not scored yet"

COLUMNS = {
    "person": "pseudonym in the study file; empty for a recording without one",
    "night": "id in the study file, or the recording's name",
    "recording": "name of the file",
    "path": "of the recording, relative to the folder that all inputs share; in a store its address",
    "condition": "what was worn",
    "date": "day on which the recording began, else the study's; empty where not known",
    "episode_count": "episodes whose onset lies in the valid window",
    "valid_hours": "denominator of the rate",
    "episodes_per_hour": "episodes per valid hour",
    "criterion": "id of the rule set",
    "instead_of": "id of the rule set that was meant, where another one had to be used",
    "basis": "what the window is based on",
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
    archives
        Archive of each row, for `load_night`; None where the night was not scored, or no archive was asked for.
    no_longer_listed
        Rows of the table that stood there before whose night is not in this run; their files stay.
    doubled
        A sentence for each recording that is a night of two persons.

    Examples
    --------
    >>> import tempfile
    >>> import sleepbrux as sb
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     done = sb.score_many("demo_data/excerpt.edf", out=folder, mvc_uv=190, workers=1)
    ...     done.failed, done.table.name, len(done.archives)
    (0, 'nights.csv', 1)
    """

    rows: tuple[LedgerRow, ...]
    unchanged: int
    table: Path | None
    archives: tuple[Path | None, ...] = ()
    no_longer_listed: int = 0
    doubled: tuple[str, ...] = ()

    @property
    def failed(self) -> int:
        """Nights without a result."""
        return sum(bool(row.problem) for row in self.rows)

    @property
    def waiting(self) -> int:
        """Of these, nights that were not tried."""
        return sum(row.problem == NOT_YET for row in self.rows)


def _nothing(*_: object) -> None:
    """Do nothing."""


@dataclass(frozen=True)
class Watch:
    """What a run calls on its way, and when it gives up.

    Attributes
    ----------
    most_failures
        After more failed nights than this it stops, and the rest is not scored yet; None: it never does.
    on_plan
        With the number of nights and of those to score.
    on_row
        With each row as it is done.
    on_other
        See `tasks.plan`.
    on_warning
        With what hindered the record of when a study was fixed.
    """

    on_plan: Callable[[int, int], object] = _nothing
    on_row: Callable[[LedgerRow], object] = _nothing
    on_other: OnOther = _nothing
    on_warning: Callable[[str], object] = _nothing
    most_failures: int | None = None


UNWATCHED = Watch()


def run_batch(
    inputs: Sequence[Path | str],
    out: Path,
    *,
    workers: int | None = None,
    common: Common | None = None,
    scheduler: str = "",
    shard: tuple[int, int] | None = None,
    merge: bool = False,
    watch: Watch = UNWATCHED,
) -> Batch:
    """Score many nights and write one table of them; what is done and unchanged is not done again.

    Parameters
    ----------
    inputs
        Study files, folders, recordings, addresses in a store; see `tasks.plan`.
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
    watch
        What is called on the way.

    Raises
    ------
    UsageError
        Nothing to score, two nights of one name, a folder that another run holds.
    """
    common = common or Common()
    tasks = plan(inputs, out, common, on_other=watch.on_other)
    for lacking in without_companion(tasks, common):
        watch.on_warning(lacking)
    if shard is not None:
        tasks = shard_of(tasks, shard)
    with locked(out, shard):
        rows, todo = _done(tasks, out, merge=merge)
        watch.on_plan(len(tasks), len(todo))
        unchanged = len(tasks) - len(todo) if not merge else 0
        tidy(out, todo)
        for hindered in _fix(todo, out):
            watch.on_warning(hindered)
        with closing(_work(todo, out, workers or cores(), scheduler)) as work:
            failures = 0
            for task, row in work:
                rows[task.key] = row
                watch.on_row(row)
                failures += bool(row.problem)
                if watch.most_failures is not None and failures > watch.most_failures:
                    break
        for task in todo:
            rows.setdefault(task.key, row_of(task, problem=NOT_YET))
        ordered = tuple(rows[task.key] for task in tasks)
        archives = tuple(
            None if row.problem or not task.common.archives else task.archive(out)
            for task, row in zip(tasks, ordered, strict=True)
        )
        if shard is not None:
            return Batch(ordered, unchanged, None, archives)
        _name_others([task for task in tasks if task.study and not rows[task.key].problem], out)
        gone = _no_longer_listed(out / TABLE, ordered)
        write_text(out / TABLE, batch_csv(ordered))
    return Batch(ordered, unchanged, out / TABLE, archives, gone, _one_recording_of_two(ordered))


def score_many(
    paths: Sequence[str | Path] | str | Path,
    *,
    out: str | Path = "results",
    workers: int | None = None,
    criterion: str | Path = "",
    mvc_uv: float | Mapping[str, float] | None = None,
    channels: Sequence[str] = (),
    hints: Hints | None = None,
    on_row: Callable[[LedgerRow], None] | None = None,
) -> Batch:
    """Score many nights side by side, as the batch command does, and write report, tables and archive of each.

    A run that was cut off goes on where it stopped; a night that fails is a row with its problem.

    Parameters
    ----------
    paths
        Recordings, folders, study files, and addresses of recordings in a store (extra ``cloud``), such as
        ``"s3://bucket/nights"``, which are copied to be scored. What a study file describes is scored as it says.
    out
        Folder of the results.
    workers
        Processes; default: one a core. The count changes no result. In a script, call this under
        ``if __name__ == "__main__":``, as new processes import it.
    criterion, mvc_uv, channels, hints
        As in `score` and `Hints`, for all recordings that no study file describes.
    on_row
        Called with each row as it is done.

    Returns
    -------
    Batch
        Rows in the order of the nights, the table's file, and the archive of each night.

    Raises
    ------
    UsageError
        Nothing to score, a number of workers below 1, two nights of one name, a folder that another run holds.

    Examples
    --------
    >>> import tempfile
    >>> import sleepbrux as sb
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     done = sb.score_many("demo_data/excerpt.edf", out=folder, mvc_uv=190, workers=1)
    ...     [row.problem for row in done.rows]
    ['']
    """
    check(
        paths=(paths, PATH | each(PATH, "a list of paths")),
        out=(out, PATH),
        workers=(workers, NONE | of(int, "a whole number")),
        criterion=(criterion, PATH),
        mvc_uv=(mvc_uv, NONE | LEVELS),
        channels=(channels, TEXTS),
        hints=(hints, NONE | of(Hints)),
        on_row=(on_row, NONE | CALL),
    )
    if workers is not None and workers < 1:
        raise UsageError(f"`workers` is {workers}; give 1 or more, or None for one a core")
    listed = [paths] if isinstance(paths, str | Path) else paths
    common = Common(
        str(criterion),
        (channels,) if isinstance(channels, str) else tuple(channels),
        hints or Hints(),
        dict(mvc_uv) if isinstance(mvc_uv, Mapping) else mvc_uv,
    )
    watch = UNWATCHED if on_row is None else Watch(on_row=on_row)
    places = [path if is_address(path) else Path(path) for path in listed]
    return run_batch(places, Path(out), workers=workers, common=common, watch=watch)


def _name_others(tasks: Sequence[Task], out: Path) -> None:
    """Say on the page of each night where it lies among the person's others, now that all are there."""
    from sleepbrux.report.other_nights import fill_in

    by_folder: dict[str, dict[str, Task]] = {}
    for task in tasks:
        by_folder.setdefault(str(task.folder), {})[task.stem] = task
    for folder, own in by_folder.items():
        for stem in fill_in(out / folder, own):
            task = own[stem]
            record, manifest = ledger.load_record(out, task), load_manifest(out / folder, stem)
            if record is not None and manifest is not None:
                outputs = ledger.left_by(out, task, manifest)
                ledger.save_record(out, task, msgspec.structs.replace(record, outputs=outputs))


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


def _fix(todo: Sequence[Task], out: Path) -> Iterator[str]:
    """Record beside each study file what it fixes, before its nights are scored; yields what hindered it."""
    for file in dict.fromkeys(task.study_file for task in todo if task.study_file is not None):
        if hindered := fix_at_scoring(file, load_study(file), out, ARCHIVE):
            yield hindered


def _work(
    todo: Sequence[Task], out: Path, workers: int, scheduler: str
) -> Generator[tuple[Task, LedgerRow], None, None]:
    if todo and scheduler:
        yield from run_cluster(todo, out.absolute(), scheduler)
    elif todo:
        yield from run_pool(todo, out.absolute(), workers)


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


def _no_longer_listed(table: Path, rows: Sequence[LedgerRow]) -> int:
    try:
        with table.open(encoding="utf-8-sig", newline="") as file:
            before = [(row.get("person"), row.get("night")) for row in csv.DictReader(file)]
    except (OSError, ValueError, csv.Error):
        return 0
    now = {(safe_text(visible(row.study)), safe_text(visible(row.night))) for row in rows}
    return sum(who not in now for who in before)


def _one_recording_of_two(rows: Sequence[LedgerRow]) -> tuple[str, ...]:
    first: dict[str, LedgerRow] = {}
    found = []
    for row in rows:
        other = first.setdefault(row.input_sha256, row) if row.input_sha256 else row
        if other.study != row.study:
            found.append(
                f"{other.name} and {row.name} are one and the same recording (SHA-256 {row.input_sha256[:8]}…): it "
                "stands in the study of two persons; take it out of one of them"
            )
    return tuple(found)


def parse_shard(text: str) -> tuple[int, int]:
    """``"2/5"`` as ``(2, 5)``.

    Raises
    ------
    UsageError
        Not two whole numbers, or the first not from 1 to the second.
    """
    first, slash, second = text.partition("/")
    if not (slash and first.isdecimal() and second.isdecimal()) or not 1 <= int(first) <= int(second):
        raise UsageError(f"`shard` {text!r} is no part; write 2/5 for the second of five")
    return int(first), int(second)
