"""``sleepbrux letter``: findings of one or several nights for the sleep physician, as PDF and HTML."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.options import say_doubts, say_sets
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import file_name

if TYPE_CHECKING:
    from sleepbrux.report.letter.writing import LetterBasis


def _study(file: Path, results: Path | None) -> LetterBasis:
    """What the letter about a study is written from; says what it goes without."""
    from sleepbrux.cli.score import recorded_study
    from sleepbrux.report.letter.writing import study_basis

    basis = study_basis(file, recorded_study(file), next_steps.found_results(file, results))
    for night in basis.missing:
        click.echo(f"note: the letter goes without {night.id}: {night.reason}", err=True)
    for doubt in basis.doubts:
        click.echo(f"note: {doubt}", err=True)
    return basis


def _of_archives(archives: tuple[Path, ...]) -> LetterBasis:
    """What a letter about archives is written from."""
    from sleepbrux.archive.identity import check_one_person
    from sleepbrux.archive.journal import load_reviewed
    from sleepbrux.recording.files import file_digest
    from sleepbrux.report.letter.nights import Letter, light
    from sleepbrux.report.letter.writing import LetterBasis
    from sleepbrux.report.outputs import ARCHIVE

    for path in archives:
        say_doubts(path)
    letters = [
        Letter(file_name(path).removesuffix(ARCHIVE), file_digest(path), light(load_reviewed(path)))
        for path in archives
    ]
    check_one_person([(letter.name, letter.night) for letter in letters])
    return LetterBasis(letters)


@click.command()
@click.argument("archives", nargs=-1, type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="The PDF to write, with an HTML file of the same name next to it [default: letter.pdf next to the "
    "first archive or the study file].",
)
@click.option(
    "--fields",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="TOML file of what the clinician enters: question, snoring, appliance, own words; comes before the "
    "[letter] table of the study file.",
)
@click.option(
    "--field",
    "entries",
    type=options.Words(allowed="\n\t"),
    multiple=True,
    metavar="KEY=TEXT",
    help="One such entry; comes before the file; repeatable.",
)
@click.option(
    "--new-fields",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Write an empty file of fields to fill in, and stop.",
)
@click.option(
    "--study",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Study file: its nights, the order of its conditions, its own outcome.",
)
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder with the archives of the study [default: results next to the study file].",
)
@click.option(
    "--with-dates",
    is_flag=True,
    help="Give the days of the nights; dates = true under [letter] of the study file does so always.",
)
def command(
    archives: tuple[Path, ...],
    out: Path | None,
    file: Path | None,
    entries: tuple[str, ...],
    new_fields: Path | None,
    study: Path | None,
    results: Path | None,
    *,
    with_dates: bool,
) -> int:
    """Write a letter of one or two pages about ARCHIVES (NIGHT.night.h5), all of one person.

    PDF, and the same as one HTML file. Findings only. The person's name, the question and the history
    are entered by the clinician and printed as entered.
    """
    from sleepbrux.cli.reviews import say_unread, unread
    from sleepbrux.core.files import write_text
    from sleepbrux.report.letter import fields_template, letter_answer, load_fields
    from sleepbrux.report.letter.writing import write_letter

    if new_fields is not None:
        if new_fields.exists():
            raise UsageError(f"{new_fields} is there already; name another file")
        write_text(new_fields, fields_template())
        click.echo(str(new_fields))
        _after_fields(new_fields, archives, study, results)
        return 0
    if bool(archives) == (study is not None):
        raise UsageError(
            "name either archives or --study: sleepbrux letter NIGHT.night.h5, or sleepbrux letter --study "
            "STUDY.toml"
        )
    fields = load_fields(file, entries)
    from sleepbrux.report.outputs import ARCHIVE

    basis = _study(study, results) if study is not None else _of_archives(archives)
    target = out or (study or archives[0]).with_name("letter.pdf")
    say_sets(target.parent, next_steps.found_results(study, results) if study else None)
    same = write_letter(basis, fields, target, dates=with_dates)
    headline(letter_answer(basis.letters, basis.comparison)[0])
    click.echo(f"letter:  {target}\nas HTML: {same}")
    unused = say_unread(unread((x.name, x.night) for x in basis.letters))
    about = _about(archives, study, results)
    if file is None and not entries:
        form = target.with_name("letter.fields.toml")
        next_steps.say_next(("fill in question and findings", ("letter", "--new-fields", form, *about)))
    else:
        files = (
            [archives[0]]
            if archives
            else sorted(next_steps.found_results(study, results).glob(f"*{ARCHIVE}") if study else ())[:1]
        )
        next_steps.say_next(
            *(
                ("files for other programs", ("export", path, "--out", path.parent / "files"))
                for path in files
            )
        )
    return 1 if unused else 0


def _about(archives: tuple[Path, ...], study: Path | None, results: Path | None) -> tuple[object, ...]:
    """The words that say whom a letter is about."""
    if study is None:
        return archives
    return ("--study", study, *(("--results", results) if results else ()))


def _after_fields(form: Path, archives: tuple[Path, ...], study: Path | None, results: Path | None) -> None:
    study = study if archives or study else next_steps.study_near(form.absolute().parent)
    about = _about(archives, study, results)
    if about:
        next_steps.say_next(("once it is filled in", ("letter", *about, "--fields", form)))
