"""A short scored night and a way to decide about it."""

import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive.file import save_night
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import DecisionDraft, append, header_of, load_journal
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.scoring.night import score_night
from tests.nights import LABELS, recording_of, rhythm

EPISODES = [*rhythm(20, 4), (60.0, 63.0, 90.0), *rhythm(90, 3), (130.0, 130.5, 80.0)]


@pytest.fixture(scope="session")
def night():
    """Phasic of 4, tonic, phasic of 3, and one single burst, in 150 s."""
    marks = [(5.0, 0.0, "Lights off"), (145.0, 0.0, "Lights on")]
    recording = recording_of([EPISODES, EPISODES], seconds=150, marks=marks)
    return score_night(recording, calibration.given(LABELS, 200.0))


@pytest.fixture
def archive(night, tmp_path):
    path = tmp_path / "a.night.h5"
    save_night(night, path)
    return path


class Desk:
    """A reader with one journal."""

    def __init__(self, night, path):
        self.night, self.path = night, path

    @property
    def journal(self):
        return load_journal(self.path)

    @property
    def now(self):
        return review_of(self.night, self.journal)

    def decide(self, action, target="", **more):
        draft = DecisionDraft(action=action, target=target, **more)
        journal = self.journal
        entry, after = decided(self.now, journal, draft, "AB")
        append(self.path, header_of(self.night), entry)
        return after

    def kinds(self):
        return self.now.night.episodes.kind.tolist()


@pytest.fixture
def desk(night, tmp_path):
    return Desk(night, tmp_path / "a.review.jsonl")
