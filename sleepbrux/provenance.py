"""What was done, to what, under which rules and by which version: the steps behind a number."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import msgspec


@dataclass(frozen=True)
class Step:
    """One stage of the computation.

    Attributes
    ----------
    name
        Room that did it.
    settings
        Everything that it was told, as plain values.
    digest
        SHA-256 over name, settings and the digest of the step before.
    """

    name: str
    settings: dict[str, Any]
    digest: str


def chain(steps: list[tuple[str, dict[str, Any]]]) -> tuple[Step, ...]:
    """Steps whose digests each cover all that came before."""
    done: list[Step] = []
    for name, settings in steps:
        before = done[-1].digest if done else ""
        text = msgspec.json.encode([name, settings, before], order="sorted")
        done.append(Step(name, settings, hashlib.sha256(text).hexdigest()))
    return tuple(done)
