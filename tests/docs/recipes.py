"""The code of a recipe, run as it stands: blocks of Python in one namespace, blocks of shell one after the other.

In an empty folder; ``nights`` is there for the recipe that needs recordings to begin with.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.docs.pages import FOLDER

RECIPES = sorted(p for p in (FOLDER / "recipes").glob("*.md") if p.stem != "index")


START = FOLDER / "start" / "researcher.md"


def blocks(path: Path) -> Iterator[tuple[str, str, int]]:
    """Language, code and first line of each block that is run."""
    text = path.read_text("utf-8")
    for found in re.finditer(r"^```(python|sh)\n(.*?)^```$", text, flags=re.DOTALL | re.MULTILINE):
        yield found[1], found[2], text[: found.start(2)].count("\n")


def run(path: Path, call: Any) -> None:
    """Run a recipe in the current folder; ``call`` runs a command and returns (code, text)."""
    names: dict[str, Any] = {"__name__": path.stem}
    for language, code, line in blocks(path):
        if language == "python":
            exec(compile("\n" * line + code, str(path), "exec"), names)
            continue
        for command in filter(None, code.splitlines()):
            program, *arguments = shlex.split(command)
            assert program == "sleepbrux", command
            done = call(*arguments)
            assert done.code == 0, (command, done.err)
