"""A night whose labels try to be code, its archive and recording, served to a headless browser."""

import subprocess
import sys
import threading
import time

import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive.file import save_night
from sleepbrux.archive.journal.file import journal_path, load_journal
from sleepbrux.review.access import Entrance
from sleepbrux.review.nights import Nights, Place
from sleepbrux.review.serving import listening, server_for
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import Trace, check_same
from sleepbrux.scoring.night import score_night
from tests.nights import recording_of, rhythm
from tests.report.conftest import browser

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
    """Nights served in a thread of this process."""

    def __init__(self, nights, **options):
        self.nights, self.entrance = nights, Entrance()
        self._open = listening()
        socket = self._open.__enter__()
        self.port = socket.getsockname()[1]
        self.origin = f"http://127.0.0.1:{self.port}"
        self.server = server_for(nights, self.entrance, self.port, **options)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [socket]})
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)

    @classmethod
    def of(cls, night, archive, trace, **options):
        """One night."""
        desk = ReviewSession(night, journal_path(archive), trace, **options)
        if desk.sampled:
            desk.begin_sample(10, 7, "program", anew=False)
        trace.build()
        one = cls(Nights.single(desk))
        one.desk, one.path = desk, desk.path
        return one

    @property
    def journal(self):
        return load_journal(self.path)

    def address(self, passed=None):
        """The page with a pass that opens once."""
        return f"{self.origin}/#pass={self.entrance.once() if passed is None else passed}"

    def stop(self):
        self.server.should_exit = True
        self.thread.join()
        self._open.__exit__(None, None, None)


@pytest.fixture
def served(night, archive, recording):
    one = Served.of(night, archive, Trace(night, recording, check_same(night, recording)))
    yield one
    one.stop()


@pytest.fixture
def sampled(night, archive):
    one = Served.of(night, archive, Trace(night, None), sample=True)
    yield one
    one.stop()


def scored(marks, mvc_uv):
    own = recording_of([BURSTS, BURSTS], seconds=SECONDS, marks=marks)
    labels = [c.label for c in own.channels]
    return own, score_night(own, calibration.given(labels, mvc_uv), channels=labels)


@pytest.fixture(scope="session")
def edged_night():
    """Its first episode lies before lights off."""
    return scored([(50.0, 0.0, "Lights off"), (175.0, 0.0, "Lights on")], 200.0)[1]


@pytest.fixture
def edged(edged_night, tmp_path):
    one = Served.of(edged_night, tmp_path / "e.night.h5", Trace(edged_night, None))
    yield one
    one.stop()


@pytest.fixture
def loud(tmp_path):
    """Scored against a clench of 40 uV, so that its bursts lie far above 100 % MVC."""
    own, night = scored([(5.0, 0.0, "Lights off"), (175.0, 0.0, "Lights on")], 40.0)
    one = Served.of(night, tmp_path / "l.night.h5", Trace(night, own, check_same(night, own)))
    yield one
    one.stop()


@pytest.fixture
def several(night, tmp_path):
    """Two nights, and one that cannot be reviewed."""
    places = [Place(name, tmp_path / f"{name}.night.h5", 0, 3) for name in ("first", "second")]
    paths = [journal_path(place.archive) for place in places]
    nights = Nights(
        [*places, Place("third", tmp_path / "third.night.h5", fault="its journal is damaged")],
        lambda place: ReviewSession(night, journal_path(place.archive), Trace(night, None)),
    )
    one = Served(nights)
    one.paths = paths
    yield one
    one.stop()


@pytest.fixture
def process(archive):
    """The command itself, to be killed; gives its address and the code that opens it."""
    child = subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", "review", str(archive), "--no-open"],
        stdout=subprocess.PIPE,
        text=True,
    )
    address = child.stdout.readline().split()[-1]
    yield child, address, child.stdout.readline().split()[-1]
    child.kill()
    child.wait()
    child.stdout.close()
