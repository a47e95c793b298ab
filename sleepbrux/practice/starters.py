"""A starter to double-click, in the user's own folders: no rights of an administrator are needed.

The one for Linux is tried by the tests; those for Windows and macOS are not tried.
"""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

from sleepbrux.core.files import write_text

NAME = "sleepbrux"
DESKTOP_SPECIAL = '"`$\\'


def _quoted(word: str) -> str:
    """A word of an Exec line: in quotes, with the four signs that the standard names escaped, and % doubled."""
    escaped = "".join(f"\\{sign}" if sign in DESKTOP_SPECIAL else sign for sign in word)
    return '"' + escaped.replace("\\", "\\\\").replace("%", "%%") + '"'


def desktop_entry(words: list[str]) -> str:
    """An entry of the menu of applications (Desktop Entry Specification 1.5).

    Examples
    --------
    >>> print(desktop_entry(["/opt/my tools/sleepbrux", "start"]).splitlines()[3])
    Exec="/opt/my tools/sleepbrux" "start"
    """
    return (
        "[Desktop Entry]\nType=Application\nName=sleepbrux\n"
        f"Exec={' '.join(map(_quoted, words))}\n"
        "Comment=Jaw-muscle recordings, from a folder to a letter\n"
        "Terminal=true\nCategories=Science;MedicalSoftware;\n"
    )


def starter(system: str, home: Path, words: list[str]) -> tuple[Path, str]:
    """Where the starter of a system lies, and what is in it."""
    if system == "win32":
        line = subprocess.list2cmdline(words).replace("%", "%%")
        return home / "Desktop" / f"{NAME}.cmd", f"@echo off\r\n{line}\r\n"
    if system == "darwin":
        return home / "Desktop" / f"{NAME}.command", f"#!/bin/sh\nexec {shlex.join(words)}\n"
    data = Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    return data / "applications" / f"{NAME}.desktop", desktop_entry(words)


def write_starter(system: str = sys.platform, home: Path | None = None) -> Path:
    """Write the starter of this system for this installation; the file."""
    words = [sys.executable, "-m", "sleepbrux", "start"]
    path, text = starter(system, home or Path.home(), words)
    path.parent.mkdir(parents=True, exist_ok=True)
    if system == "win32":
        path.write_bytes(text.encode("utf-8"))
    else:
        write_text(path, text)
        path.chmod(0o755)
    return path
