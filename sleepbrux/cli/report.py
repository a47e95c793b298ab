"""``sleepbrux report``: the page about a night, made again from its archive."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.cli import next_steps
from sleepbrux.cli.options import say_doubts
from sleepbrux.cli.terminal import headline
from sleepbrux.core.errors import SleepbruxError


@click.command()
@click.argument("archives", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the pages [default: that of the archive].",
)
@click.option("--robustness", is_flag=True, help="With the figures of the night under many rules.")
@click.option(
    "--mark-texts", is_flag=True, help="Show the texts of marks as written; they may name a person."
)
def command(archives: tuple[Path, ...], out: Path | None, *, robustness: bool, mark_texts: bool) -> int:
    """Write the page about each of ARCHIVES (NIGHT.night.h5), after its review if there is one.

    The recording itself is not needed.
    """
    from sleepbrux.recording.formats import hdf5_client

    hdf5_client.call_ahead()
    from sleepbrux.archive.journal import load_reviewed
    from sleepbrux.archive.manifest import listed, stem_of
    from sleepbrux.cli.progress import shown
    from sleepbrux.cli.reviews import say_unread, unread
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.report.night_page import render_night
    from sleepbrux.report.other_nights import fill_in
    from sleepbrux.report.outputs import REPORT, report_text, write_beside
    from sleepbrux.report.wording import rate_phrase
    from sleepbrux.scoring.robustness import assess_robustness

    load_kernels()
    failures = 0
    for path in archives:
        try:
            of = listed(path) if path.is_file() else None
            night = load_reviewed(path)
            failures += say_unread(unread([(path.name, night)]))
            if robustness:
                with shown(path.name) as progress:
                    many = assess_robustness(night, progress=progress)
                page = render_night(night, robustness=many, mark_texts=mark_texts)
            else:
                page = report_text(night, mark_texts=mark_texts)
            folder, stem = out or path.parent, stem_of(path)
            write_beside(night, folder, stem, {REPORT: page}, of=of)
            fill_in(folder, [stem])
            headline(f"{stem}: {rate_phrase(night)}")
            click.echo(f"  report: {folder / f'{stem}{REPORT}'}")
            say_doubts(path)
        except SleepbruxError as error:
            failures += 1
            click.echo(f"sleepbrux: {error}", err=True)
    if failures < len(archives):
        next_steps.say_next(("write the letter", ("letter", *archives)))
    return 1 if failures else 0
