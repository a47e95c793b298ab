"""Mutants that no test can kill, each with its reason, as ``equivalents.toml`` lists them."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

LIST = Path(__file__).with_name("equivalents.toml")


def equivalents() -> list[dict[str, Any]]:
    """The entries: file, operators, line, mutated lines, why."""
    entries: list[dict[str, Any]] = tomllib.loads(LIST.read_text("utf-8")).get("equivalent", [])
    return entries


def is_equivalent(known: Sequence[dict[str, Any]], file: str, operator: str, before: str, after: str) -> bool:
    """Whether the list holds this change of this line."""
    return any(
        one["file"] == file
        and one["line"] == before
        and operator in one["operators"]
        and after in one["mutated"]
        for one in known
    )
