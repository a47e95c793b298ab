"""One night of a batch: scored by the path that ``score`` takes, written, recorded."""

from __future__ import annotations

import contextlib
from pathlib import Path

from msgspec.structs import replace

from sleepbrux.analysis.comparison import night_row
from sleepbrux.batch import ledger
from sleepbrux.batch.ledger import LedgerRecord, LedgerRow, row_of
from sleepbrux.batch.tasks import Task, companions_of
from sleepbrux.core.errors import ArchiveError, RecordingError, SleepbruxError
from sleepbrux.core.texts import file_name
from sleepbrux.core.version import __version__
from sleepbrux.recording.opening import fitting
from sleepbrux.recording.storage import fetched
from sleepbrux.report.outputs import SUMMARY, refuse_of_archive, write_set
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.request import Request, score_file, study_request
from sleepbrux.signal.surroundings.companions import CompanionFiles
from sleepbrux.study.files import find_file

OLDER = "; older results of this night still stand in the folder"


def score_task(task: Task, out: Path, version: str = __version__) -> LedgerRow:
    """Score one night, unless its record is still true, and write its results and its record.

    One thread, so that as many processes as cores keep out of each other's way. Whatever goes wrong
    becomes the row's ``problem``.
    """
    try:
        if version != __version__:
            raise RecordingError(f"the worker runs sleepbrux {__version__}, the command {version}")
        if task.fault:
            raise RecordingError(task.fault)
        record = ledger.checked(out, task, read=True) or _scored(task, out)
        ledger.save_record(out, task, record)
    except ArchiveError as error:  # results of another person or night stand there
        return row_of(task, problem=str(error))
    except Exception as error:
        return failed(task, out, _sentence(error))
    return record.row


def failed(task: Task, out: Path, problem: str) -> LedgerRow:
    """The row of a night that could not be scored; recorded where the disk allows it."""
    if task.archive(out).is_file() or (out / task.folder / f"{task.stem}{SUMMARY}").is_file():
        problem += OLDER
    row = row_of(task, problem=problem)
    record = LedgerRecord(settings="", inputs=(), outputs=(), row=row, place=task.place)
    earlier = ledger.load_record(out, task)
    if earlier is None or earlier.place == task.place:
        with contextlib.suppress(OSError):
            ledger.save_record(out, task, record)
    return row


def _sentence(error: Exception) -> str:
    if isinstance(error, SleepbruxError):
        return str(error)
    if isinstance(error, OSError):
        name = Path(str(error.filename)).name if error.filename else ""
        return f"{name}: {error.strerror or error}" if name else str(error.strerror or error)
    if isinstance(error, MemoryError):
        return "there is not enough memory; use fewer workers"
    return f"unexpected {type(error).__name__}: {error}"


def _scored(task: Task, out: Path) -> LedgerRecord:
    """Score and write; the record of it, with the inputs as they were before and after."""
    if not task.common.archives:
        refuse_of_archive(out / task.folder, task.stem)
    earlier = ledger.load_record(out, task)
    files = ledger.input_files(task)
    before = {name: ledger.stamp_of(path) for name, path in files.items()}
    with fetched(task.stored) if task.stored else contextlib.nullcontext(task.recording) as place:
        path, request = _request(task, place)
        night = score_file(path, request, threads=1)
    # a recording that was replaced where it lies is still the same night's
    known = earlier is not None and earlier.place == task.place
    _, manifest = write_set(
        night, out / task.folder, stem=task.stem, replaced=known, archive=task.common.archives
    )
    inputs = tuple(ledger.see(p, name, sha256=_known(task, name, night)) for name, p in files.items())
    for one in inputs:
        if one.stamp != before[one.name]:
            raise RecordingError(f"{one.name}: the file changed while it was read; run again")
    return LedgerRecord(
        settings=ledger.settings_digest(task),
        inputs=inputs,
        outputs=ledger.left_by(out, task, manifest),
        row=replace(
            row_of(task, figures=night_row(task.night, task.condition, night)),
            date=_date(task, night),
            input_sha256=night.swept.digest,
            report_id=manifest.report_id,
        ),
        place=task.place,
    )


def _request(task: Task, place: Path) -> tuple[Path, Request]:
    """The recording, and how it is to be scored."""
    if task.study and task.entry:
        path = find_file(task.home, task.entry.recording, f"night {task.night!r}")
        return path, study_request(task.study, task.entry, task.home, notes=task.notes, threads=1)
    common = task.common
    beside = companions_of(place, common)
    return place, Request(
        criterion=common.criterion,
        channels=common.channels,
        hints=fitting(place, common.hints),
        mvc_uv=common.mvc_uv,
        from_text=common.from_text,
        to_text=common.to_text,
        companions=CompanionFiles(stages=beside.get("stages"), marks=beside.get("marks")),
    )


def _date(task: Task, night: Night) -> str:
    said = task.entry.date if task.entry else None
    day = night.swept.start.date() if night.swept.start else said
    return day.isoformat() if day else ""


def _known(task: Task, name: str, night: Night) -> str:
    """Digest of an input file where scoring has taken it already."""
    recording = task.entry.recording if task.entry else file_name(task.recording)
    whole = night.swept.format.startswith(("EDF", "BDF"))
    return night.swept.digest if whole and name == recording else ""
