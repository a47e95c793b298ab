"""A session served to a headless browser, received faster than real time."""

import threading
import time

import pytest

from sleepbrux.live.server import application
from sleepbrux.live.serving import Receiver
from sleepbrux.review.access import Entrance
from sleepbrux.review.serving import listening, patient_for, server_of
from tests.report.conftest import browser

from .fake import FakeInlet, chair_plan, rendered, session_for

__all__ = ["browser"]


class Paced(FakeInlet):
    """Time goes by ``factor`` times as fast as on the wall."""

    def __init__(self, uv, factor=8.0, **options):
        super().__init__(uv, **options)
        self.factor = factor

    def pull(self, timeout_s):
        time.sleep(self.step_s / self.factor)
        return super().pull(timeout_s)


class Served:
    """A session received and served in threads of this process."""

    def __init__(self, session):
        self.session, self.entrance = session, Entrance()
        self._open = listening()
        socket = self._open.__enter__()
        self.port = socket.getsockname()[1]
        self.origin = f"http://127.0.0.1:{self.port}"
        app = application(session, port=self.port, entrance=self.entrance)
        self.server = server_of(app, patient_for(10.0))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [socket]})
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)
        self.receiver = Receiver(session)
        self.receiver.start()

    def address(self):
        return f"{self.origin}/#pass={self.entrance.once()}"

    def stop(self):
        self.receiver.stop()
        self.server.should_exit = True
        self.thread.join()
        self._open.__exit__(None, None, None)


@pytest.fixture(scope="session")
def signal():
    return rendered(chair_plan(("splint",), levels={"Clench with splint": 0.8}))


@pytest.fixture
def served(signal, tmp_path):
    """By itself, with the clenches where the protocol asks for them."""
    one = Served(session_for(Paced(signal, factor=40.0, step_s=0.1), tmp_path / "chair.bdf", ("splint",)))
    yield one
    one.stop()


@pytest.fixture
def by_hand(signal, tmp_path):
    """Nothing begins without a click."""
    session = session_for(Paced(signal, factor=4.0), tmp_path / "chair.bdf", ("splint",))
    session.protocol.self_going = False
    one = Served(session)
    yield one
    one.stop()
