"""How the reader's own browser gets in, and nobody else on this machine.

The token that every request must carry never stands in a command line, where any local user could read
it. The browser is given a file that its owner alone may read; the file leads to the page with a pass
that opens once, and is deleted when it is used. Where no browser can be opened, or it cannot read the
file, the reader types a code from the terminal, which opens once too.
"""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
import threading
from collections.abc import Callable
from html import escape
from pathlib import Path

HOST = "127.0.0.1"
TOKEN_BYTES = 24
# no letter or digit that could be taken for another; 10 of 30 are 49 bits
LETTERS, CODE_LENGTH = "ABCDEFGHJKMNPQRSTVWXYZ23456789", 10
PAGE = (
    '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>Review of a night</title>'
    '<meta name="referrer" content="no-referrer">'
    '<meta http-equiv="refresh" content="0; url={address}"></head>'
    '<body><p><a href="{address}">Open the review</a></p></body></html>\n'
)


def plain(code: str) -> str:
    """A code as it was meant, however it was typed."""
    return "".join(c for c in code.upper() if c in LETTERS)


class Entrance:
    """Passes that open once, and the token that they are changed for.

    Parameters
    ----------
    renewed
        Takes the next code after one was typed.
    """

    def __init__(self, renewed: Callable[[str], None] | None = None) -> None:
        self.token = secrets.token_urlsafe(TOKEN_BYTES)
        self.renewed = renewed
        self._lock = threading.Lock()
        self._code = ""
        self._passes: dict[str, Callable[[], None]] = {}

    def code(self) -> str:
        """A code to be typed, in two halves; it takes the place of the one before."""
        letters = "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))
        with self._lock:
            self._code = letters
        return f"{letters[: CODE_LENGTH // 2]}-{letters[CODE_LENGTH // 2 :]}"

    def once(self, used: Callable[[], None] = lambda: None) -> str:
        """A pass that opens once; ``used`` is called when it does."""
        single = secrets.token_urlsafe(TOKEN_BYTES)
        with self._lock:
            self._passes[single] = used
        return single

    def enter(self, given: str) -> str:
        """The token for a pass or a code, which opens no second time; empty for a wrong one."""
        typed = False
        with self._lock:
            found = next((p for p in self._passes if _same(p, given)), None)
            used = self._passes.pop(found) if found is not None else None
            if used is None and self._code and _same(self._code, plain(given)):
                self._code, typed = "", True
        if used is not None:
            used()
        elif not typed:
            return ""
        if typed and self.renewed is not None:
            self.renewed(self.code())
        return self.token


def _same(a: str, b: str) -> bool:
    return secrets.compare_digest(a.encode(), b.encode())


class Door:
    """A file that its owner alone may read and that leads to the page once.

    Parameters
    ----------
    address
        Where the page is served, with ``/`` at its end.
    """

    def __init__(self, entrance: Entrance, address: str) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="sleepbrux-review-"))  # mode 0700
        self.path = self.folder / "open.html"
        text = PAGE.format(address=escape(f"{address}#pass={entrance.once(self.close)}"))
        descriptor = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)

    def close(self) -> None:
        """Delete the file and its folder."""
        shutil.rmtree(self.folder, ignore_errors=True)
