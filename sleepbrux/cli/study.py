"""``sleepbrux study``: draft a study file, and check one before a night is wasted."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.errors import StudyError, UsageError
from sleepbrux.files import write_text

NAME = "study.toml"


@click.group()
def command() -> None:
    """Draft a study file from the recordings in a folder, or check one."""


@command.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
def new(folder: Path) -> int:
    """Draft FOLDER/study.toml from the recordings in FOLDER.

    Headers alone are read; of a header only date, length and marks are used.
    """
    from sleepbrux.drafting import draft

    target = folder / NAME
    if target.exists():
        raise UsageError(
            f"{target} is there already; rename it, or edit it and run sleepbrux study check"
        )
    made = draft(folder)
    write_text(target, made.text)
    for line in made.left_out:
        click.echo(f"left out: {line}", err=True)
    click.echo(f"{target}: {made.nights} night(s), {made.references} chair recording(s)")
    click.echo(f"fill in what is marked, then run: sleepbrux study check {target}")
    return 0


@command.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
def check(study: Path) -> int:
    """Say what STUDY still lacks. Exit code 1 where a night cannot be used as it is meant."""
    from sleepbrux.drafting import check as look
    from sleepbrux.study import load_study

    try:
        plan = load_study(study)
    except StudyError as error:
        raise UsageError(str(error)) from error
    found = look(plan, study.parent)
    for severity in ("missing", "note"):
        for one in found:
            if one.severity == severity:
                click.echo(f"{severity}: {one.where}: {one.text}")
    lacking = sum(one.severity == "missing" for one in found)
    click.echo(
        f"{study.name}: {len(plan.night)} night(s); {lacking} thing(s) missing, "
        f"{len(found) - lacking} note(s)"
    )
    return 1 if lacking else 0
