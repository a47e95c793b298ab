"""``sleepbrux review --result``: what was decided, and the reviewed files beside the automatic ones."""

import json

import pytest

from sleepbrux.cli import main
from sleepbrux.journal.apply import review_of
from sleepbrux.journal.deciding import decided
from sleepbrux.journal.file import Draft, append, header_of, journal_path, load_journal
from sleepbrux.store import load_night
from tests.cli.conftest import write_edf
from tests.nights import rhythm, signal_of


@pytest.fixture
def archive(edf, tmp_path, run):
    assert run("score", edf, "--out", tmp_path / "o").code == 0
    return tmp_path / "o" / "night.night.h5"


def decide(archive, **words):
    night, path = load_night(archive), journal_path(archive)
    journal = load_journal(path)
    entry, _ = decided(review_of(night, journal), journal, Draft(**words), "AB")
    append(path, header_of(night), entry)


def target(archive):
    return f"e{load_night(archive).chosen.episodes[0]}"


def test_without_a_decision_nothing_is_written(archive, run):
    done = run("review", archive, "--result")
    assert (done.code, done.err) == (0, "")
    assert "it is the automatic one" in done.out
    assert not list(archive.parent.glob("*.reviewed.*"))


def test_both_scorings_stand_side_by_side_and_each_says_which_it_is(archive, run):
    before = {p.name: p.read_bytes() for p in archive.parent.iterdir()}
    decide(archive, action="reject", target=target(archive), reason="swallow")
    done = run("review", archive, "--result")
    assert done.code == 0
    assert "1 rejected" in done.out
    folder = archive.parent
    assert all((folder / name).read_bytes() == data for name, data in before.items())
    automatic = json.loads((folder / "night.summary.json").read_text("utf-8"))
    table = json.loads((folder / "night.reviewed.summary.json").read_text("utf-8"))
    assert automatic["scoring"] == "automatic scoring, not reviewed"
    assert "1 rejected" in table["scoring"]
    assert table["supersedes"] == automatic["report_id"] != table["report_id"]
    counts = [t["measures"]["episode_count"]["value"] for t in (automatic, table)]
    assert counts[1] == counts[0] - 1
    page = (folder / "night.reviewed.report.html").read_text("utf-8")
    assert "Reviewed scoring (reader AB" in page
    assert "automatic, before the review" in page
    rows = (folder / "night.reviewed.episodes.csv").read_text("utf-8").splitlines()
    assert len(rows) == counts[1] + 1


def test_a_review_of_another_scoring_is_refused_and_told(archive, edf, run):
    decide(archive, action="accept", target=target(archive))
    assert run("score", edf, "--out", archive.parent, "--criterion", "aasm").code == 0
    done = run("review", archive, "--result")
    assert done.code == 1
    assert "another scoring" in done.err
    assert "move the journal and its .head away" in done.err


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [(("--seed", "3"), 2, "belong to --sample"), (("--recording", "none.edf"), 1, "no such file")],
)
def test_what_cannot_be_is_refused(archive, run, more, code, said):
    done = run("review", archive, "--no-open", *more)
    assert done.code == code
    assert said in done.err


def test_another_recording_is_refused(archive, tmp_path, run):
    other = write_edf(tmp_path / "other.edf", seed=7)
    done = run("review", archive, "--no-open", "--recording", other)
    assert done.code == 1
    assert "not the recording that this archive was scored from" in done.err


def test_a_recording_that_needs_an_option_is_opened_with_it(tmp_path, monkeypatch):
    wave = signal_of(rhythm(60, 4), seconds=120, rate=500, seed=1)
    path = tmp_path / "night.csv"
    path.write_text("EMG Mass L\n" + "".join(f"{v:.2f}\n" for v in wave))
    said = ["--rate", "500", "--unit", "uV"]
    with pytest.raises(SystemExit):
        main(["score", str(path), "--out", str(tmp_path), "--criterion", "aasm", *said])
    served = []
    monkeypatch.setattr("sleepbrux.review.serving.serve", lambda desk, **more: served.append(desk))
    archive = tmp_path / "night.night.h5"
    with pytest.raises(SystemExit) as stop:
        main(["review", str(archive), "--recording", str(path), "--no-open"])
    assert stop.value.code == 1
    assert not served
    with pytest.raises(SystemExit) as stop:
        main(["review", str(archive), "--recording", str(path), "--no-open", *said])
    assert stop.value.code == 0
    assert len(served) == 1
