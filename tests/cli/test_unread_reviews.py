"""A review that cannot be used is said by every command, on the terminal and in what it writes."""

import json

import pypdf
import pytest

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.archive.journal.chain import head_path
from sleepbrux.archive.journal.deciding import decided
from sleepbrux.archive.journal.file import (
    DecisionDraft,
    append,
    header_of,
    journal_path,
    load_journal,
)
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.scoring.night import score_night
from tests.cli.test_summary import NIGHTS, scored
from tests.nights import recording_of, rhythm

SAID = "there is a review of this night, and it is not used"


@pytest.fixture(scope="module")
def nights():
    return {id_: scored(n, seed=k) for k, (id_, (_, n)) in enumerate(NIGHTS.items())}


@pytest.fixture
def study(tmp_path, nights):
    text = 'pseudonym = "P1"\n'
    for id_, (condition, _) in NIGHTS.items():
        text += f'[[night]]\nid = "{id_}"\nrecording = "in/{id_}.edf"\ncondition = "{condition}"\n'
    path = tmp_path / "study.toml"
    path.write_text(text, "utf-8")
    (tmp_path / "results").mkdir()
    for id_, night in nights.items():
        save_night(night, tmp_path / "results" / f"{id_}.night.h5")
    return path


def decide(archive, **words):
    night, path = load_night(archive), journal_path(archive)
    journal = load_journal(path)
    entry, _ = decided(review_of(night, journal), journal, DecisionDraft(**words), "AB")
    append(path, header_of(night), entry)


@pytest.fixture
def archive(study):
    """The first night, with a review of which a line was changed."""
    one = study.parent / "results" / "n1.night.h5"
    decide(one, action="reject", target="e0", reason="swallow")
    decide(one, action="accept", target="e1")
    path = journal_path(one)
    path.write_bytes(path.read_bytes().replace(b'"swallow"', b'"cough"'))
    return one


def check(done, *, where=""):
    assert done.code == 1, done.out
    assert "Traceback" not in done.err
    assert SAID in done.err
    assert "line 2 was changed" in done.err
    assert "decision 1 and the 1 after it, of 2" in done.err
    if where:
        assert SAID in where


def test_report_and_robustness(run, archive):
    for verb in ("report", "robustness"):
        done = run(verb, archive)
        page = (archive.parent / "n1.report.html").read_text("utf-8")
        check(done, where=page)
        assert "No person has looked at this scoring yet" not in page


def test_trace(run, archive):
    for more in ((), ("episodes_per_hour",), ("episodes_per_hour", "--json")):
        check(run("trace", archive, *more))


def test_export(run, archive, tmp_path):
    done = run("export", archive, "--out", tmp_path / "x", "--as", "json,study,fhir")
    (file,) = (tmp_path / "x").glob("*.summary.json")
    table = json.loads(file.read_text("utf-8"))
    check(done, where=table["scoring"])
    assert not table["reviewed_by_a_person"]


def pdf_text(path):
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return " ".join(text.split())


def test_letter(run, archive, study, tmp_path):
    done = run("letter", archive, "--out", tmp_path / "a.pdf")
    check(done, where=pdf_text(tmp_path / "a.pdf"))
    done = run("letter", "--study", study, "--out", tmp_path / "b.pdf")
    check(done, where=pdf_text(tmp_path / "b.pdf"))


def test_summary(run, archive, study):
    done = run("summary", study, "--results", archive.parent)
    check(done, where=done.out)
    done = run("summary", study, "--results", archive.parent, "--json")
    check(done, where=done.out)


def test_compare(run, archive, study):
    done = run("compare", study, "--quick")
    check(done, where=done.out)
    page = next(archive.parent.glob("study*.html")).read_text("utf-8")
    assert SAID in page


def test_plan_and_cohort_say_it_too(run, archive, study, tmp_path):
    for arguments in (("plan", "--study", study), ("cohort", study, "--out", tmp_path / "c")):
        assert SAID in run(*arguments).err


def test_review(run, archive):
    for more in (("--result",), ("--no-open",)):
        done = run("review", archive, *more)
        assert done.code == 1
        assert "line 2 was changed" in done.err
        assert "--repair" in done.err


