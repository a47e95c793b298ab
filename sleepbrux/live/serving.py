"""A session received in one thread and served in another, until it is over and the reader is done."""

from __future__ import annotations

import threading
from collections.abc import Callable

from sleepbrux.live.server import application
from sleepbrux.live.session import Session
from sleepbrux.review.access import Entrance
from sleepbrux.review.serving import WAIT_S, patient_for, serve_at, server_of

AFTER_S = 2.5


class Receiver:
    """Steps the session in a thread of its own; the file is ended whatever happens.

    Parameters
    ----------
    over
        Called once when the session is over.
    """

    def __init__(self, session: Session, over: Callable[[], None] = lambda: None) -> None:
        self.session, self.over = session, over
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="receiver")

    def start(self) -> None:
        """Begin to receive."""
        self._thread.start()

    def _run(self) -> None:
        session, done_s = self.session, None
        try:
            session.engine.inlet.start()
            while not self._stop.is_set() and not session.engine.ended:
                session.step()
                if not session.protocol.over:
                    done_s = None
                    continue
                # the last clench still has to reach the file
                done_s = session.engine.now_s if done_s is None else done_s
                if session.engine.now_s - done_s > AFTER_S:
                    break
        finally:
            session.finish()
            self.over()

    def stop(self) -> None:
        """End the session and wait until its file is whole."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join()


def serve(session: Session, entrance: Entrance, *, port: int = 0, told: Callable[[str], None]) -> None:
    """Serve a session on the loopback address; returns when it is interrupted.

    Parameters
    ----------
    port
        0: any free one.
    told
        Takes the address once it answers; it holds no secret.
    """
    receiver = Receiver(session)

    def begun(address: str) -> None:
        told(address)
        receiver.start()

    try:
        serve_at(
            lambda place: server_of(application(session, port=place, entrance=entrance), patient_for(WAIT_S)),
            port,
            begun,
        )
    finally:
        receiver.stop()
