"""``sleepbrux demo``: an invented study, written, scored and laid out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps
from sleepbrux.cli.compare import answer_of
from sleepbrux.cli.terminal import headline, progress_bar
from sleepbrux.core.errors import UsageError

if TYPE_CHECKING:
    from sleepbrux.analysis.comparison import Contrast, NightRow

KEEP = 2
MARK = "# Invented data."


def _check_folder(out: Path) -> None:
    study = out / "study.toml"
    if not out.exists() or not any(out.iterdir()):
        return
    if not study.is_file() or not study.read_text("utf-8", errors="replace").startswith(MARK):
        raise UsageError(f"--out {str(out)!r} holds other files; name an empty or a new folder")


def _compare(out: Path, results: Path) -> list[Contrast]:
    """Compare the conditions and write the study's page, as ``sleepbrux compare`` does; the contrasts."""
    from sleepbrux.analysis.comparison.fixing import record_path
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.report.study_files import compare_archives, write_compared
    from sleepbrux.study.file import load_study

    file = out / "study.toml"
    study = load_study(file)
    with progress_bar(total=len(study.night), desc="nights compared") as bar:
        reading = read_records(study, results, suffix=ARCHIVE, progress=bar.update)
    compared = compare_archives(study, reading, record_path(file))
    write_compared(compared, study, results, results)
    return list(compared.found.comparison.contrasts)


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder for the study and its results; empty or new.",
)
def command(out: Path) -> int:
    """Write an invented study of one person, score every night and say where to look.

    Twenty-four nights under three conditions, of which two recordings are kept (160 MB) and the
    archives of all (900 MB). Takes about a minute and a half on two cores.
    """
    from sleepbrux.analysis.comparison import night_row
    from sleepbrux.analysis.comparison.fixing import fix_at_scoring
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.core.files import write_text
    from sleepbrux.export.tables import nights_csv
    from sleepbrux.report.other_nights import fill_in
    from sleepbrux.report.outputs import ARCHIVE, REPORT, write_outputs
    from sleepbrux.scoring.request import score_file, study_request
    from sleepbrux.study.file import load_study
    from sleepbrux.synth.study import load_scenario, make_study

    _check_folder(out)
    scenario = load_scenario()
    load_kernels()
    results = out / "results"
    rows: list[NightRow] = []
    with progress_bar(total=len(scenario.nights), desc="nights written and scored") as bar:

        def on_night(night_id: str, path: Path) -> None:
            study = load_study(out / "study.toml")
            if not rows and (hindered := fix_at_scoring(out / "study.toml", study, results, ARCHIVE)):
                click.echo(hindered, err=True)
            entry = next(n for n in study.night if n.id == night_id)
            night = score_file(path, study_request(study, entry, out))
            write_outputs(night, results, stem=night_id)
            rows.append(night_row(night_id, entry.condition, night))
            bar.update()
            if bar.disable:
                click.echo(f"{night_id}: scored ({entry.condition})", err=True)

        make_study(scenario, out, keep=KEEP, on_night=on_night)
    fill_in(results, scenario.nights)
    write_text(results / "nights.csv", nights_csv(rows))
    for contrast in _compare(out, results):
        headline(answer_of(contrast))
        if contrast.why:
            click.echo(f"  {contrast.why}")
    first = scenario.nights[0]
    click.echo(f"\nStart with the report of the first night: {results / (first + REPORT)}")
    click.echo(f"With and without an appliance: {results / 'study.report.html'}")
    click.echo(f"All nights in one table: {results / 'nights.csv'}")
    click.echo(f"What truly happened in each: {out / 'NIGHT.truth.json'} (all of it is invented)")
    next_steps.say_next(
        ("go on in the browser, without a further command", ("start", out)),
        (
            "look at every episode of that night and decide",
            ("review", results / f"{first}{ARCHIVE}"),
        ),
        ("maximal clenches by appliance", ("clench", out / "study.toml")),
        ("write the letter", ("letter", "--study", out / "study.toml")),
    )
    return 0
