"""``sleepbrux deidentify``: a copy of a recording that names nobody."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.cli import following
from sleepbrux.errors import UsageError


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True,
              help="File to write; the original is not touched.")  # fmt: skip
@click.option("--pseudonym", required=True, metavar="NAME", help="What the copy calls the person.")
@click.option("--key-file", type=click.Path(path_type=Path, dir_okay=False), required=True,
              help="File with the study's secret, 16 bytes or more; made if it is not there. With the "
                   "pseudonym it gives the shift of the dates: keep it, and keep it secret.")  # fmt: skip
@click.option("--allow", multiple=True, metavar="TEXT", help="Text that may stay; repeatable.")
@click.option("--keep-labels", is_flag=True, help="Keep labels that name no known kind of channel.")
def command(
    recording: Path, out: Path, pseudonym: str, key_file: Path, allow: tuple[str, ...],
    keep_labels: bool,  # noqa: FBT001
) -> int:  # fmt: skip
    """Copy RECORDING (EDF, BDF) without names, dates, device and free text, then search the copy.

    Dates move back by a number of days that is the same for all nights of a person; the time of day
    and the order of nights stay. The copy is removed if any old value is found in it.
    """
    from sleepbrux.cli.progress import shown
    from sleepbrux.deidentify import deidentify

    if not pseudonym.strip() or not pseudonym.isascii() or len(pseudonym) > 40:
        raise UsageError("--pseudonym is 1 to 40 ASCII characters, such as P017")
    if recording.stem.casefold() in pseudonym.casefold():
        raise UsageError("--pseudonym holds the old file name; choose one that does not")
    key = _key(key_file)
    with shown(recording.name) as progress:
        report = deidentify(
            recording, out, pseudonym=pseudonym, key=key, allow=allow, keep_labels=keep_labels,
            progress=progress,
        )  # fmt: skip
    dates = "no date was known" if report.shift_days is None else "dates shifted, time of day kept"
    click.echo(
        f"{out.name}: {dates}; {report.texts_kept} annotation texts kept, {report.texts_dropped} dropped;"
        f" {report.trailing_bytes} trailing bytes left out; searched for {report.searched} old values, none"
        " found"
    )
    click.echo(
        "  the wave of a signal can still identify a person to whoever has another recording of it"
    )
    following.say_next(("look at what the copy holds", ("inspect", out)))
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
