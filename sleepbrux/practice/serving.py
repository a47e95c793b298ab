"""The page served until it is told to end: one a user, found again by a second start."""

from __future__ import annotations

import contextlib
import secrets
import signal
import threading
from collections.abc import Callable
from pathlib import Path

from sleepbrux.practice.running import Running, Seat
from sleepbrux.practice.server import Page, application
from sleepbrux.practice.state import Practice
from sleepbrux.review.access import HOST, Door, Entrance
from sleepbrux.review.serving import listening, patient_for, server_of

PATIENCE_S = 60.0


class Doors:
    """Opens the browser on the page; what it opened with is deleted at the end at the latest."""

    def __init__(self, entrance: Entrance, failed: Callable[[], None]) -> None:
        self._entrance, self._failed = entrance, failed
        self._doors: list[Door] = []
        self.address = ""

    def open(self) -> None:
        """Open a window."""
        import webbrowser

        door = Door(self._entrance, self.address)
        self._doors.append(door)
        if not webbrowser.open(door.path.as_uri()):
            door.close()
            self._failed()

    def close(self) -> None:
        """Delete what is left."""
        for door in self._doors:
            door.close()


def serve(
    home: Path,
    seat: Seat,
    *,
    port: int,
    told: Callable[[str, str], None],
    renewed: Callable[[str], None],
    opened: Callable[[], None] | None,
    clench_steps: tuple[str, str],
) -> None:
    """Serve the page on the loopback address; returns when it is interrupted or told to quit.

    Parameters
    ----------
    home
        Folder that is shown first.
    told
        Takes address and code once the page answers.
    renewed
        Takes the next code after one was typed.
    opened
        Called where no browser could be opened; None to open none.
    clench_steps
        See `Practice`.
    """
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends as Ctrl-C does, with nothing left behind
    entrance = Entrance(renewed)
    doors = Doors(entrance, opened or (lambda: None))
    practice = Practice(home, clench_steps=clench_steps)
    try:
        with listening(port) as listener:
            place = listener.getsockname()[1]
            doors.address = f"http://{HOST}:{place}/"
            secret = secrets.token_urlsafe(24)
            page = Page(practice, entrance, place, secret=secret, show=doors.open)
            server = server_of(application(page), patient_for(PATIENCE_S, renewed=True))

            def end() -> None:
                server.should_exit = True
                page.bell.ring()

            page.quit = end
            seat.tell(Running(place, secret))
            threading.Thread(target=_load, daemon=True).start()
            told(doors.address, entrance.code())
            if opened is not None:
                doors.open()
            with contextlib.suppress(KeyboardInterrupt):
                server.run(sockets=[listener])
    finally:
        practice.stop()
        doors.close()
        seat.leave()


def _load() -> None:
    """Load what the first screen needs while the browser starts."""
    import sleepbrux.practice.screens  # noqa: F401
