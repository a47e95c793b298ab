"""``sleepbrux start``: the page on which everything can be done without a further command."""

from __future__ import annotations

from pathlib import Path

import click

from sleepbrux.core.errors import UsageError

HOME = "sleepbrux"


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port [default: a free one].")
@click.option("--open/--no-open", "opened", default=True, help="Open the page in the browser.")
@click.option(
    "--add-starter",
    is_flag=True,
    help="Write a starter to double-click into your own folders, and stop (Windows and macOS: not tried).",
)
def command(folder: Path | None, port: int, *, opened: bool, add_starter: bool) -> int:
    """Open a page in the browser that leads from recordings to a letter, for this machine only.

    FOLDER holds recordings, a study or several; without it the folder sleepbrux in your own is shown. A
    second start leads to the page that runs. Everything is written into the folder of the study, where the
    other commands and a text editor find it. Quit on the page or Ctrl-C ends it.
    """
    if add_starter:
        from sleepbrux.practice.starters import write_starter

        click.echo(f"starter: {write_starter()}")
        return 0
    from sleepbrux.practice.running import knock, take_seat

    seat = take_seat()
    if seat is None:
        answer = knock(folder, opened=opened)
        click.echo(f"The page runs already: {answer.address}")
        click.echo(f"Code, to be typed on that page once: {answer.code}")
        return 0
    home = (folder or _own_folder()).resolve()
    from sleepbrux.cli.reference import ACCEPT, TAKE
    from sleepbrux.practice.serving import serve

    def told(address: str, code: str) -> None:
        click.echo(f"Page for this machine only: {address}")
        click.echo(f"Code, to be typed on that page once: {code}")
        click.echo("End with Quit on the page, or with Ctrl-C.")

    def no_browser() -> None:
        click.echo("note: no browser was found; open the address and type the code", err=True)

    serve(
        home,
        seat,
        port=port,
        told=told,
        renewed=lambda code: click.echo(f"Code for another window: {code}"),
        opened=no_browser if opened else None,
        clench_steps=(ACCEPT, TAKE),
    )
    return 0


def _own_folder() -> Path:
    """The folder that is shown where none is named; made if it is not there."""
    home = Path.home() / HOME
    try:
        home.mkdir(exist_ok=True)
    except OSError as error:
        raise UsageError(f"{home} cannot be made: {error.strerror}; name a folder") from error
    return home
