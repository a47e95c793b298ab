"""``sleepbrux review --result``: what was decided, and the reviewed files beside the automatic ones."""

import json

import pytest

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import (
    DecisionDraft,
    append,
    header_of,
    journal_path,
    load_journal,
)
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.cli import main
from tests.cli.conftest import write_edf
from tests.nights import rhythm, signal_of


@pytest.fixture
def archive(edf, tmp_path, run):
    assert run("score", edf, "--out", tmp_path / "o").code == 0
    return tmp_path / "o" / "night.night.h5"


def decide(archive, **words):
    night, path = load_night(archive), journal_path(archive)
    journal = load_journal(path)
    entry, _ = decided(review_of(night, journal), journal, DecisionDraft(**words), "AB")
    append(path, header_of(night), entry)


def target(archive):
    return f"e{load_night(archive).selection.episodes[0]}"


def test_without_a_decision_nothing_is_written(archive, run):
    done = run("review", archive, "--result")
    assert done.code == 0
    assert done.err.startswith("next, write the letter")
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

    def serve(nights, _entrance, **_):
        served.append(nights.desk(0).trace.recorded)

    monkeypatch.setattr("sleepbrux.review.serving.serve", serve)
    archive = tmp_path / "night.night.h5"
    with pytest.raises(SystemExit) as stop:
        main(["review", str(archive), "--recording", str(path), "--no-open"])
    assert stop.value.code == 1
    assert not served
    with pytest.raises(SystemExit) as stop:
        main(["review", str(archive), "--recording", str(path), "--no-open", *said])
    assert stop.value.code == 0
    assert served == [True]


# the recording is found by itself


@pytest.fixture
def served(monkeypatch):
    """Runs the command without a server; the nights that it would have served."""
    kept = []

    def serve(nights, _entrance, **more):
        more["told"]("http://127.0.0.1:1/")
        kept.append(nights)

    monkeypatch.setattr("sleepbrux.review.serving.serve", serve)
    return kept


def test_the_recording_beside_the_archive_or_in_the_folder_above_is_taken(tmp_path, run, served):
    path = write_edf(tmp_path / "night.edf")
    assert run("score", path, "--out", tmp_path / "results").code == 0
    archive = tmp_path / "results" / "night.night.h5"
    done = run("review", archive, "--no-open")
    assert done.code == 0
    assert "its SHA-256 is the archive's" in done.err
    assert served[0].desk(0).trace.recorded
    path.rename(tmp_path / "results" / "night.edf")
    assert "its SHA-256 is the archive's" in run("review", archive, "--no-open").err


def test_another_recording_of_that_name_is_not_taken_and_that_is_said(archive, run, served):
    write_edf(archive.parent / "night.edf", seed=7)
    done = run("review", archive, "--no-open")
    assert done.code == 0
    assert "the recording is not near the archive" in done.err
    assert "--recording" in done.err
    assert not served[0].desk(0).trace.recorded


@pytest.fixture
def study(tmp_path, run):
    """Two nights in a folder of their own, scored by their study."""
    text = 'pseudonym = "P1"\n'
    for name in ("n1", "n2"):
        write_edf(tmp_path / "raw" / f"{name}-rec.edf", seed=len(name) + ord(name[1]))
        text += f'[[night]]\nid = "{name}"\nrecording = "raw/{name}-rec.edf"\ncondition = "none"\n'
    (tmp_path / "study.toml").write_text(text, "utf-8")
    done = run("score", "--study", tmp_path / "study.toml", "--out", tmp_path / "results")
    assert done.code == 0, done.err
    return tmp_path / "study.toml"


def archive_of(study, name):
    return next(p for p in (study.parent / "results").glob("*.night.h5") if name in p.name)


@pytest.mark.parametrize("given", ["file", "folder", "archive"])
def test_the_recording_that_the_study_names_is_taken(study, run, served, given):
    archive = archive_of(study, "n2")
    path = {"file": study, "folder": study.parent, "archive": archive}[given]
    done = run("review", path, "--no-open")
    assert done.code == 0, done.err
    (nights,) = served
    last = nights.desk(len(nights.places) - 1)
    assert last.trace.recorded
    assert last.path.parent == archive.parent
    assert [p.name for p in nights.places] == (
        [archive.name[: -len(".night.h5")]] if given == "archive" else ["n1", "n2"]
    )


# a study or a folder


def test_a_folder_of_archives_is_one_review_and_a_damaged_journal_is_said_of_its_night(study, run, served):
    first, second = archive_of(study, "n1"), archive_of(study, "n2")
    decide(first, action="accept", target=target(first))
    decide(second, action="accept", target=target(second))
    path = journal_path(second)
    path.write_bytes(path.read_bytes().replace(b'"accept"', b'"reject"'))
    done = run("review", first.parent, "--no-open")
    assert done.code == 1
    assert "cannot be reviewed" in done.err
    assert "line 2 was changed" in done.err
    assert "1 of 2 nights can be reviewed" in done.out
    table = served[0].table()
    assert [row["decided"] for row in table] == [1, 0]
    assert "line 2 was changed" in table[1]["fault"]
    assert (first.parent / first.name.replace(".night.h5", ".reviewed.report.html")).is_file()


def test_results_of_all_nights_of_a_study_are_printed_one_after_the_other(study, run):
    for name in ("n1", "n2"):
        archive = archive_of(study, name)
        decide(archive, action="reject", target=target(archive), reason="swallow")
    done = run("review", study, "--result")
    assert done.code == 0, done.err
    assert done.out.count("1 rejected") == 2
    assert done.out.index("\nn1\n") < done.out.index("\nn2\n")


@pytest.mark.parametrize(
    ("make", "more", "said"),
    [
        (lambda p: p.mkdir(), (), "neither a study.toml nor an archive"),
        (lambda p: p.mkdir(), ("--recording", "x.edf"), "--recording belongs to one night"),
        (lambda _: None, (), "no such file"),
    ],
)
def test_what_is_no_night_is_refused_in_one_sentence(tmp_path, run, make, more, said):
    path = tmp_path / "nights"
    make(path)
    done = run("review", path, "--no-open", *more)
    assert done.code in (1, 2)
    assert said in done.err


def test_no_secret_is_printed_in_an_address(archive, run, served):
    done = run("review", archive, "--no-open")
    assert "http://127.0.0.1:1/" in done.out
    assert "#" not in done.out
    assert served[0].places[0].archive == archive
    assert len(done.out.split("once: ")[1].split()[0]) == 11
