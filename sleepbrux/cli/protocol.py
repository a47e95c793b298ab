"""``sleepbrux protocol``: chair sheet and patient sheet of a study."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.core.errors import StudyError, UsageError


@click.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the sheets [default: that of the study file].",
)
@options.running_number
def command(study: Path, out: Path | None, person: int | None) -> int:
    """Print the sheets of STUDY: one for the chair, one for the patient, as PDF.

    A plan is enough: no recording is needed. Names of channels come from the study file, else from a
    recording where there is one.
    """
    from sleepbrux.report.sheets import write_sheets
    from sleepbrux.study.file import load_study

    try:
        plan = load_study(study)
    except StudyError as error:
        raise UsageError(str(error)) from error
    try:
        sheets = write_sheets(plan, study.parent, out or study.parent, person=person)
    except UsageError as error:
        raise UsageError(f"{study.name}: {error}") from error
    for name, path in sheets.items():
        click.echo(f"{name.replace('-', ' ')}: {path}")
    next_steps.say_next(
        (
            "once nights are recorded and named in the study file, check it",
            ("study", "check", study),
        ),
    )
    return 0
