"""``sleepbrux export``: archives to files that other programs read."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.errors import SleepbruxError, UsageError
from sleepbrux.texts import file_name

if TYPE_CHECKING:
    from sleepbrux.night import Night

KINDS = {
    "csv": "tables with their data dictionary",
    "json": "every measure and setting, with its JSON Schema",
    "edf": "EDF+ file of annotations, to lay over the recording",
    "fhir": "FHIR R4 bundle",
    "bids": "BIDS data set, in the folder bids",
    "study": "one row a night, in study.csv",
}


def _kinds(text: str) -> list[str]:
    wanted = [word.strip() for word in text.split(",") if word.strip()]
    unknown = [word for word in wanted if word not in KINDS]
    if unknown or not wanted:
        raise UsageError(
            f"--as {text!r}: there is no {(unknown or [''])[0]!r}; there are {', '.join(KINDS)}"
        )
    return wanted


def _nights(archives: Iterable[Path]) -> tuple[list[tuple[str, Night]], int]:
    from sleepbrux.journal import load_reviewed
    from sleepbrux.outputs import ARCHIVE

    nights, failures = [], 0
    for path in archives:
        try:
            nights.append((file_name(path).removesuffix(ARCHIVE), load_reviewed(path)))
        except SleepbruxError as error:
            failures += 1
            click.echo(f"sleepbrux: {error}", err=True)
    names = [name for name, _ in nights]
    for name in set(names):
        if names.count(name) > 1:
            raise UsageError(f"two archives are called {name}; export them into different folders")
    return nights, failures


def _words(night: Night) -> list[str]:
    from sleepbrux.report.wording import banner, cautions, reading

    return [banner(night), *reading(night), *(f"{c.about}: {c.text}" for c in cautions(night))]


@click.command()
@click.argument(
    "archives", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False)
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder for the files; made if it is not there.",
)
@click.option(
    "--as",
    "kinds",
    default="csv,json,edf,fhir,study",
    show_default=True,
    metavar="KIND,...",
    help="; ".join(f"{k}: {v}" for k, v in KINDS.items()) + ".",
)
@click.option(
    "--recording",
    "recordings",
    multiple=True,
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A recording that was scored; repeatable. Needed by --identity and for BIDS signals.",
)
@click.option(
    "--identity",
    is_flag=True,
    help="Copy the patient line and date of the recording into the EDF+ file.",
)
@click.option("--with-dates", is_flag=True, help="Give the days of the night in FHIR.")
@click.option(
    "--excel", is_flag=True, help="Begin CSV files with the mark by which Excel knows UTF-8."
)
def command(
    archives: tuple[Path, ...], out: Path, kinds: str, recordings: tuple[Path, ...],
    *, identity: bool, with_dates: bool, excel: bool,
) -> int:  # fmt: skip
    """Write nights (NIGHT.night.h5) as files for other programs, from the archives alone.

    Nobody is named and no date is given unless --identity or --with-dates asks for it.
    """
    from sleepbrux.export.files import Wish, write_files

    if identity and not recordings:
        raise UsageError("--identity copies from the recording; name it with --recording")
    wish = Wish(tuple(_kinds(kinds)), recordings, identity, with_dates, excel, _words)
    nights, failures = _nights(archives)
    if nights:
        for path in write_files(nights, out, wish):
            click.echo(str(path))
    return 1 if failures else 0
