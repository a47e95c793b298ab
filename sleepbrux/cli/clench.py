"""``sleepbrux clench``: the clench test by appliance."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, table_lines
from sleepbrux.core.errors import SleepbruxError, StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.recording.opening import Hints
    from sleepbrux.reference.clench_test import ClenchTest
    from sleepbrux.report.clench_page import NightsBeside


def _show(test: ClenchTest, nights: list[NightsBeside]) -> None:
    from sleepbrux.reference.clench_test import ASSUMES, SENTENCE
    from sleepbrux.report import clench_page as page

    for answer in page.answers(test):
        headline(answer)
    click.echo(SENTENCE)
    click.echo(f"{test.name}: {', '.join(test.order)}")
    for channel in test.channels:
        about = " ".join(filter(None, (channel.muscle, channel.side)))
        click.echo(f"\n{channel.label}" + (f" ({about})" if about else ""))
        _table(page.LEVEL_HEADS, page.level_rows(channel))
        click.echo(
            f"  fatigue: {page.change_text(channel.tiredness_pct)}; {channel.degrees} degrees of freedom"
        )
    if test.asymmetry:
        click.echo()
        _table(page.ASYMMETRY_HEADS, page.asymmetry_rows(test))
    if nights:
        click.echo(f"\n{page.NIGHTS_TEXT}")
        _table(page.NIGHT_HEADS, page.night_rows(nights))
    click.echo(f"\n{test.tiredness}")
    click.echo(ASSUMES)
    for note in test.notes:
        click.echo(f"{note.severity}: {note.text}")


def _table(heads: tuple[str, ...], rows: list[list[str]]) -> None:
    click.echo("\n".join(table_lines(heads, rows, texts=range(len(heads)))))


@click.command()
@click.argument("study_or_recording", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the page and the JSON file.",
)
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder with the scored nights [default: results next to the study file].",
)
@click.option("--channel", multiple=True, metavar="LABEL", help="Channel to measure; repeatable.")
@options.hints
def command(
    study_or_recording: Path,
    out: Path | None,
    results: Path | None,
    channel: tuple[str, ...],
    hints: Hints,
) -> int:
    """Compare maximal clenches on natural teeth and with each appliance.

    STUDY_OR_RECORDING is a study file, whose reference recordings hold the clenches, or one recording
    with a mark on each clench that says what was between the teeth.
    """
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.recording.opening import Hints
    from sleepbrux.report.clench_files import nights_beside, write_clench_test
    from sleepbrux.study.clench_tests import recording_test, study_tests
    from sleepbrux.study.file import load_study

    nights: list[NightsBeside] = []
    who = ""
    if study_or_recording.suffix.casefold() == ".toml":
        if channel or hints != Hints():
            raise UsageError(
                "the study file says what its recordings are: leave out --channel and the options on files"
            )
        try:
            study = load_study(study_or_recording)
        except StudyError as error:
            raise UsageError(str(error)) from error
        load_kernels()
        who = study.pseudonym
        tests = study_tests(study, study_or_recording.parent)
        folder = results or next_steps.results_of(study_or_recording)
        if folder.is_dir():
            nights, unshown = nights_beside(study, folder, study_or_recording.parent)
            click.echo("".join(f"note: {sentence}\n" for sentence in unshown), err=True, nl=False)
        elif results is not None:
            raise UsageError(f"--results {str(results)!r} is no folder")
    else:
        if results is not None:
            raise UsageError("--results belongs to a study; name the study file")
        load_kernels()
        tests = [recording_test(study_or_recording, channels=channel, hints=hints)]
    if not tests:
        raise SleepbruxError(
            f"{study_or_recording.name}: no reference recording holds clenches under two conditions"
        )
    for test in tests:
        _show(test, nights)
        if out is not None:
            click.echo(f"page: {write_clench_test(test, nights, out, who)}")
    _next(study_or_recording, scored=bool(nights))
    return 0


def _next(file: Path, *, scored: bool) -> None:
    if file.suffix.casefold() != ".toml":
        next_steps.say_next(("see whether they make a reference", ("reference", file)))
    elif scored:
        next_steps.say_next(("compare the nights", ("compare", file)))
    else:
        next_steps.say_next(("score the nights", ("score", "--study", file)))
