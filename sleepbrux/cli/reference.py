"""``sleepbrux reference``: rest and maximal clenches of a recording, measured and judged."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.cli.terminal import headline, table_lines
from sleepbrux.core.errors import UsageError

if TYPE_CHECKING:
    from sleepbrux.recording.opening import Hints
    from sleepbrux.reference.recorded import ReferenceCheck

STATISTICS = ("mean_best_1s", "highest_best_1s", "mean_best_half_s", "mean_peak", "mean_plateau")


def _show(looked: ReferenceCheck) -> None:
    from sleepbrux.report.reference_page import (
        TRIAL_HEADS,
        clench_count,
        clench_rows,
        sentences,
        trial_rows,
    )

    cues = looked.cues
    use = "usable as a reference" if looked.usable else "no channel gives a reference"
    headline(f"{looked.swept.name}: {use}; {clench_count(looked)}")
    click.echo(f"  {cues.origin}; teeth: {cues.teeth}")
    rows = [
        (f"clench {number}", at, length, times, label, said)
        for number, at, length, label, times, said in clench_rows(looked)
    ]
    heads = ("", "at", "length, s", "times rest", "channel", "")
    click.echo("\n".join(table_lines(heads, rows, texts=(0, 4, 5)) if rows else ()), nl=bool(rows))
    for clenches, wrong, notes in looked.channels:
        about = " ".join(filter(None, (clenches.muscle, clenches.side)))
        click.echo(f"\n{clenches.label}" + (f" ({about})" if about else ""))
        if clenches.trials:
            last = len(TRIAL_HEADS) - 1
            click.echo("\n".join(table_lines(TRIAL_HEADS, trial_rows(looked, clenches), texts=(last,))))
        for sentence in sentences(looked, clenches):
            click.echo(f"  {sentence}")
        for why in wrong:
            click.echo(f"  refused: {why}")
        for note in notes:
            click.echo(f"  {note.severity}: {note.text}")


def _accepted(recording: Path, looked: ReferenceCheck, by: str, teeth: str) -> ReferenceCheck:
    """Write the acceptance next to the recording, and look at what is so then."""
    from datetime import date

    from sleepbrux.reference.recorded import accept_beside

    if looked.proposal is None:
        raise UsageError(
            f"{recording.name}: nothing is to be accepted; marks in the recording say where the clenches are"
            if looked.marked
            else f"{recording.name}: no clench is taken; name those to be taken with --clenches, such as "
            f"--clenches 1-{len(looked.clenches)}"
        )
    accepted, path = accept_beside(recording, looked, by=by, on=date.today(), teeth=teeth)
    said = accepted.proposal
    assert said is not None  # noqa: S101
    click.echo(f"accepted by {said.accepted_by} on {said.accepted_on}: {path}")
    return accepted


ACCEPT = "sleepbrux reference RECORDING --accept-by NAME --teeth natural"
TAKE = "sleepbrux reference RECORDING --clenches 1,2,3 --accept-by NAME --teeth natural"


def _numbers(text: str) -> tuple[int, ...]:
    """``"1,3-5"`` to (1, 3, 4, 5)."""
    numbers: list[int] = []
    for part in filter(None, (p.strip() for p in text.split(","))):
        low, _, high = part.partition("-")
        if not (low.strip().isdecimal() and (high.strip() or low.strip()).isdecimal()):
            raise UsageError(
                f"--clenches {text!r} names no clenches; write their numbers: --clenches 1,2,4-6"
            )
        numbers += range(int(low), int(high or low) + 1)
    return tuple(dict.fromkeys(numbers))


def _moves(texts: tuple[str, ...]) -> dict[int, tuple[float, float]]:
    """``("2=52.8,55.9",)`` to {2: (52.8, 55.9)}."""
    found = {}
    for text in texts:
        number, _, edges = text.partition("=")
        try:
            start, stop = (float(part) for part in edges.split(","))
            found[int(number)] = (start, stop)
        except ValueError:
            raise UsageError(f"--move {text!r} moves no clench; write --move 2=52.8,55.9") from None
    return found


def _propose(recording: Path, looked: ReferenceCheck, *, afresh: bool) -> None:
    from sleepbrux.reference import sidecar, write_proposal

    if looked.proposal is None:
        return
    if not sidecar(recording).exists():
        written = write_proposal(recording, looked.proposal)
        click.echo(f"proposal: {written} (next to the recording, where scoring looks for it)")
    elif afresh:
        click.echo(f"left as it is: {sidecar(recording)}; delete it to have the new times written")


def _next(recording: Path, looked: ReferenceCheck) -> None:
    study = next_steps.study_near(recording.parent)
    accept = ("reference", recording, "--accept-by", "NAME", "--teeth", "natural")
    if not looked.cues.clenches_s:
        every = f"1-{len(looked.clenches)}"
        next_steps.say_next(
            (
                "look at the page, then take clenches by their numbers",
                (*accept[:2], "--clenches", every, *accept[2:]),
            ),
        )
    elif not looked.cues.confirmed:
        click.echo("unconfirmed: these clenches were detected automatically")
        next_steps.say_next(("look at the page, then accept with your name", accept))
    elif not looked.usable:
        click.echo("no channel gives a reference: record the clenches again, or name other ones")
    elif study is not None:
        next_steps.say_next(
            ("check the study", ("study", "check", study)),
            (
                "score its nights (those scored before keep their earlier reference until then)",
                ("score", "--study", study),
            ),
        )
    else:
        next_steps.say_next(("draft a study file", ("study", "new", recording.parent)))


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for page and JSON file [default: results next to the recording].",
)
@click.option(
    "--statistic",
    type=click.Choice(STATISTICS),
    default=STATISTICS[0],
    show_default=True,
    help="How the trials become one level.",
)
@click.option(
    "--uv-kind",
    type=click.Choice(["rms", "rectified"]),
    default="rms",
    show_default=True,
    help="Kind of µV of the level.",
)
@click.option(
    "--effort-pct",
    type=options.Number(1, 100),
    default=100.0,
    show_default=True,
    help="Effort that was asked for, in % of a maximal one.",
)
@click.option(
    "--threshold-pct-mvc",
    type=options.Number(0, 100, min_open=True),
    default=10.0,
    show_default=True,
    help="Threshold that must lie at 3 times rest or above.",
)
@click.option(
    "--teeth",
    type=options.Words(),
    default="",
    metavar="natural | NAME",
    help="What was between the teeth: natural, or the appliance [default: natural].",
)
@click.option("--afresh", is_flag=True, help="Look in the signal even where marks say it.")
@click.option(
    "--accept-by",
    type=options.Words(),
    default="",
    metavar="NAME",
    help="Accept the clenches that were found; NAME or a code goes on record.",
)
@click.option(
    "--clenches",
    default="",
    metavar="NUMBERS",
    help="Take these clenches, as page and table number them: 1,2,4-6.",
)
@click.option(
    "--move",
    multiple=True,
    metavar="NUMBER=START,STOP",
    help="With --clenches: other edges of a clench, in seconds, such as 2=52.8,55.9; repeatable.",
)
@click.option("--channel", multiple=True, metavar="LABEL", help="Channel to measure; repeatable.")
@options.hints
def command(
    recording: Path,
    out: Path | None,
    statistic: str,
    uv_kind: str,
    effort_pct: float,
    threshold_pct_mvc: float,
    teeth: str,
    afresh: bool,
    accept_by: str,
    clenches: str,
    move: tuple[str, ...],
    channel: tuple[str, ...],
    hints: Hints,
) -> int:
    """Measure rest and maximal clenches of RECORDING, a chair recording or a night.

    They are taken from marks, else looked for in the signal. Page and table show every stretch like a
    clench, numbered, with the reason where it was not taken. Found ones are written to a file next to the
    recording and count as unconfirmed everywhere until somebody accepts them. Exit code 1 where no channel
    gives a reference.
    """
    from sleepbrux.cli.progress import shown
    from sleepbrux.cli.score import load_kernels
    from sleepbrux.reference import ClenchSettings, teeth_word
    from sleepbrux.reference.recorded import look
    from sleepbrux.report.reference_files import write_reference

    chosen, moved = _numbers(clenches), _moves(move)
    if strange := moved.keys() - set(chosen):
        raise UsageError(
            f"--move names clench {min(strange)}, which --clenches does not take; name it there too"
        )
    load_kernels()
    with shown(recording.name) as progress:
        looked = look(
            recording,
            ClenchSettings(
                "rectified" if uv_kind == "rectified" else "rms", statistic, effort_pct, threshold_pct_mvc
            ),
            teeth=teeth_word(teeth or "natural"),
            channels=channel,
            hints=hints,
            afresh=afresh,
            choose=dict.fromkeys(chosen) | moved,
            progress=progress,
        )
    _show(looked)
    if accept_by:
        looked = _accepted(recording, looked, accept_by, teeth)
    elif not chosen:
        _propose(recording, looked, afresh=afresh)
    folder = out or recording.parent / "results"
    page = write_reference(looked, folder, recording.name, (ACCEPT, TAKE), only_own=out is not None)
    click.echo(f"page: {page}")
    if chosen and not accept_by:
        click.echo("chosen for this page only: give --accept-by NAME too, to have it written down")
    else:
        _next(recording, looked)
    return 0 if looked.usable else 1
