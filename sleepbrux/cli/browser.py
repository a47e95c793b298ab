"""The page of a command in the browser, let in without typing the code."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import click

from sleepbrux.review.access import Door, Entrance


def entrance_of_page() -> Entrance:
    """An entrance that shows the code for another window on the terminal."""
    return Entrance(lambda code: click.echo(f"Code for another window: {code}"))


@contextmanager
def page_of(entrance: Entrance, *, opened: bool) -> Iterator[Callable[[str], None]]:
    """Gives what opens an address in the browser, or does nothing without ``opened``; Ctrl-C ends it quietly."""
    doors: list[Door] = []

    def show(address: str) -> None:
        if not opened:
            return
        import webbrowser

        doors.append(Door(entrance, address))
        if not webbrowser.open(doors[0].path.as_uri()):
            doors[0].close()
            click.echo("note: no browser was found; open the address and type the code", err=True)

    try:
        with suppress(KeyboardInterrupt):
            yield show
    finally:
        for door in doors:
            door.close()
