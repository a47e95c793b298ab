"""``sleepbrux protocol``: chair sheet and patient sheet of a study."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.cli import next_steps
from sleepbrux.core.errors import StudyError, UsageError


@click.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the sheets [default: that of the study file].",
)
@click.option(
    "--person",
    type=click.IntRange(min=0),
    default=None,
    help="Running number of the patient: balances the order of the appliances over patients "
    "[default: from the pseudonym].",
)
def command(study: Path, out: Path | None, person: int | None) -> int:
    """Print the sheets of STUDY: one for the chair, one for the patient, as PDF.

    A plan is enough: no recording is needed. Names of channels come from the study file, else from a
    recording where there is one.
    """
    from sleepbrux.core.files import own_stem, replacing
    from sleepbrux.report.sheets import chair_sheet, patient_sheet
    from sleepbrux.study.file import FILL_IN, load_study
    from sleepbrux.study.files import recorded_channels

    try:
        plan = load_study(study)
    except StudyError as error:
        raise UsageError(str(error)) from error
    if plan.pseudonym == FILL_IN:
        raise UsageError(
            f"{study.name}: pseudonym is still to be filled in; every sheet shows it: write a code"
        )
    recorded = recorded_channels(plan, study.parent)
    folder = out or study.parent
    folder.mkdir(parents=True, exist_ok=True)
    for name, pdf in (
        ("chair-sheet", chair_sheet(plan, person=person, recorded=recorded)),
        ("patient-sheet", patient_sheet(plan, recorded=recorded)),
    ):
        path = folder / f"{own_stem(plan.pseudonym)}.{name}.pdf"
        with replacing(path) as temporary:
            temporary.write_bytes(pdf)
        click.echo(f"{name.replace('-', ' ')}: {path}")
    next_steps.say_next(
        (
            "once nights are recorded and named in the study file, check it",
            ("study", "check", study),
        ),
    )
    return 0
