"""``sleepbrux deidentify``: a copy of a recording that names nobody."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.cli import next_steps, options
from sleepbrux.core.errors import UsageError


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="File to write; the original is not touched.",
)
@click.option(
    "--pseudonym", type=options.Words(), required=True, metavar="NAME", help="What the copy calls the person."
)
@click.option(
    "--key-file",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="File with the study's secret, 16 bytes or more; made if it is not there. With the "
    "pseudonym it gives the shift of the dates: keep it, and keep it secret.",
)
@click.option("--allow", multiple=True, metavar="TEXT", help="Text that may stay; repeatable.")
@click.option(
    "--keep-labels",
    is_flag=True,
    help="Keep labels as they are; else those with other words than terms of the trade are replaced.",
)
@click.option("--without", multiple=True, metavar="LABEL", help="Channel to leave out; repeatable.")
@click.option(
    "--vouch",
    multiple=True,
    metavar="LABEL",
    help="Channel whose samples look like text and are none; repeatable.",
)
def command(
    recording: Path,
    out: Path,
    pseudonym: str,
    key_file: Path,
    allow: tuple[str, ...],
    keep_labels: bool,
    without: tuple[str, ...],
    vouch: tuple[str, ...],
) -> int:
    """Copy RECORDING (EDF, BDF) without names, dates, device and free text, and search the copy.

    Dates move back by a number of days that is the same for all nights of a person; the time of day
    and the order of nights stay. Nothing is written in which an old name, number or date is found. What
    is not searched for is said at the end.
    """
    from sleepbrux.cli.progress import shown
    from sleepbrux.recording.deidentify import NOT_PROMISED, Kept, deidentify

    if not pseudonym.strip() or not pseudonym.isascii() or len(pseudonym) > 40:
        raise UsageError("--pseudonym is 1 to 40 ASCII characters, such as P017")
    key = _key(key_file)
    with shown(recording.name) as progress:
        report = deidentify(
            recording,
            out,
            pseudonym=pseudonym,
            key=key,
            keep=Kept(allow, keep_labels, without, vouch),
            progress=progress,
        )
    dates = "no date was known" if report.shift_days is None else "dates shifted, time of day kept"
    click.echo(
        f"{out.name}: {dates}; {report.texts_kept} annotation texts kept as words for their kind,"
        f" {report.texts_dropped} dropped; {report.trailing_bytes} trailing bytes left out"
    )
    click.echo(
        f"  {report.labels_replaced} labels replaced by neutral ones, {report.fields_emptied} header fields"
        f" left empty that held no unit or number, {report.channels_left_out} channels left out"
    )
    click.echo(f"  searched for {report.searched} old names, numbers and dates: none found")
    for line in NOT_PROMISED:
        click.echo(f"  {line}")
    next_steps.say_next(("look at what the copy holds", ("inspect", out)))
    return 0


def _key(path: Path) -> bytes:
    """The secret of the study; made, for its owner alone, where there is none."""
    import os
    import secrets

    if path.exists():
        return path.read_bytes().strip()
    key = secrets.token_hex(32).encode("ascii")
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as handle:
        handle.write(key + b"\n")
    click.echo(f"made a new secret: {path.name}; the other nights of the study need the same file")
    return key
