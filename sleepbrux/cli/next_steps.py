"""The command that comes next, to be copied: real paths, quoted, and the program as it was called."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click

from sleepbrux.cli import terminal
from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import RESULTS

STUDY_FILE = "study.toml"


def program() -> str:
    """How this program is called from here: its name where it is on the path, else the path to it.

    Examples
    --------
    >>> program().endswith("sleepbrux")
    True
    """
    called = Path(sys.argv[0])
    if called.stem == "__main__" and called.parent.name == "sleepbrux":
        return f"{_quoted(str(shown(Path(sys.executable))))} -m sleepbrux"
    if called.stem != "sleepbrux":
        return "sleepbrux"  # called from Python
    found = shutil.which("sleepbrux")
    if found is not None and Path(found).resolve() == called.resolve():
        return "sleepbrux"
    return _quoted(str(shown(called)))


def shown(path: Path) -> Path:
    """A path as it is named from the current folder where it lies below it, else whole; links are kept."""
    whole = os.path.abspath(path)  # noqa: PTH100
    return Path(whole.removeprefix(f"{Path.cwd()}{os.sep}"))


def _quoted(text: str) -> str:
    return subprocess.list2cmdline([text]) if os.name == "nt" else shlex.quote(text)


def command_line(*words: object) -> str:
    """One command that can be copied into a terminal."""
    return " ".join([program(), *(_quoted(str(word)) for word in words)])


def say_next(*steps: tuple[str, tuple[object, ...]]) -> None:
    """Say what to do next: (what for, words of the command). Not on standard output, which may be a file.

    A command with a name that cannot be typed, such as one with control characters, is left out.
    """
    for what, words in steps:
        line = command_line(*words)
        if line.isprintable():
            terminal.styled(f"next, {what}:", terminal.FAINT, err=True)
            click.echo(f"  {line}", err=True)


def study_near(folder: Path) -> Path | None:
    """The study file of a folder of recordings or results: in it, or in the folder above."""
    for place in (folder, folder.parent):
        if (place / STUDY_FILE).is_file():
            return place / STUDY_FILE
    return None


def results_of(study: Path) -> Path:
    """Where the results of a study go, and are looked for, if no folder is named."""
    return study.parent / RESULTS


def found_results(study: Path, results: Path | None) -> Path:
    """Folder with the archives of a study, the one named or the one beside the study file.

    Raises
    ------
    UsageError
        It is not there.
    """
    folder = results_of(study) if results is None else results
    if not folder.is_dir():
        raise UsageError(
            f"there is no folder {str(folder)!r} with scored nights; score them with: "
            f"{command_line('score', '--study', study)}, or name their folder with --results"
        )
    return folder


def naming(study: Path, results: Path) -> tuple[object, ...]:
    """``--results FOLDER`` where the results of a study do not lie where they are looked for."""
    same = os.path.abspath(results) == os.path.abspath(results_of(study))  # noqa: PTH100
    return () if same else ("--results", results)
