"""A night whose labels try to be code, its archive and recording, served to a headless browser."""

import subprocess
import sys
import threading
import time

import pytest
import uvicorn

from sleepbrux import calibration
from sleepbrux.journal.file import journal_path, load_journal
from sleepbrux.night import score_night
from sleepbrux.review.desk import Desk
from sleepbrux.review.server import application
from sleepbrux.review.trace import Trace, check_same
from sleepbrux.store import save_night
from tests.nights import recording_of, rhythm
from tests.report.conftest import browser

TOKEN = "t" * 32
EVIL = ("</script><script>window.hacked=1</script>", "<img src=x onerror=window.hacked=2>")
BURSTS = [*rhythm(20, 4), (60.0, 63.0, 90.0), *rhythm(90, 3), (130.0, 130.5, 80.0), *rhythm(150, 2)]
SECONDS = 180
__all__ = ["browser"]


@pytest.fixture(scope="session")
def recording():
    marks = [(5.0, 0.0, "Lights off"), (175.0, 0.0, "Lights on"), (50.0, 1.0, EVIL[0])]
    return recording_of([BURSTS, BURSTS], seconds=SECONDS, marks=marks, labels=EVIL, name=EVIL[1])


@pytest.fixture(scope="session")
def night(recording):
    """Phasic, tonic, phasic; a single burst; and two bursts that are one too few."""
    labels = [c.label for c in recording.channels]
    return score_night(recording, calibration.given(labels, 200.0), channels=labels)


@pytest.fixture
def archive(night, tmp_path):
    path = tmp_path / "n.night.h5"
    save_night(night, path)
    return path


class Served:
    """A desk served in a thread of this process."""

    def __init__(self, night, archive, trace, **options):
        self.path = journal_path(archive)
        self.desk = Desk(night, self.path, trace, **options)
        if self.desk.sampled:
            self.desk.begin_sample(10, 7, "program", anew=False)
        trace.build()
        config = uvicorn.Config("", port=0, log_level="error", lifespan="off", ws="none")
        socket = config.bind_socket()
        self.port = socket.getsockname()[1]
        config = uvicorn.Config(
            application(self.desk, port=self.port, token=TOKEN), log_level="error", lifespan="off",
            ws="none",
        )  # fmt: skip
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [socket]})
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)

    @property
    def journal(self):
        return load_journal(self.path)

    def address(self, token=TOKEN):
        return f"http://127.0.0.1:{self.port}/#{token}"

    def stop(self):
        self.server.should_exit = True
        self.thread.join()


@pytest.fixture
def served(night, archive, recording):
    one = Served(night, archive, Trace(night, recording, check_same(night, recording)))
    yield one
    one.stop()


@pytest.fixture
def sampled(night, archive):
    one = Served(night, archive, Trace(night, None), sample=True)
    yield one
    one.stop()


@pytest.fixture
def process(archive):
    """The command itself, to be killed; gives its address."""
    child = subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", "review", str(archive), "--no-open"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    yield child, child.stdout.readline().strip()
    child.kill()
    child.wait()
    child.stdout.close()
