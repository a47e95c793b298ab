"""A journal that was put back, cut, replaced or deleted together with its head is seen by the files made of it."""

import shutil

import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive.file import save_night
from sleepbrux.archive.journal import load_journal, load_reviewed, reviewed, unused_review
from sleepbrux.archive.journal.chain import head_path
from sleepbrux.archive.journal.file import Entry, append, header_of, journal_path
from sleepbrux.archive.journal.repair import repair
from sleepbrux.report.outputs import write_reviewed
from sleepbrux.scoring.night import score_night
from tests.nights import LABELS, recording_of, rhythm


@pytest.fixture(scope="module")
def night():
    bursts = [*rhythm(20, 4), (60.0, 63.0, 300.0), *rhythm(80, 5)]
    return score_night(recording_of([bursts, bursts], seconds=120), calibration.given(LABELS, 200.0))


def decide(archive, night, seq, *, who="AB", target=None):
    entry = Entry(
        action="reject", target=target or f"e{seq - 1}", seq=seq, at="2026-03-02T07:00:00Z", who=who
    )
    append(journal_path(archive), header_of(night), entry)


@pytest.fixture
def archive(night, tmp_path):
    """With two decisions and the files made of them; a copy of the journal after the first is kept."""
    path = tmp_path / "n.night.h5"
    save_night(night, path)
    decide(path, night, 1)
    for file in (journal_path(path), head_path(journal_path(path))):
        shutil.copy(file, tmp_path / f"older-{file.name}")
    decide(path, night, 2)
    write_reviewed(reviewed(night, load_journal(journal_path(path))), tmp_path, "n")
    return path


def files(archive):
    return journal_path(archive), head_path(journal_path(archive))


def deleted(archive, night):
    for file in files(archive):
        file.unlink()


def put_back(archive, night):
    for file in files(archive):
        shutil.copy(file.with_name(f"older-{file.name}"), file)


def cut(archive, night):
    journal, head = files(archive)
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:2]))
    head.unlink()


def only_a_header(archive, night):
    journal, head = files(archive)
    journal.write_bytes(journal.read_bytes().splitlines(keepends=True)[0])
    head.unlink()


def of_another_reader(archive, night):
    deleted(archive, night)
    decide(archive, night, 1, who="ZZ")


@pytest.mark.shows("lost-decision")
@pytest.mark.parametrize("change", [deleted, put_back, cut, only_a_header, of_another_reader])
def test_what_was_lost_is_said_and_the_rest_is_not_used(archive, night, change):
    assert load_reviewed(archive).review.decisions == 2
    change(archive, night)
    after = load_reviewed(archive)
    assert after.review is None
    said = unused_review(after)
    assert "n.reviewed.summary.json was made from 2 decisions (reader AB" in said
    assert "move n.reviewed.* away" in said


def test_once_the_files_are_moved_away_the_older_journal_is_used(archive, night):
    put_back(archive, night)
    for file in archive.parent.glob("n.reviewed.*"):
        file.unlink()
    assert load_reviewed(archive).review.decisions == 1


def test_later_decisions_and_undone_ones_leave_the_files_as_they_are(archive, night):
    undo = Entry(action="undo", undoes=2, seq=3, at="2026-03-02T08:00:00Z", who="AB")
    append(journal_path(archive), header_of(night), undo)
    after = load_reviewed(archive)
    assert not unused_review(after)
    assert after.review.rejected == 1


def test_files_of_another_scoring_say_nothing(archive, night):
    deleted(archive, night)
    recording = recording_of([[*rhythm(20, 4), (60.0, 63.0, 300.0)]] * 2, seconds=120)
    other = score_night(recording, calibration.given(LABELS, 200.0))
    save_night(other, archive)
    for name in ("n.files.json", "n.reviewed.files.json"):
        archive.with_name(name).unlink(missing_ok=True)
    assert not unused_review(load_reviewed(archive))


@pytest.mark.shows("lost-decision")
def test_a_second_readers_lines_that_repair_leaves_out_are_counted_as_lost(archive, night, tmp_path):
    journal, head = files(archive)
    first = journal.read_bytes()
    deleted(archive, night)
    for file in archive.parent.glob("n.reviewed.*"):
        file.unlink()
    decide(archive, night, 1, who="ZZ", target="e2")
    second = journal.read_bytes().splitlines(keepends=True)[1]
    journal.write_bytes(first + second)
    head.unlink()
    done = repair(journal, night)
    assert (done.decisions, done.lost) == (3, (3,))
    entries = load_journal(journal).entries
    assert "reader ZZ" in entries[-1].reason
    assert any("1 of 3 decisions could not be read" in note.text for note in load_journal(journal).notes)
