"""``sleepbrux letter``: findings of one or several nights for the sleep physician, as PDF and HTML."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.options import say_doubts
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import UsageError
from sleepbrux.core.texts import file_name

if TYPE_CHECKING:
    from sleepbrux.report.letter.compared import NightsCompared
    from sleepbrux.report.letter.nights import Letter
    from sleepbrux.study.file import Study


def _study(file: Path, results: Path | None) -> tuple[Study, list[Letter], NightsCompared, list[str]]:
    """A study, its nights, what its comparison says, and ids of nights without a scoring."""
    from sleepbrux.analysis.comparison.fixing import record_path
    from sleepbrux.archive.nights import Due
    from sleepbrux.cli.score import recorded_study
    from sleepbrux.report.letter.compared import study_letters
    from sleepbrux.report.outputs import ARCHIVE

    plan = recorded_study(file)
    folder = next_steps.found_results(file, results)
    letters, comparison, missing, doubts = study_letters(
        plan, folder, suffix=ARCHIVE, due=Due(home=file.parent), record=record_path(file)
    )
    for night in missing:
        click.echo(f"note: the letter goes without {night.id}: {night.reason}", err=True)
    for doubt in doubts:
        click.echo(f"note: {doubt}", err=True)
    return plan, letters, comparison, [night.id for night in missing]


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
    from sleepbrux.core.files import replacing, write_text
    from sleepbrux.report.letter import (
        fields_template,
        from_study,
        letter_about,
        letter_answer,
        letter_html,
        letter_pdf,
        load_fields,
    )

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
    from sleepbrux.archive.identity import check_one_person
    from sleepbrux.archive.journal import load_reviewed
    from sleepbrux.recording.files import file_digest
    from sleepbrux.report.letter.nights import Letter
    from sleepbrux.report.outputs import ARCHIVE

    if study is not None:
        plan, letters, comparison, missing = _study(study, results)
        fields, with_dates = from_study(fields, plan), with_dates or plan.letter.dates
        near = study
    else:
        comparison, missing, near = None, [], archives[0]
        for path in archives:
            say_doubts(path)
        letters = [
            Letter(file_name(path).removesuffix(ARCHIVE), file_digest(path), load_reviewed(path))
            for path in archives
        ]
        check_one_person([(letter.name, letter.night) for letter in letters])
    pdf = letter_pdf(letters, fields, comparison=comparison, missing=missing, dates=with_dates)
    page = letter_html(letters, fields, comparison=comparison, missing=missing, dates=with_dates)
    target = out or near.with_name("letter.pdf")
    same = target.with_suffix(".html")
    _refuse_other(target, same, letter_about(letters))
    target.parent.mkdir(parents=True, exist_ok=True)
    with replacing(target) as temporary:
        temporary.write_bytes(pdf)
    write_text(same, page)
    headline(letter_answer(letters, comparison)[0])
    click.echo(f"letter:  {target}\nas HTML: {same}")
    unused = say_unread(unread((x.name, x.night) for x in letters))
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


def _refuse_other(pdf: Path, page: Path, about: str) -> None:
    """Refuse to write over anything but an earlier letter about the same person."""
    if not pdf.exists() and not page.exists():
        return
    try:
        found = f'name="sleepbrux-letter-about" content="{about}"' in page.read_text("utf-8")
    except (OSError, ValueError):
        found = False
    if not found:
        there = page if page.exists() else pdf
        raise UsageError(
            f"{there.name} in {there.parent.name or str(there.parent)!r} is no letter about this person; move it "
            "away, or name another file with --out"
        )


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
