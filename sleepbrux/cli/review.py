"""``sleepbrux review``: look at a scored night and decide, in the browser."""

from __future__ import annotations

import contextlib
import secrets
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import following, options
from sleepbrux.errors import StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.journal import Journal
    from sleepbrux.night import Night
    from sleepbrux.recording.opening import Hints


@click.command()
@click.argument("archive", type=click.Path(path_type=Path))
@click.option("--recording", type=click.Path(path_type=Path), default=None, metavar="FILE",
              help="The recording itself, for the trace; without it the archive's 10-ms frames.")  # fmt: skip
@click.option("--reader", default="", metavar="NAME",
              help="Initials that stand under every decision [default: asked for on the page].")  # fmt: skip
@click.option("--sample", type=click.IntRange(1, 10000), default=None, metavar="N",
              help="Judge at most N episodes and N near misses, shuffled, without their labels.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=None,
              help="Seed of the sample [default: a random one; it is recorded].")  # fmt: skip
@click.option(
    "--new-sample", is_flag=True, help="Draw again instead of going on with the last sample."
)
@click.option("--result", is_flag=True,
              help="Print what was decided, write the reviewed report, serve nothing.")  # fmt: skip
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port [default: a free one]."
)
@click.option("--open/--no-open", "opened", default=True, help="Open the page in the browser.")
@options.hints
def command(
    *, archive: Path, recording: Path | None, reader: str, sample: int | None, seed: int | None,
    new_sample: bool, result: bool, port: int, opened: bool, hints: Hints,
) -> int:  # fmt: skip
    """Serve a page about ARCHIVE (NIGHT.night.h5) to this machine only.

    Every decision goes to NIGHT.review.jsonl beside the archive before the page shows it; the archive
    itself keeps the automatic scoring. Ctrl-C ends the review.
    """
    from sleepbrux.journal.file import check_about, journal_path, load_journal
    from sleepbrux.store import load_night

    if sample is None and (seed is not None or new_sample):
        raise UsageError("--seed and --new-sample belong to --sample N")
    night = load_night(archive)
    path = journal_path(archive)
    journal = load_journal(path)
    check_about(journal, night)
    if result:
        return _result(night, journal, archive)
    _serve(
        night, path, recording=recording, reader=reader, sample=sample, seed=seed,
        new_sample=new_sample, port=port, opened=opened, hints=hints,
    )  # fmt: skip
    _result(night, load_journal(path), archive)
    return 0


def _serve(
    night: Night, path: Path, *, recording: Path | None, reader: str, sample: int | None,
    seed: int | None, new_sample: bool, port: int, opened: bool, hints: Hints,
) -> None:  # fmt: skip
    from sleepbrux.review.desk import Desk
    from sleepbrux.review.serving import serve
    from sleepbrux.review.trace import Trace, check_same

    trace = Trace(night, None)
    if recording is not None:
        from sleepbrux.recording.opening import open_recording

        click.echo("checking that the recording is the archive's ...", err=True)
        source = open_recording(recording, hints)
        trace = Trace(night, source, check_same(night, source))
    desk = Desk(night, path, trace, sample=sample is not None, reader=reader)
    if sample is not None:
        drawn = secrets.randbelow(2**31) if seed is None else seed
        desk.begin_sample(sample, drawn, reader or "program", anew=new_sample)

    def told(address: str) -> None:
        click.echo(f"{address}\nDecisions go to {path.name}. End with Ctrl-C.")
        if opened:
            import webbrowser

            webbrowser.open(address)

    with contextlib.suppress(KeyboardInterrupt):
        serve(desk, port=port, told=told)


def _result(night: Night, journal: Journal, archive: Path) -> int:
    """Say what was decided, and leave the reviewed report and tables beside the archive."""
    from sleepbrux.journal import reviewed
    from sleepbrux.outputs import ARCHIVE, write_reviewed
    from sleepbrux.review.result import sample_lines

    after = reviewed(night, journal)
    for line in sample_lines(night, journal):
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
    stem = archive.name.removesuffix(ARCHIVE)
    names = write_reviewed(after, archive.parent, stem)
    click.echo(f"written: {', '.join(names)}")
    _next(archive)
    return 0


def _next(archive: Path) -> None:
    """The comparison of the study whose results these are, else the letter: both are older than a review."""
    study = following.study_near(archive.absolute().parent)
    if study is None:
        following.say_next(("write the letter", ("letter", archive)))
        return
    from sleepbrux.cli.score import study_steps
    from sleepbrux.study import load_study

    with contextlib.suppress(StudyError):  # the review is done, whatever the study file has become
        where = following.shown(study)
        following.say_next(*study_steps(load_study(study), where, archive.parent))
