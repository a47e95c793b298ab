"""``sleepbrux protocol``: chair sheet and patient sheet of a study."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.cli import following
from sleepbrux.core.errors import StudyError, UsageError


@click.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the sheets [default: beside the study file].",
)
@click.option(
    "--person",
    type=click.IntRange(min=0),
    default=None,
    help="Running number of the patient: balances the order of the appliances over patients "
    "[default: from the pseudonym].",
)
def command(study: Path, out: Path | None, person: int | None) -> int:
    """Print the sheets of STUDY: one for the chair, one for the patient, as PDF."""
    from sleepbrux.core.files import own_stem, replacing
    from sleepbrux.report.sheets import chair_sheet, patient_sheet
    from sleepbrux.study.file import FILL_IN, load_study

    try:
        plan = load_study(study)
    except StudyError as error:
        raise UsageError(str(error)) from error
    if plan.pseudonym == FILL_IN:
        raise UsageError(
            f"{study.name}: pseudonym is still to be filled in; it stands on every sheet: write a code"
        )
    folder = out or study.parent
    folder.mkdir(parents=True, exist_ok=True)
    for name, pdf in (
        ("chair-sheet", chair_sheet(plan, person=person)),
        ("patient-sheet", patient_sheet(plan)),
    ):
        path = folder / f"{own_stem(plan.pseudonym)}.{name}.pdf"
        with replacing(path) as temporary:
            temporary.write_bytes(pdf)
        click.echo(f"{name.replace('-', ' ')}: {path}")
    following.say_next(
        (
            "once nights are recorded and named in the study file, check it",
            ("study", "check", study),
        ),
    )
    return 0
