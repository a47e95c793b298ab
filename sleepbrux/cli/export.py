"""``sleepbrux export``: archives to files that other programs read."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps
from sleepbrux.cli.options import say_doubts, say_sets
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.core.texts import count_of, file_name

if TYPE_CHECKING:
    from sleepbrux.export.files import ExportRequest
    from sleepbrux.scoring.night import Night

KINDS = {
    "csv": "tables with their data dictionary",
    "json": "every measure and setting, with its JSON Schema",
    "edf": "EDF+ file of annotations, to lay over the recording",
    "fhir": "FHIR R4 bundle with the letter, and the codes and profiles that it uses",
    "bids": "BIDS data set, in the folder bids",
    "study": "one row a night, in study.csv",
    "parquet": "the tables unrounded, as Parquet (extra tables)",
    "archive": "the night's archive without names and dates, to hand on",
}


def _kinds(text: str) -> list[str]:
    wanted = [word.strip() for word in text.split(",") if word.strip()]
    unknown = [word for word in wanted if word not in KINDS]
    if unknown or not wanted:
        raise UsageError(f"--as {text!r}: there is no {(unknown or [''])[0]!r}; there are {', '.join(KINDS)}")
    return wanted


def _nights(
    archives: Iterable[Path],
) -> tuple[list[tuple[str, Night]], list[Night], int]:
    """Nights after their review with the name of each, the same without it, and how many failed."""
    from sleepbrux.archive.file import load_night
    from sleepbrux.archive.journal import with_review
    from sleepbrux.cli.reviews import say_unread, unread
    from sleepbrux.report.outputs import ARCHIVE

    nights, automatic, failures = [], [], 0
    for path in archives:
        try:
            night = load_night(path)
            nights.append((file_name(path).removesuffix(ARCHIVE), with_review(night, path)))
            automatic.append(night)
            say_doubts(path)
        except SleepbruxError as error:
            failures += 1
            click.echo(f"sleepbrux: {error}", err=True)
    failures += say_unread(unread(nights))
    names = [name for name, _ in nights]
    for name in set(names):
        if names.count(name) > 1:
            raise UsageError(f"two archives are called {name}; export them into different folders")
    return nights, automatic, failures


def _given(nights: Iterable[tuple[str, Night]], wish: ExportRequest) -> list[str]:
    """What the files give that somebody may be known by."""
    if wish.shown.names or wish.shown.dates or wish.identity:
        asked = [
            words
            for words, given in (
                ("patient line", wish.identity),
                ("names and labels as written", wish.shown.names),
                ("dates", wish.shown.dates),
            )
            if given
        ]
        return [f"given as was asked for: {', '.join(asked)}"]
    from sleepbrux.export.sharing import words_left

    found: dict[str, list[str]] = {}
    for _, night in nights:
        for name, text in words_left(night):
            found.setdefault(name, []).append(text)
    said = "; ".join(f"{name} {', '.join(dict.fromkeys(texts))}" for name, texts in found.items())
    lines = ["no name and no date was given; time of day and SHA-256 of the recording are"]
    return [*lines, f"look at the user's own words that are shown: {said}"] if said else lines


@click.command()
@click.argument("archives", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
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
@click.option(
    "--with-names",
    is_flag=True,
    help="Give file names, labels of channels, texts of marks and names of readers as they are written.",
)
@click.option(
    "--with-dates",
    is_flag=True,
    help="Give the days of the night, of the clench and of the review.",
)
@click.option(
    "--events",
    type=click.Choice(("episodes", "bursts", "all")),
    default="all",
    show_default=True,
    help="What EDF+, BIDS and events.csv hold: episodes; bursts of each channel; or all, with the window and the "
    "time that cannot be scored.",
)
@click.option(
    "--fhir",
    "fhir",
    type=click.Choice(("collection", "document", "transaction")),
    default=None,
    help="Kind of the FHIR bundle [default: collection]: a file to keep, a document with a Composition, or a "
    "transaction that a server takes. Adds fhir to --as.",
)
@click.option(
    "--issued",
    default="",
    metavar="TIME",
    help="When the FHIR report is issued, with its zone: 2026-03-05T08:00:00+01:00. A document needs it.",
)
@click.option(
    "--study",
    "studies",
    multiple=True,
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Study file of the nights; repeatable. BIDS then gives its [dataset] table, recorder, electrodes, filters, "
    "age and sex, and the letter in FHIR its [letter] table.",
)
@click.option(
    "--utf8-mark",
    is_flag=True,
    help="Begin CSV files with the UTF-8 mark that spreadsheet programs look for.",
)
def command(
    archives: tuple[Path, ...],
    out: Path,
    kinds: str,
    recordings: tuple[Path, ...],
    *,
    identity: bool,
    with_names: bool,
    with_dates: bool,
    events: str,
    fhir: str | None,
    issued: str,
    studies: tuple[Path, ...],
    utf8_mark: bool,
) -> int:
    """Write nights (NIGHT.night.h5) as files for other programs, from the archives alone.

    Nobody is named and no date is given unless --identity, --with-names or --with-dates asks for it. The
    files are called by pseudonym and night. What the study file writes to be shown stays: pseudonym, id of
    the night, condition; and the id of the rule set.
    """
    from sleepbrux.export.fhir import FhirForm
    from sleepbrux.export.files import ExportRequest, shared_names
    from sleepbrux.export.sharing import Shown
    from sleepbrux.report.handing_over import letters_of, report_sentences, write_exports
    from sleepbrux.study.file import load_study

    if identity and not recordings:
        raise UsageError("--identity copies from the recording; name it with --recording")
    shown = Shown(with_names, with_dates)
    nights, automatic, failures = _nights(archives)
    names = shared_names(nights, shown)
    plans = tuple(load_study(path) for path in studies)
    wish = ExportRequest(
        tuple(dict.fromkeys([*_kinds(kinds), *(["fhir"] if fhir else [])])),
        recordings,
        identity,
        shown,
        utf8_mark,
        report_sentences,
        events=events,
        fhir=FhirForm(fhir or "collection", issued),  # type: ignore[arg-type]
        letter=letters_of(archives, nights, names, plans, dates=with_dates),
        studies=plans,
    )
    say_sets(out)
    written = write_exports(nights, automatic, out, wish)
    if nights:
        headline(f"{count_of(len(written), 'file')} of {count_of(len(nights), 'night')} written")
        for path in written:
            click.echo(str(path))
        for line in _given(nights, wish):
            click.echo(f"sleepbrux: {line}", err=True)
        next_steps.say_next(
            ("from a number down to the samples", ("trace", archives[0], "episodes_per_hour"))
        )
    return 1 if failures else 0
