"""``sleepbrux review``: look at scored nights and decide, in the browser."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.core.errors import JournalError, SleepbruxError, StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.archive.journal import Journal
    from sleepbrux.recording.opening import Hints
    from sleepbrux.review.nights import Place
    from sleepbrux.review.session import ReviewSession
    from sleepbrux.scoring.night import Night

STUDY_NAME = "study.toml"


@dataclass(frozen=True)
class Asked:
    """What was asked for."""

    recording: Path | None
    reader: str
    sample: int | None
    seed: int | None
    new_sample: bool
    hints: Hints
    study: Path | None


@click.command()
@click.argument("nights", metavar="NIGHTS", type=click.Path(path_type=Path))
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    default=None,
    help="Of a study: the folder of its archives [default: results next to the file].",
)
@click.option(
    "--recording",
    type=click.Path(path_type=Path),
    default=None,
    metavar="FILE",
    help="The recording of one night, for the raw trace [default: as the study says, or near the "
    "archive, known by its SHA-256].",
)
@click.option(
    "--reader",
    type=options.Words(),
    default="",
    metavar="NAME",
    help="Initials that stand under every decision [default: asked for on the page].",
)
@click.option(
    "--sample",
    type=click.IntRange(1, 10000),
    default=None,
    metavar="N",
    help="Judge at most N episodes and N near misses, shuffled, without their labels.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=None,
    help="Seed of the sample [default: a random one; it is recorded].",
)
@click.option("--new-sample", is_flag=True, help="Draw again instead of going on with the last sample.")
@click.option(
    "--result", is_flag=True, help="Print what was decided, write the reviewed report, serve nothing."
)
@click.option(
    "--repair",
    is_flag=True,
    help="Keep a copy of a damaged journal, mend it, say what is lost, serve nothing.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port [default: a free one].")
@click.option("--open/--no-open", "opened", default=True, help="Open the page in the browser.")
@options.hints
def command(
    *,
    nights: Path,
    results: Path | None,
    recording: Path | None,
    reader: str,
    sample: int | None,
    seed: int | None,
    new_sample: bool,
    result: bool,
    repair: bool,
    port: int,
    opened: bool,
    hints: Hints,
) -> int:
    """Serve a page about NIGHTS to this machine only: an archive, a study, or a folder of archives.

    Every decision goes to NIGHT.review.jsonl next to the archive before the page shows it; the archive
    itself keeps the automatic scoring. Ctrl-C ends the review.
    """
    if sample is None and (seed is not None or new_sample):
        raise UsageError("--seed and --new-sample belong to --sample N")
    several = nights.is_dir() or nights.suffix.casefold() == ".toml"
    if several and recording is not None:
        raise UsageError(
            "--recording belongs to one night; for several, the study file says where their recordings lie"
        )
    places, study = _places(nights, results) if several else ([_one(nights)], None)
    if repair:
        return _each(places, _repair)
    if result:
        return _each(places, _result)
    asked = Asked(recording, reader, sample, seed, new_sample, hints, study)
    failed = _serve(places, asked, port=port, opened=opened)
    return max(failed, _each([p for p in places if _has_journal(p)], _result))


def _one(archive: Path) -> Place:
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.review.nights import Place

    return Place(archive.name.removesuffix(ARCHIVE), archive)


def _has_journal(place: Place) -> bool:
    from sleepbrux.archive.journal import journal_path

    return not place.fault and journal_path(place.archive).exists()


def _places(path: Path, results: Path | None) -> tuple[list[Place], Path | None]:
    """The nights of a study file, or of a folder of archives, and the study file."""
    study = path / STUDY_NAME if path.is_dir() else path
    if path.is_dir() and not study.is_file():
        places, study_file = list(_of_folder(path)), None
    else:
        places, study_file = list(_of_study(study, results or study.parent / "results")), study
    if not places:
        raise UsageError(
            f"{path.name or path}: there is neither a {STUDY_NAME} nor an archive (*.night.h5) in it; "
            "score the nights first: sleepbrux score"
        )
    return places, study_file


def _of_folder(folder: Path) -> Iterator[Place]:
    from sleepbrux.archive.journal import load_reviewed
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.review.nights import Place

    for archive in sorted(folder.glob(f"*{ARCHIVE}")):
        name = archive.name.removesuffix(ARCHIVE)
        try:
            yield _counted(name, archive, load_reviewed(archive))
        except SleepbruxError as error:
            yield Place(name, archive, fault=str(error))


def _of_study(file: Path, folder: Path) -> Iterator[Place]:
    from sleepbrux.archive.nights import Due, Missing, archived
    from sleepbrux.core.errors import StudyError
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.review.nights import Place
    from sleepbrux.study.file import load_study

    try:
        plan = load_study(file)
    except StudyError as error:
        raise UsageError(str(error)) from error
    for one in archived(plan, folder, suffix=ARCHIVE, due=Due(home=file.parent)):
        if isinstance(one, Missing):
            yield Place(one.id, folder, fault=one.reason)
        else:
            yield _counted(one.entry.id, one.archive, one.reviewed or one.night)


def _counted(name: str, archive: Path, night: Night) -> Place:
    from sleepbrux.archive.journal import unused_review
    from sleepbrux.review.nights import Place

    decided = night.review.decided if night.review else 0
    of = night.review.automatic if night.review else len(night.selection.episodes)
    return Place(name, archive, decided, of, unused_review(night))


def _opener(asked: Asked) -> Callable[[Place], ReviewSession]:
    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.journal import journal_path
    from sleepbrux.review.recordings import find_recording
    from sleepbrux.review.session import ReviewSession
    from sleepbrux.review.trace import Trace, check_same

    def opened(place: Place) -> ReviewSession:
        options.say_doubts(place.archive)
        night = load_night(place.archive)
        if asked.recording is not None:
            from sleepbrux.recording.opening import open_recording

            source = open_recording(asked.recording, asked.hints)
            trace = Trace(night, source, check_same(night, source))
        else:
            found = find_recording(night, place.archive, asked.study)
            trace = Trace(night, *(found or (None, ())))
        desk = ReviewSession(
            night,
            journal_path(place.archive),
            trace,
            sample=asked.sample is not None,
            reader=asked.reader,
        )
        if asked.sample is not None:
            drawn = secrets.randbelow(2**31) if asked.seed is None else asked.seed
            desk.begin_sample(asked.sample, drawn, asked.reader or "program", anew=asked.new_sample)
        return desk

    return opened


def _serve(places: Sequence[Place], asked: Asked, *, port: int, opened: bool) -> int:
    from sleepbrux.archive.journal import journal_path
    from sleepbrux.cli.browser import entrance_of_page, page_of
    from sleepbrux.review.nights import Nights
    from sleepbrux.review.serving import serve

    nights = Nights(places, _opener(asked))
    faults = [p for p in places if p.fault]
    if len(places) == 1:
        _load(places[0])
        click.echo("opening the night and looking for its recording ...", err=True)
        recorded = nights.desk(0).trace.recorded
        click.echo(
            "raw trace: the recording was found, and its SHA-256 is the archive's"
            if recorded
            else "note: the recording is not near the archive; the page shows the envelope alone, and --recording "
            "FILE adds the raw trace",
            err=True,
        )
    for place in faults:
        click.echo(f"sleepbrux: {place.name} cannot be reviewed: {place.fault}", err=True)
    entrance = entrance_of_page()

    def told(address: str) -> None:
        if len(places) > 1:
            click.echo(f"{len(places) - len(faults)} of {len(places)} nights can be reviewed.")
        where = journal_path(places[0].archive).name if len(places) == 1 else "NIGHT.review.jsonl"
        click.echo(f"Review for this machine only: {address}")
        click.echo(f"Code, to be typed on that page once: {entrance.code()}")
        click.echo(f"Decisions go to {where}, each before the page shows it. End with Ctrl-C.")
        show(address)

    try:
        with page_of(entrance, opened=opened) as show:
            serve(nights, entrance, port=port, told=told)
    finally:
        nights.close()
    return 1 if faults else 0


def _each(places: Sequence[Place], work: Callable[[Place], int]) -> int:
    """Do the same with every night; 1 where one failed, and the others are done all the same."""
    failed = 0
    for place in places:
        if len(places) > 1:
            click.echo(f"\n{place.name}")
        try:
            failed = max(failed, work(place))
        except SleepbruxError as error:
            if len(places) == 1:
                raise
            failed = 1
            click.echo(f"sleepbrux: {error}", err=True)
    return failed


def _load(place: Place) -> Journal:
    """The journal, and what must be known of it; where it is damaged, the command that mends it."""
    from sleepbrux.archive.journal.file import DamagedError, journal_path, load_journal

    try:
        journal = load_journal(journal_path(place.archive))
    except DamagedError as error:
        click.echo(f"sleepbrux: {error}", err=True)
        raise JournalError(
            f"sleepbrux review {place.archive.name} --repair keeps a copy of the journal and mends what can "
            "be read"
        ) from error
    for note in journal.notes:
        click.echo(f"note: {note.text}", err=True)
    return journal


def _there(place: Place) -> None:
    if place.fault and not place.archive.is_file():
        raise JournalError(place.fault)


def _repair(place: Place) -> int:
    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.journal.file import journal_path
    from sleepbrux.archive.journal.repair import repair

    _there(place)
    path = journal_path(place.archive)
    done = repair(path, load_night(place.archive))
    if not done.kept:
        click.echo(f"{path.name}: nothing to repair; {done.decisions} decisions")
        return 0
    click.echo(f"{path.name}: {done.decisions} decisions; the files of before: {', '.join(done.kept)}")
    if done.lost:
        gone = ", ".join(map(str, done.lost))
        click.echo(
            f"{len(done.lost)} of {done.decisions} decisions could not be read (number {gone}); every result "
            f"of this review says so. Next: sleepbrux review {place.archive}"
        )
    return 0


def _result(place: Place) -> int:
    """Say what was decided, and leave the reviewed report and tables beside the archive."""
    from sleepbrux.review.result import sample_lines, write_result

    _there(place)
    archive = place.archive
    done = write_result(archive, _load(place))
    night, after = done.night, done.after
    for line in sample_lines(night, done.journal):
        click.echo(line)
    if after.review is None:
        click.echo("Nothing was decided that changes the scoring: it is the automatic one.")
        _next(archive)
        return 0
    click.echo(after.review.sentence + ".")
    for name in ("episodes_per_hour", "bursts_per_hour"):
        values = [n.measures[name].value for n in (night, after)]
        shown = ["none" if v is None else f"{v:.2f}" for v in values]
        click.echo(f"{name.replace('_', ' ')}: automatic {shown[0]}, reviewed {shown[1]}")
    click.echo(f"written: {', '.join(done.files)}")
    _next(archive)
    return 0


def _next(archive: Path) -> None:
    """The comparison of the study whose results these are, else the letter: both are older than a review."""
    study = next_steps.study_near(archive.absolute().parent)
    if study is None:
        next_steps.say_next(("write the letter", ("letter", archive)))
        return
    from sleepbrux.cli.score import study_steps
    from sleepbrux.study.file import load_study

    with contextlib.suppress(StudyError):  # the review is done, whatever the study file has become
        where = next_steps.shown(study)
        next_steps.say_next(*study_steps(load_study(study), where, archive.parent))
