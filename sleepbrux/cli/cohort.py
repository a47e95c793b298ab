"""``sleepbrux cohort``: many persons with and without an appliance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.analysis.plan_arguments import SPREADS
from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, progress_bar, table_lines
from sleepbrux.core.errors import StudyError, UsageError

if TYPE_CHECKING:
    from sleepbrux.analysis.cohort import Cohort, Method, PersonNight
    from sleepbrux.analysis.comparison.records import Reading


def _baseline_rate(found: Cohort, nights: Sequence[PersonNight]) -> str:
    """Events per hour under the baseline over all persons; empty where there are none."""
    own = [n for n in nights if n.condition == found.baseline]
    events, hours = sum(n.events for n in own), sum(n.hours for n in own)
    return f"{events / hours:.1f}" if events and hours else ""


def _shown(found: Cohort) -> Iterator[str]:
    from sleepbrux.analysis.comparison.ratio import p_text

    yield f"{found.persons} persons, {found.nights} nights; {found.method} ({found.why_method})"
    yield from table_lines(
        ("effect", "ratio", "95 % interval", "p", "after Holm", "df"),
        [
            (
                e.term,
                f"{e.ratio:.2f}",
                f"{e.low:.2f}–{e.high:.2f}",
                p_text(e.p),
                "-" if e.p_holm is None else p_text(e.p_holm),
                f"{e.df:g}",
            )
            for e in found.effects
        ],
    )
    for condition, p in found.wilcoxon_p.items():
        yield f"  Wilcoxon signed-rank, {condition}: p {'-' if p is None else p_text(p)}"
    yield "\nhow far nights of one person agree:"
    for r in found.repeatability:
        if r.icc is None or r.low is None or r.high is None:
            yield f"  {r.condition}: not known (two persons with two nights are needed)"
            continue
        needed = ", ".join(f"{k}: {v or '-'}" for k, v in r.nights_for.items())
        yield (
            f"  {r.condition}: ICC {r.icc:.2f} ({r.low:.2f} to {r.high:.2f}), {r.persons} persons, "
            f"{r.nights} nights; nights for a reliability of {needed}"
        )
    for a in found.agreement:
        yield (
            f"  {a.condition} less {a.against}: {a.bias:z.2f}/h, limits of single nights {a.low:z.2f} to "
            f"{a.high:z.2f}"
        )
    yield ""
    yield from (f"Note: {n}" for n in found.notes)


def _once(person: str, reading: Reading, recordings: dict[str, str]) -> None:
    """Refuse a recording that counts as a night of two persons; ``recordings`` holds whose each is."""
    for record in reading.records:
        owner = recordings.setdefault(record.figures.input_sha256, person)
        if owner != person:
            raise UsageError(
                f"night {record.entry.id!r} of {person!r} is a recording that is a night of {owner!r} too; "
                "one of the study files names the wrong file"
            )


@dataclass(frozen=True)
class _Read:
    """Nights of study files, what must be said of them, and why reviews could not be read."""

    nights: list[PersonNight]
    notes: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()


def _of_studies(paths: tuple[Path, ...], results: Path | None) -> _Read:
    """Nights of study files, from their archives; what `compare` leaves out is left out.

    Reviewed scorings are taken only where every night of every person has one.
    """
    found, reviewed = _read(paths, results, automatic=False)
    return found if reviewed else _read(paths, results, automatic=True)[0]


def _review_note(readings: Sequence[Reading], *, automatic: bool) -> tuple[str, ...]:
    """Which scoring was compared, where any night has a review; nothing where none has."""
    total, decided = sum(len(r.records) for r in readings), sum(r.with_review for r in readings)
    if not decided:
        return ()
    if not automatic:
        return (f"Reviewed scoring of all {total} nights.",)
    return (
        f"Automatic scoring of every night: {decided} of {total} nights have a review, and it is not used, because "
        "reviewed and automatic scorings are never mixed.",
    )


def _remarks(study: str, reading: Reading) -> Iterator[str]:
    for r in reading.records:
        if r.figures.labelled and r.figures.labelled != r.figures.condition:
            yield (
                f"{study} {r.entry.id} was scored as condition {r.figures.labelled!r}, and the study file now says "
                f"{r.figures.condition!r}."
            )
        for doubt in r.figures.doubts:
            yield f"{study} {r.entry.id}: {doubt}."


def _read(paths: tuple[Path, ...], results: Path | None, *, automatic: bool) -> tuple[_Read, bool]:
    """The nights, and whether all of them are reviewed ones or none has a review."""
    from sleepbrux.analysis.cohort import PersonNight
    from sleepbrux.analysis.comparison.contrasts import compare_nights
    from sleepbrux.analysis.comparison.records import counted, read_records
    from sleepbrux.cli.compare import study_of
    from sleepbrux.report.outputs import ARCHIVE

    nights: list[PersonNight] = []
    readings: list[Reading] = []
    notes: list[str] = []
    unread: list[str] = []
    seen: set[str] = set()
    recordings: dict[str, str] = {}
    bases = set()
    for path in progress_bar(paths, desc="studies read"):
        study, beside, due = study_of(path, {})
        if study.pseudonym in seen:
            raise UsageError(
                f"{path.name}: pseudonym {study.pseudonym!r} is there twice; a person counts once"
            )
        seen.add(study.pseudonym)
        folder = results or beside
        if not folder.is_dir():
            raise UsageError(f"there is no folder {folder.name!r} next to {path.name}; give --results")
        reading = read_records(study, folder, suffix=ARCHIVE, due=due, robust=False, automatic=automatic)
        readings.append(reading)
        notes += _remarks(study.pseudonym, reading)
        unread += [f"{path.name}: {text}" for text in reading.unread]
        _once(study.pseudonym, reading, recordings)
        if not reading.records:
            if not automatic:
                click.echo(f"sleepbrux: {path.name}: no night with an archive; left out", err=True)
            continue
        found, counts = counted(reading.records, study.primary_outcome)
        if not counts or reading.basis is None:
            raise UsageError(f"{path.name}: {study.primary_outcome} is no count of events")
        basis = reading.basis
        bases.add(
            (study.primary_outcome, basis.criterion, basis.criterion_digest, basis.window, basis.reference)
        )
        if len({n.condition for n in found}) > 1:
            found = list(compare_nights(found, baseline=study.baseline, rearranged=False).nights)
        nights += [PersonNight(study.pseudonym, n.condition, n.events, n.hours, night=n.id) for n in found]
    if len(bases) > 1:
        what = "; ".join(sorted(", ".join((b[0], b[1], b[3], b[4])) for b in bases))
        raise UsageError(
            f"the studies do not have the same outcome, criterion, window and reference, so they are "
            f"not mixed: {what}"
        )
    notes += _review_note(readings, automatic=automatic)
    used = [r for r in readings if r.records]
    alike = not any(r.with_review for r in used) or all(r.reviewed for r in used)
    return _Read(nights, tuple(notes), tuple(unread)), alike


@click.command()
@click.argument("studies", type=click.Path(path_type=Path, exists=True), nargs=-1, required=True)
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    default=None,
    help="Folder with a folder of archives a pseudonym [default: results next to each study file].",
)
@click.option(
    "--baseline",
    type=options.Words(),
    default="none",
    show_default=True,
    help="The condition to compare with.",
)
@click.option(
    "--outcome",
    type=options.Words(),
    default="episodes per valid hour",
    show_default=True,
    help="What a table counts, with its denominator.",
)
@click.option(
    "--method",
    type=click.Choice(("log ratios", "GEE")),
    default="log ratios",
    show_default=True,
    help="One log ratio a person, or a Poisson model over all nights.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    help="Folder for page and JSON [default: here].",
)
def command(
    studies: tuple[Path, ...],
    results: Path | None,
    baseline: str,
    outcome: str,
    method: Method,
    out: Path,
) -> int:
    """Compare conditions over many persons.

    STUDIES is one CSV table (person, condition, events, valid_hours; for a crossover also period and
    sequence), or study files whose nights have been scored.
    """
    from sleepbrux.analysis.cohort import cohort_text, compare_cohort, read_cohort
    from sleepbrux.archive.file_sets import write_listed
    from sleepbrux.cli.reviews import say_unread
    from sleepbrux.core.purpose import PURPOSE
    from sleepbrux.recording.files import file_digest
    from sleepbrux.report.cohort_page import render_cohort

    if len(studies) == 1 and studies[0].suffix.casefold() in (".csv", ".tsv", ".txt"):
        try:
            read = _Read(read_cohort(studies[0]))
        except StudyError as error:
            raise UsageError(str(error)) from error
    else:
        read = _of_studies(studies, results)
    nights, unread = read.nights, say_unread(read.unread)
    found = compare_cohort(nights, baseline=baseline, outcome=outcome, method=method)
    found = replace(found, notes=(*read.notes, *found.notes))
    for sentence in found.sentences:
        headline(sentence)
    click.echo("\n".join([*_shown(found), PURPOSE]))
    out.mkdir(parents=True, exist_ok=True)
    alone = len(studies) == 1
    made_from = {p.name if alone else f"{k}: {p.name}": file_digest(p) for k, p in enumerate(studies, 1)}
    page = render_cohort(found, nights)
    lead = out / "cohort.report.html"
    options.say_sets(out)
    write_listed({out / "cohort.json": cohort_text(found, made_from), lead: page}, lead)
    click.echo(f"page: {lead}")
    if studies[0].suffix.casefold() == ".toml":
        where = ("--results", results) if results else ()
        next_steps.say_next(("look at one person", ("compare", studies[0], *where)))
    elif rate := _baseline_rate(found, nights):
        next_steps.say_next(
            ("how many nights one person needs", ("plan", "--rate", rate, "--spread", next(iter(SPREADS))))
        )
    return 1 if unread else 0
