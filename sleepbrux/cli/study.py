"""``sleepbrux study``: draft a study file, and check one before a night is wasted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.core.files import write_text

if TYPE_CHECKING:
    from sleepbrux.study.checking import StudyFinding
    from sleepbrux.study.file import Study

NAME, PLANNED = next_steps.STUDY_FILE, 4
WORDS = {"missing": "missing", "question": "question", "limit": "affects results", "note": "note"}


@click.group()
def command() -> None:
    """Draft a study file from the recordings in a folder, or check one."""


@command.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option(
    "--condition",
    "conditions",
    multiple=True,
    metavar="NAME",
    help="What will be worn, none for nothing; repeatable.",
)
@click.option(
    "--nights",
    type=click.IntRange(0, 100),
    default=PLANNED,
    show_default=True,
    help="Nights to plan under each condition, where none is recorded yet.",
)
def new(folder: Path, conditions: tuple[str, ...], nights: int) -> int:
    """Draft FOLDER/study.toml from the recordings in FOLDER, or plan nights where there are none yet.

    Headers alone are read; of a header only date, length and marks are used.
    """
    from sleepbrux.report.numbers import count_of
    from sleepbrux.study.drafting import draft

    target = folder / NAME
    if target.exists():
        raise UsageError(f"{target} is there already; rename it, or edit it and run sleepbrux study check")
    made = draft(folder, conditions=conditions, nights=nights)
    write_text(target, made.text)
    for line in made.left_out:
        click.echo(f"left out: {line}", err=True)
    recorded = (
        count_of(made.nights, "night")
        if made.nights
        else f"no recording of a night is there yet: {count_of(made.planned, 'night')} planned"
    )
    click.echo(f"{target}: {recorded}, {count_of(made.references, 'chair recording')}")
    click.echo("open it in a text editor and replace each FILL IN")
    next_steps.say_next(
        ("check it", ("study", "check", target)),
        ("print the sheets", ("protocol", target)),
    )
    return 0


def _counted(found: list[StudyFinding]) -> str:
    from sleepbrux.report.numbers import count_of

    def number(severity: str) -> int:
        return sum(one.severity == severity for one in found)

    parts = [f"{count_of(number('missing'), 'thing')} missing" if number("missing") else "nothing missing"]
    for severity, word, words in (
        ("question", "question", ""),
        ("limit", "thing that affects results", "things that affect results"),
        ("note", "note", ""),
    ):
        if number(severity):
            parts.append(count_of(number(severity), word, words))
    return ", ".join(parts)


@command.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
def check(study: Path) -> int:
    """Say what STUDY still lacks, the most important first.

    Exit code 1 where a night cannot be used as it is meant, or where a name may not say what is meant.
    """
    from sleepbrux.report.numbers import count_of
    from sleepbrux.study.checking import check as look
    from sleepbrux.study.checking import told
    from sleepbrux.study.file import load_study

    try:
        plan = load_study(study)
    except StudyError as error:
        raise UsageError(str(error)) from error
    found = told(look(plan, study.parent))
    click.echo(f"{study.name}: {count_of(len(plan.night), 'night')}; {_counted(found)}")
    for one in found:
        click.echo(f"{WORDS[one.severity]}: {one.where}: {one.whole}")
    open_ = any(one.severity in ("missing", "question") for one in found)
    looks = dict.fromkeys(one.look_at for one in found if one.look_at)
    next_steps.say_next(
        *(("find its clenches, and accept them", ("reference", study.parent / name)) for name in looks),
        *_steps(study, plan, open_=open_),
    )
    return 1 if open_ else 0


@command.command(name="set")
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("fields", nargs=-1, required=True, metavar="FIELD=VALUE...")
@click.option("--night", "nights", multiple=True, metavar="ID", help="Of this night; repeatable.")
@click.option("--reference", "references", multiple=True, metavar="ID", help="Of this reference; repeatable.")
@click.option("--letter", is_flag=True, help="Of what every letter repeats.")
def set_(
    study: Path,
    fields: tuple[str, ...],
    nights: tuple[str, ...],
    references: tuple[str, ...],
    *,
    letter: bool,
) -> int:
    """Write fields into STUDY, as a text editor would: condition=none, appliance_in=22:55.

    Nothing after the = takes a field out. Lists and tables are written as in TOML. The rest of the file stays
    as it is; nothing is written where a value is not allowed.
    """
    from sleepbrux.study.editing import Place, set_fields

    if bool(nights) + bool(references) + letter > 1:
        raise UsageError("--night, --reference and --letter name different places; use one at a time")
    place = Place("letter") if letter else Place()
    if nights or references:
        place = Place("night", nights) if nights else Place("reference", references)
    values = {}
    for text in fields:
        name, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"{text!r} sets no field; write FIELD=VALUE, such as condition=none")
        values[name.strip()] = value
    try:
        set_fields(study, place, values)
    except StudyError as error:
        raise UsageError(str(error)) from error
    next_steps.say_next(("check it", ("study", "check", study)))
    return 0


@command.command()
@click.argument("study", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("recordings", nargs=-1, metavar="[RECORDINGS]...")
def add(study: Path, recordings: tuple[str, ...]) -> int:
    """Append entries for RECORDINGS that lie next to STUDY; without any, for all that no entry names."""
    from sleepbrux.report.numbers import count_of
    from sleepbrux.study.checking import unnamed
    from sleepbrux.study.editing import add_recordings
    from sleepbrux.study.file import load_study

    try:
        names = [Path(name).name for name in recordings] or unnamed(load_study(study), study.parent)
        if not names:
            raise UsageError(f"every recording next to {study.name} is in it already")
        left_out = add_recordings(study, names)
    except StudyError as error:
        raise UsageError(str(error)) from error
    for line in left_out:
        click.echo(f"left out: {line}", err=True)
    click.echo(f"{study}: {count_of(len(names) - len(left_out), 'recording')} more")
    next_steps.say_next(("check it", ("study", "check", study)))
    return 1 if left_out else 0


def _steps(study: Path, plan: Study, *, open_: bool) -> list[tuple[str, tuple[object, ...]]]:
    if open_:
        return [("once that is mended, check again", ("study", "check", study))]
    if not plan.recorded:
        return [("print the sheets", ("protocol", study))]
    return [
        ("see whether each night can be used", ("inspect", "--after-night", study)),
        ("score the nights", ("score", "--study", study)),
    ]
