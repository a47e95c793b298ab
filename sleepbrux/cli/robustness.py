"""``sleepbrux robustness``: a night under many rules, from its archive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps
from sleepbrux.cli.options import say_doubts
from sleepbrux.cli.terminal import headline, table_lines
from sleepbrux.core.errors import SleepbruxError

if TYPE_CHECKING:
    from sleepbrux.scoring.robustness import Robustness

COLUMNS = (
    "episodes_per_hour",
    "phasic_episodes_per_hour",
    "tonic_episodes_per_hour",
    "mixed_episodes_per_hour",
    "bursts_per_hour",
)


def _show(robustness: Robustness) -> None:
    headline(robustness.sentence)
    click.echo()
    rows = []
    for row in robustness.rows:
        values = [None if row.reason else row.measures[name].value for name in COLUMNS]
        rows.append((row.id, *("-" if v is None else f"{v:.2f}" for v in values)))
    heads = ("rule set", "episodes/h", "phasic", "tonic", "mixed", "bursts/h")
    click.echo("\n".join(table_lines(heads, rows, indent="")))
    for row in robustness.rows:
        if row.reason:
            click.echo(f"not computed: {row.id}: {row.reason}")
    for curve in robustness.curves:
        click.echo(f"\nepisodes per valid hour over {curve.key} (* the night's own value)")
        for value, rate in zip(curve.values, curve.rates, strict=True):
            mark = "*" if value == curve.chosen else " "
            click.echo(f"  {value:>7g}{mark} {'-' if rate is None else f'{rate:.2f}':>8}")
    if robustness.clench_band is not None:
        low, high = robustness.clench_band
        click.echo(
            "With each single clench of the reference in turn as the MVC the rate lies between "
            f"{low:.2f} and {high:.2f} per valid hour."
        )


@click.command()
@click.argument("archives", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for the JSON and the report [default: that of the archive].",
)
def command(archives: tuple[Path, ...], out: Path | None) -> int:
    """Score ARCHIVES (NIGHT.night.h5) under every criterion and over a range of settings.

    Prints the tables, writes NIGHT.robustness.json and puts the figures into the report. The
    recording itself is not needed.
    """
    from sleepbrux.archive.journal import load_reviewed
    from sleepbrux.archive.manifest import listed, stem_of
    from sleepbrux.cli.progress import shown
    from sleepbrux.cli.reviews import say_unread, unread
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.report.outputs import write_robustness
    from sleepbrux.scoring.robustness import assess_robustness

    load_kernels()
    failures = 0
    for path in archives:
        try:
            of = listed(path) if path.is_file() else None
            night = load_reviewed(path)
            failures += say_unread(unread([(path.name, night)]))
            with shown(path.name) as progress:
                robustness = assess_robustness(night, progress=progress)
            write_robustness(night, robustness, out or path.parent, stem_of(path), of=of)
            say_doubts(path)
            if len(archives) > 1:
                click.echo(f"\n{path.name}")
            _show(robustness)
        except SleepbruxError as error:
            failures += 1
            click.echo(f"sleepbrux: {error}", err=True)
    if failures < len(archives):
        next_steps.say_next(("look at every episode and decide", ("review", archives[0])))
    return 1 if failures else 0
