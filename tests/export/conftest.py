"""Two short scored nights of one person, and their archives."""

from dataclasses import replace

import pytest

from sleepbrux.archive.file import save_night
from sleepbrux.core.errors import Note
from sleepbrux.scoring.closeups import with_traces
from tests.report.conftest import EVIL, LIGHTS, recording, scored

ABOUT = (("person", "P-01"), ("night", "night-1"), ("condition", "none"))


def night_of(**options):
    """A scored night with its traces."""
    night = scored(gap=(440.0, 455.0), flat=(480.0, 520.0), **options)
    rec = recording(gap=(440.0, 455.0), flat=(480.0, 520.0), **options)
    return replace(with_traces(night, rec), about=ABOUT)


@pytest.fixture(scope="session")
def night():
    return night_of()


@pytest.fixture(scope="session")
def other_night():
    night = night_of(seed=9, name="night_b")
    about = (("person", "P-01"), ("night", "night-2"), ("condition", "splint"))
    return replace(night, about=about, supersedes="0123-4567-89ab")


@pytest.fixture(scope="session")
def no_mvc():
    return scored("aasm", mvc=False)


@pytest.fixture(scope="session")
def hostile():
    night = scored(labels=("=cmd|' /C x'!A0", EVIL[0][:16]), marks=LIGHTS, name="@SUM(A1)")
    return replace(
        night,
        about=(("person", '"><script>'), ("night", "../../etc"), ("condition", "=1+1")),
        notes=(Note("x", "note", "+evil"),),
    )


@pytest.fixture
def archive(night, tmp_path):
    path = tmp_path / "night_a.night.h5"
    save_night(night, path)
    return path