def test_agreement_refuses_it_in_one_sentence(run, archive):
    done = run("agreement", archive, "reviewed")
    assert done.code in (1, 2)
    assert "line 2 was changed" in done.err
    assert "Traceback" not in done.err


def test_repair_keeps_a_copy_says_what_is_lost_and_the_review_goes_on(run, archive, study):
    damaged = journal_path(archive).read_bytes()
    done = run("review", archive, "--repair")
    assert (done.code, done.err) == (0, "")
    assert "1 of 2 decisions could not be read" in done.out
    assert "n1.review.jsonl.kept-1" in done.out
    assert (archive.parent / "n1.review.jsonl.kept-1").read_bytes() == damaged
    for verb, more in (("summary", ("--results", archive.parent)), ("compare", ("--quick",))):
        assert "1 of 2 decisions could not be read" not in run(verb, study, *more).out  # not used yet
    for id_ in ("n2", "n3", "n4"):
        decide(archive.with_name(f"{id_}.night.h5"), action="accept", target="e0")
    for verb, more in (("summary", ("--results", archive.parent)), ("compare", ("--quick",))):
        assert "1 of 2 decisions could not be read" in run(verb, study, *more).out
    assert "1 of 2 decisions could not be read" in run("agreement", archive, "reviewed").out
    done = run("report", archive)
    assert done.code == 0
    assert "1 of 2 decisions could not be read" in (archive.parent / "n1.report.html").read_text("utf-8")
    again = run("review", archive, "--repair")
    assert "nothing to repair" in again.out


@pytest.mark.parametrize("verb", ["report", "trace", "export", "letter", "review"])
@pytest.mark.parametrize("what", ["gone", "cut", "foreign bytes", "folder"])
@pytest.mark.shows("lost-decision")
def test_every_kind_of_damage_is_one_sentence_in_every_command(run, archive, tmp_path, verb, what):
    path = journal_path(archive)
    whole = path.read_bytes()
    path.unlink()
    if what == "cut":
        path.write_bytes(b"".join(whole.splitlines(keepends=True)[:-1]))
    elif what == "foreign bytes":
        path.write_bytes(b"\xff\xfe\x00" * 1000)
    elif what == "folder":
        path.mkdir()
    more = {
        "export": ("--out", tmp_path / "x"),
        "review": ("--result",),
        "letter": ("--out", tmp_path / "l.pdf"),
    }.get(verb, ())
    done = run(verb, archive, *more)
    assert done.code == 1
    assert "n1.review.jsonl" in done.err
    assert "Traceback" not in done.err


def test_a_study_whose_rules_are_not_those_of_the_review_says_so(run, study, nights):
    for id_ in NIGHTS:
        decide(study.parent / "results" / f"{id_}.night.h5", action="accept", target="e0")
    study.write_text('criterion = "lavigne1996"\n' + study.read_text("utf-8"), "utf-8")
    done = run("compare", study, "--quick")
    assert "it is about events under phasic_tonic_10mvc" in " ".join(done.out.split())
    assert SAID in done.out


def test_a_whole_review_is_used_and_nothing_is_said(run, study):
    for id_ in NIGHTS:
        decide(study.parent / "results" / f"{id_}.night.h5", action="reject", target="e0", reason="x")
    done = run("summary", study, "--results", study.parent / "results")
    assert done.code == 0
    assert "sleepbrux: " not in done.err
    assert "Reviewed scoring" in done.out
    head_path(study.parent / "results" / "n1.review.jsonl").unlink()
    done = run("report", study.parent / "results" / "n1.night.h5")
    assert done.code == 0  # one decision: a head that was never written


def test_a_night_without_any_journal_says_nothing(run, tmp_path):
    bursts = rhythm(10, 4)
    night = score_night(recording_of([bursts, bursts], seconds=60), criterion="aasm")
    save_night(night, tmp_path / "q.night.h5")
    done = run("report", tmp_path / "q.night.h5")
    assert done.code == 0
    assert "review" not in done.err
