"""The one page of this user: who starts a second time is led to the first.

A folder that this user alone may enter holds a lock, which the system drops with the process, and a file
with the port and a secret by which a second start is let in. Neither is left to be believed after a crash.
"""

from __future__ import annotations

import getpass
import json
import os
import stat
import tempfile
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path

import msgspec
from filelock import FileLock, Timeout
from msgspec import Struct

from sleepbrux.core.errors import UsageError
from sleepbrux.core.files import safe_stem, write_text
from sleepbrux.review.access import HOST

WAIT_S = 5.0
KNOCK = "/api/knock"


class Running(Struct, frozen=True):
    """Where the page is, and what lets a second start in."""

    port: int
    secret: str


class Knock(Struct, frozen=True, forbid_unknown_fields=True):
    """What a second start says: the secret, the folder it wants, and whether a browser is to be opened."""

    secret: str
    folder: str = ""
    opened: bool = True


class Answer(Struct, frozen=True):
    """What it is told: the address, and a code to be typed where no browser was opened."""

    address: str
    code: str = ""


def own_folder() -> Path:
    """The folder of this user's running page.

    Raises
    ------
    UsageError
        Another user could write in it.
    """
    base = Path(os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir())
    folder = base / f"sleepbrux-{safe_stem(getpass.getuser())}"
    folder.mkdir(mode=0o700, exist_ok=True)
    about = folder.lstat()
    if hasattr(os, "getuid") and (
        about.st_uid != os.getuid() or not stat.S_ISDIR(about.st_mode) or stat.S_IMODE(about.st_mode) & 0o077
    ):
        raise UsageError(
            f"{folder}: other users may enter it, so no page is started; remove it and start again"
        )
    return folder


@dataclass
class Seat:
    """The place of the one page: taken, or another's."""

    folder: Path
    lock: FileLock

    @property
    def file(self) -> Path:
        """Where port and secret stand."""
        return self.folder / "page.json"

    def tell(self, running: Running) -> None:
        """Write down where this page is."""
        write_text(self.file, json.dumps(msgspec.to_builtins(running)))
        self.file.chmod(0o600)

    def leave(self) -> None:
        """Give the place up."""
        self.file.unlink(missing_ok=True)
        self.lock.release()


def take_seat() -> Seat | None:
    """The place of the one page; None where another process has it."""
    folder = own_folder()
    lock = FileLock(folder / "page.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return None
    return Seat(folder, lock)


def knock(folder: Path | None, *, opened: bool) -> Answer:
    """Ask the page that runs to show itself, with a folder if one is named.

    Raises
    ------
    UsageError
        It does not answer.
    """
    try:
        running = msgspec.json.decode((own_folder() / "page.json").read_bytes(), type=Running)
        line = HTTPConnection(HOST, running.port, timeout=WAIT_S)
        asked = Knock(running.secret, str(folder.resolve()) if folder else "", opened)
        origin = f"http://{HOST}:{running.port}"
        line.request("POST", KNOCK, msgspec.json.encode(asked), {"Origin": origin})
        answer = line.getresponse()
        text = answer.read(10_000)
        line.close()
        if answer.status != 200:
            raise UsageError(msgspec.json.decode(text)["error"])
        return msgspec.json.decode(text, type=Answer)
    except (OSError, HTTPException, msgspec.MsgspecError) as error:
        raise UsageError(
            "another start of this page is at work and does not answer; wait a moment, or end that process"
        ) from error
