"""What every command says of a review that it could not use."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from sleepbrux.scoring.night import Night


def say_unread(sentences: Iterable[str]) -> int:
    """Say each sentence on the error stream; how many there were."""
    said = list(sentences)
    for sentence in said:
        click.echo(f"sleepbrux: {sentence}", err=True)
    return len(said)


def unread(nights: Iterable[tuple[str, Night]]) -> list[str]:
    """One sentence for each night whose review could not be used."""
    from sleepbrux.archive.journal import unused_review

    said = [(name, unused_review(night)) for name, night in nights]
    return [f"{name}: {why}" for name, why in said if why]
