"""``sleepbrux compare``: with and without an appliance, from the archives of a study's nights."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, progress_bar, table_lines
from sleepbrux.core.errors import StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.analysis.comparison.model import Comparison, Contrast
    from sleepbrux.analysis.comparison.study import StudyComparison
    from sleepbrux.analysis.planning import Plan
    from sleepbrux.archive.nights import Due
    from sleepbrux.study.file import Study

ORDERS = ("as it came", "planned phases", "randomised nights", "randomised blocks")


def _contrast(contrast: Contrast) -> Iterator[str]:
    from sleepbrux.analysis.comparison.ratio import adjusted_p, p_text
    from sleepbrux.analysis.comparison.sentences import DESCRIBED

    yield f"\n{contrast.condition} against {contrast.against}"
    yield f"  {contrast.sentence}"
    r, test = contrast.ratio, contrast.rearrangement
    if r is None:
        return
    if contrast.verdict != DESCRIBED:
        yield f"  p {adjusted_p(r)}"
    yield f"  t test alone: p {p_text(r.p)}, {r.method}, {r.df:.1f} degrees of freedom ({r.why_method})"
    if contrast.by_valid_hours and f"{contrast.by_valid_hours:.2f}" != f"{r.ratio:.2f}":
        yield f"  with every valid hour counting the same: {contrast.by_valid_hours:.2f}"
    if test is not None:
        how = "all" if test.exact else "9,999 drawn of"
        yield (
            f"  rearrangement test alone: p {p_text(test.p)} ({how} {test.arrangements} arrangements; least "
            f"possible p {test.least_p:.3f}): {test.assumption}"
        )
    if contrast.prior is not None:
        from sleepbrux.analysis.comparison.prior import WORDS

        p = contrast.prior
        yield f"  sensitivity only, never the verdict: {p.ratio:.2f} ({p.low:.2f} to {p.high:.2f}) {WORDS}"
    if contrast.with_first_night is not None:
        w = contrast.with_first_night
        yield f"  with the first night: {w.ratio:.2f} ({w.low:.2f} to {w.high:.2f})"


def _nights(comparison: Comparison, remarks: Mapping[str, Sequence[str]]) -> Iterator[str]:
    heads = ("count", "valid h", "per hour") if comparison.counts else ("value",)
    out = {a.night.id: a.reason for a in comparison.apart}
    rows = []
    for n in (*(a.night for a in comparison.apart), *comparison.nights):
        rate = "-" if n.rate is None else f"{n.rate:.2f}"
        note = [f"left out: {out[n.id]}"] if n.id in out else []
        note += [f"* {text}" for text in remarks.get(n.id, ())]
        numbers = (f"{n.events:g}", f"{n.hours:.2f}", rate) if comparison.counts else (f"{n.events:.3g}",)
        rows.append((n.id, n.condition, *numbers, "  ".join(note)))
    last = 2 + len(heads)
    yield from table_lines(("night", "condition", *heads, ""), rows, indent="", texts=(0, 1, last))


def _more_nights(plans: Sequence[Plan]) -> list[str]:
    """What the page says of more nights."""
    if not plans:
        return []
    heads = ", ".join(f"to {p.ratio:g} times: {p.needed_text}" for p in plans)
    return [
        "",
        f"More nights, if they vary as these did ({plans[0].design}), for {100 * plans[0].power:.0f} % power or more: "
        f"{heads}",
    ]


def answer_of(contrast: Contrast) -> str:
    """The verdict of a contrast, with its ratio where there is one."""
    from sleepbrux.analysis.comparison.sentences import plain_verdict

    r, words = contrast.ratio, plain_verdict(contrast.verdict)
    if words != contrast.verdict:
        words += f", {contrast.verdict}"
    numbers = f"{r.ratio:.2f} times (95 % interval {r.low:.2f}–{r.high:.2f}); " if r is not None else ""
    return f"{contrast.condition} against {contrast.against}: {numbers}{words}"


def _shown(found: StudyComparison, plans: Sequence[Plan] = ()) -> str:
    from sleepbrux.analysis.comparison.study import SDD
    from sleepbrux.core.purpose import PURPOSE

    comparison = found.comparison
    lines = [
        f"{found.person}: {comparison.outcome}, criterion {found.criterion}; nights "
        f"{found.night_order}; order of conditions: {comparison.order}",
        "",
        *_nights(comparison, found.remarks),
    ]
    for contrast in comparison.contrasts:
        lines += _contrast(contrast)
        lines += [
            f"  {h.sentence}"
            for h in found.robustness
            if (h.condition, h.against) == (contrast.condition, contrast.against)
        ]
    lines += _more_nights(plans)
    lines.append("")
    lines += [f"{note.severity}: {note.text}" for note in (*found.fixing, *comparison.cautions)]
    lines += [f"left out: {n.id}: {'; '.join(n.reasons)}" for n in found.left_out]
    lines += [f"missing: {n.id} ({n.condition}): {n.reason}" for n in found.missing]
    lines += [f"rescored: {text}" for text in found.rescored]
    lines += [SDD, PURPOSE]
    return "\n".join(lines) + "\n"


def _file_of(path: Path) -> Path:
    """The study file or table that a path stands for."""
    if path.is_dir():
        return path / ("study.toml" if (path / "study.toml").is_file() else "nights.csv")
    return path


def study_of(path: Path, options: dict[str, str | None]) -> tuple[Study, Path, Due]:
    """The study, the folder in which its archives lie if none is named, and whose they must be."""
    from sleepbrux.analysis.comparison.table import study_from_table
    from sleepbrux.archive.nights import Due
    from sleepbrux.study.file import load_study

    given = {k: v for k, v in options.items() if v is not None}
    table = _file_of(path)
    if path.is_dir() and not table.is_file():
        raise UsageError(
            f"folder {path.name!r} holds neither study.toml nor nights.csv; name a study file, or write the "
            "nights of the folder into nights.csv (columns night, condition)"
        )
    try:
        if table.suffix.casefold() in (".csv", ".tsv", ".txt"):
            plan = study_from_table(table, **given)  # type: ignore[arg-type]
            return plan, table.parent, Due(stated=False)
        if given:
            names = ", ".join(f"--{k.replace('_', '-')}" for k in given)
            raise UsageError(f"{names}: {table.name} is a study file, which says so itself")
        return load_study(table), next_steps.results_of(table), Due(home=table.parent)
    except StudyError as error:
        raise UsageError(str(error)) from error


@click.command()
@click.argument("study", type=click.Path(path_type=Path, exists=True))
@options.results
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for page, JSON and tables [default: that of the archives].",
)
@click.option("--keep-first-night", is_flag=True, help="Compare the first night of the study too.")
@click.option("--quick", is_flag=True, help="Leave out other thresholds and criteria.")
@click.option("--primary-outcome", default=None, help="For a table: the measure chosen beforehand.")
@click.option("--criterion", default=None, help="For a table: the criterion chosen beforehand.")
@click.option(
    "--baseline", type=options.Words(), default=None, help="For a table: the condition to compare with."
)
@click.option(
    "--order",
    type=click.Choice(ORDERS),
    default=None,
    help="For a table: how the order of the conditions came about.",
)
def command(
    study: Path,
    results: Path | None,
    out: Path | None,
    keep_first_night: bool,
    quick: bool,
    primary_outcome: str | None,
    criterion: str | None,
    baseline: str | None,
    order: str | None,
) -> int:
    """Compare the conditions of STUDY: a study file, or a folder of archives with a table nights.csv.

    Nights are the units. The sentence for each pair of conditions follows stated rules; below four nights
    in each of the two it is always "cannot tell yet".
    """
    from sleepbrux.recording.formats import hdf5_client

    hdf5_client.call_ahead()
    from sleepbrux.analysis.comparison.fixing import record_path
    from sleepbrux.analysis.comparison.records import read_records
    from sleepbrux.cli.reviews import say_unread
    from sleepbrux.cli.score import ask_names
    from sleepbrux.report.outputs import ARCHIVE
    from sleepbrux.report.study_files import compare_archives, write_compared
    from sleepbrux.signal import startup
    from sleepbrux.study.file import result_folder

    startup.load_kernels(lambda notice: click.echo(notice, err=True), many_nights=True)
    plan, beside, due = study_of(
        study,
        {"primary_outcome": primary_outcome, "criterion": criterion, "baseline": baseline, "order": order},
    )
    ask_names(plan)
    folder = next_steps.found_results(_file_of(study), results or beside)
    with progress_bar(total=len(plan.night), desc="nights read") as bar:
        reading = read_records(plan, folder, suffix=ARCHIVE, due=due, robust=not quick, progress=bar.update)
    with progress_bar(desc="compared and planned") as bar:
        compared = compare_archives(
            plan,
            reading,
            record_path(_file_of(study)),
            keep_first_night=keep_first_night,
            progress=bar.update,
        )
    found, plans = compared.found, compared.plans
    for contrast in found.comparison.contrasts:
        headline(answer_of(contrast))
    click.echo(_shown(found, plans), nl=False)
    target = out or result_folder(plan, folder)
    options.say_sets(target, _file_of(study).parent)
    click.echo(f"page: {write_compared(compared, plan, folder, target)}")
    unused = say_unread(reading.unread)
    file = _file_of(study)
    if file.suffix == ".toml":
        where = next_steps.naming(file, folder)
        next_steps.say_next(("write the letter", ("letter", "--study", file, *where)))
    else:
        next_steps.say_next(("see how many more nights are needed", ("plan", "--study", study)))
    return 1 if unused or found.missing else 0
