"""What a stranger managed: another person's night in a study, a letter, a table; and decisions beside it."""

import csv
import json
import shutil

import pytest

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal import journal_path
from sleepbrux.archive.journal.file import Entry, append, header_of
from sleepbrux.study.drafting import draft
from sleepbrux.study.file import load_study
from sleepbrux.study.persons import of_other_persons, person_words
from tests.batch.test_whose_night import ARCHIVE, run, score

pytestmark = pytest.mark.shows("wrong-person")
ANNA, BERT = "P1 F 01-JAN-1970 Anna_Huber", "P2 M 02-FEB-1980 Bert_Maier"


@pytest.fixture
def study(tmp_path, write_night):
    """Writes a study of nights whose headers name these patients; returns its file."""

    def write(folder, patients, who="P-01", study_id="", number=1):
        home = tmp_path / folder
        lines = [f'pseudonym = "{who}"'] + ([f'study_id = "{study_id}"'] if study_id else [])
        for k, patient in enumerate(patients):
            write_night(home / f"n{k}.edf", 50 * number + k)
            name(home / f"n{k}.edf", patient)
            condition = "splint" if k % 2 else "none"
            lines += ["[[night]]", f'id = "n{k}"', f'recording = "n{k}.edf"', f'condition = "{condition}"']
        (home / "study.toml").write_text("\n".join(lines), "utf-8")
        return home / "study.toml"

    return write


def name(path, patient):
    data = bytearray(path.read_bytes())
    data[8:88] = patient.encode("latin-1").ljust(80)
    path.write_bytes(data)


def decide(archive, who="AB"):
    night = load_night(archive)
    entry = Entry(action="reject", target="e0", seq=1, at="2026-03-02T07:00:00Z", who=who)
    append(journal_path(archive), header_of(night), entry)


# the header names somebody else


def test_a_recording_whose_header_names_another_patient_is_asked_about_without_a_name(study, tmp_path):
    file = study("a", [ANNA, BERT, ANNA])
    for words in (["study", "check", file], ["score", "--study", file, "--out", tmp_path / "r"]):
        done = run(*words)
        text = done.out + done.err
        assert "n1.edf names another person than that of n0" in text
        assert "Huber" not in text
        assert "Maier" not in text
    notes = load_night(tmp_path / "r" / f"n1{ARCHIVE}").notes
    assert [n.severity for n in notes if n.code == "other-person"] == ["warning"]
    assert not [n for n in load_night(tmp_path / "r" / f"n0{ARCHIVE}").notes if n.code == "other-person"]
    for words in (["compare", file, "--quick"], ["letter", "--study", file], ["summary", file]):
        done = run(*words, "--results", tmp_path / "r")
        assert "names another person" in done.out + done.err, words


def test_batch_says_it_as_score_does(study, tmp_path):
    file = study("a", [ANNA, BERT, ANNA])
    score(file, tmp_path / "r")
    run("batch", file, "--out", tmp_path / "b", "--workers", 1)
    one, other = (load_night(p).notes for p in (tmp_path / "r/n1.night.h5", tmp_path / "b/P-01/n1.night.h5"))
    assert one == other


@pytest.mark.parametrize(
    ("patients", "odd"),
    [
        ([ANNA, "Huber, Anna", "X X X X", ""], []),
        ([ANNA, BERT, BERT], ["n0"]),
        (["X F X X", "X M X X"], []),
        ([ANNA, "P1 F 01-JAN-1970 Anna_Maier"], ["n1"]),
    ],
)
def test_whom_headers_name_as_one(study, patients, odd):
    file = study("a", patients)
    assert [id_ for id_, _, _ in of_other_persons(load_study(file), file.parent)] == odd


def test_only_edf_and_bdf_have_a_place_for_the_person(tmp_path):
    (tmp_path / "a.csv").write_text("0       Anna Huber", "utf-8")
    (tmp_path / "b.csv").write_text("time,EMG Anna", "utf-8")
    assert person_words(tmp_path / "b.csv") == person_words(tmp_path / "none.edf") == frozenset()


# two studies of one pseudonym


def test_two_studies_of_one_pseudonym_are_told_apart_by_their_ids(study, tmp_path):
    a = study("a", ["", ""], study_id="aaaa1111")
    b = study("b", ["", ""], study_id="bbbb2222", number=2)
    score(a, tmp_path / "ra")
    score(b, tmp_path / "rb")
    both = run(
        "letter", tmp_path / f"ra/n0{ARCHIVE}", tmp_path / f"rb/n1{ARCHIVE}", "--out", tmp_path / "x.pdf"
    )
    assert both.code == 1
    assert "nights of two persons" in both.err
    for path in (tmp_path / "a").glob("*.edf"):
        path.unlink()
    for words in (["letter", "--study", a], ["summary", a], ["compare", a, "--quick"]):
        done = run(*words, "--results", tmp_path / "rb")
        assert done.code != 0, words
        assert "two studies call a person 'P-01'" in done.out + done.err, words


def test_a_drafted_study_has_an_id_of_its_own(tmp_path):
    ids = {draft(tmp_path).text.split("study_id = ")[1].split('"')[1] for _ in range(20)}
    assert len(ids) == 20


def test_a_letter_of_several_nights_without_a_study_is_refused(write_night, tmp_path):
    for k in range(2):
        write_night(tmp_path / f"n{k}.edf", 7 + k)
    archives = [tmp_path / f"n{k}{ARCHIVE}" for k in range(2)]
    run("score", tmp_path / "n0.edf", tmp_path / "n1.edf", "--out", tmp_path)
    done = run("letter", *archives, "--field", "name=Anna Huber", "--out", tmp_path / "x.pdf")
    assert (done.code, (tmp_path / "x.pdf").exists()) == (1, False)
    assert "nothing says that these 2 nights are of one person" in done.err
    assert run("letter", archives[0], "--out", tmp_path / "x.pdf").code == 0


# one recording, two persons


def test_one_recording_in_the_studies_of_two_persons_is_named(study, tmp_path):
    a, b = study("a", ["", ""]), study("b", ["", ""], who="P-02", number=2)
    shutil.copy(a.with_name("n1.edf"), b.with_name("n0.edf"))
    done = run("batch", a, b, "--out", tmp_path / "o", "--workers", 1)
    assert done.code == 1
    assert "P-01 n1 and P-02 n0 are one and the same recording" in done.err


def test_batch_names_the_next_step_of_its_own_nights_and_what_left_the_table(study, tmp_path):
    a, b = study("a", ["", ""]), study("b", ["", ""], who="P-02", number=2)
    run("batch", a, "--out", tmp_path / "o", "--workers", 1)
    from tests.cli.conftest import called

    done = called("batch", b, "--out", tmp_path / "o", "--workers", 1)
    assert "2 rows of the earlier table" in done.err
    assert "P-02" in done.err.split("sleepbrux review")[1]
    with (tmp_path / "o" / "nights.csv").open(encoding="utf-8") as table:
        assert {row["person"] for row in csv.DictReader(table)} == {"P-02"}


# what is written over


def test_nothing_of_another_person_is_written_over(study, tmp_path):
    a, b = study("a", ["", ""]), study("b", ["", ""], who="P-02", number=2)
    for file, out in ((a, "ra"), (b, "rb")):
        score(file, tmp_path / out)
    ra, rb = (tmp_path / out / f"n0{ARCHIVE}" for out in ("ra", "rb"))
    for words in (
        ["export", "{}", "--as", "study,csv", "--out", tmp_path / "e"],
        ["agreement", "{}", "criterion:aasm", "--out", tmp_path / "g"],
    ):
        first = run(*[str(ra) if w == "{}" else w for w in words])
        assert first.code == 0, first.err
        again = run(*[str(ra) if w == "{}" else w for w in words])
        assert again.code == 0, again.err
        other = run(*[str(rb) if w == "{}" else w for w in words])
        assert other.code == 2, words
        assert "P-01" in other.err
        assert "name another folder" in other.err
    pdf = tmp_path / "l.pdf"
    assert run("letter", ra, "--out", pdf).code == 0
    assert run("letter", ra, "--field", "snoring=no", "--out", pdf).code == 0
    before = pdf.read_bytes()
    done = run("letter", rb, "--out", pdf)
    assert (done.code, pdf.read_bytes() == before) == (2, True)
    assert "is no letter about this person" in done.err
    out = tmp_path / "s.txt"
    assert run("summary", a, "--results", tmp_path / "ra", "--out", out).code == 0
    assert run("summary", a, "--results", tmp_path / "ra", "--out", out).code == 0
    done = run("summary", b, "--results", tmp_path / "rb", "--out", out)
    assert (done.code, "is no summary of 'P-02'" in done.err) == (2, True)
    assert "P-01: primary outcome" in out.read_text("utf-8")


# decisions


def test_an_archive_that_is_passed_on_says_that_a_review_is_not_in_it(study, tmp_path):
    file = study("a", [""])
    score(file, tmp_path / "r")
    decide(tmp_path / "r" / f"n0{ARCHIVE}")
    run("export", tmp_path / "r" / f"n0{ARCHIVE}", "--as", "archive", "--out", tmp_path / "e")
    (copy,) = (tmp_path / "e").glob(f"*{ARCHIVE}")
    assert [n.code for n in load_night(copy).notes if n.code.startswith("review-")] == ["review-left-out"]
    done = run("report", copy, "--out", tmp_path / "p")
    assert done.code == 0
    (page,) = (tmp_path / "p").glob("*.report.html")
    assert "those decisions are not in this archive" in page.read_text("utf-8")
    done = run("letter", copy, "--out", tmp_path / "l.pdf")
    letter = (tmp_path / "l.html").read_text("utf-8")
    assert (done.code, "A reader has reviewed at least one" in letter, "not reviewed" in letter) == (
        0,
        True,
        False,
    )
    assert "are not in this archive" in run("trace", copy, "episodes_per_hour").err


def test_a_link_to_an_archive_has_the_archives_own_journal(study, tmp_path):
    file = study("a", [""])
    score(file, tmp_path / "r")
    decide(tmp_path / "r" / f"n0{ARCHIVE}")
    (tmp_path / "m").mkdir()
    (tmp_path / "m" / f"n0{ARCHIVE}").symlink_to(tmp_path / "r" / f"n0{ARCHIVE}")
    assert journal_path(tmp_path / "m" / f"n0{ARCHIVE}") == tmp_path / "r" / "n0.review.jsonl"


def cohort(tmp_path, *files):
    done = run("cohort", *files, "--results", tmp_path / "o", "--out", tmp_path / "c")
    assert done.code in (0, 1), done.err
    found = json.loads((tmp_path / "c" / "cohort.json").read_text("utf-8"))
    return done, found


def test_a_cohort_never_mixes_reviewed_and_automatic_nights_and_says_which_it_took(study, tmp_path):
    files = [study(w, ["", "", ""], who=f"P-0{k}", number=k) for k, w in ((1, "a"), (2, "b"))]
    run("batch", *files, "--out", tmp_path / "o", "--workers", 1)
    done, plain = cohort(tmp_path, *files)
    assert "review" not in done.out
    for k in range(3):
        decide(tmp_path / "o" / "P-01" / f"n{k}{ARCHIVE}")
    done, mixed = cohort(tmp_path, *files)
    assert "3 of 6 nights have a review, and it is not used" in done.out
    assert mixed["by_person"] == plain["by_person"]
    for k in range(3):
        decide(tmp_path / "o" / "P-02" / f"n{k}{ARCHIVE}")
    done, _ = cohort(tmp_path, *files)
    assert "Reviewed scoring of all 6 nights." in done.out
    (tmp_path / "o" / "P-02" / "n0.review.jsonl").write_bytes(b"{}\n{}\n")
    done, _ = cohort(tmp_path, *files)
    assert (done.code, "n0" in done.err) == (1, True)


def test_a_cohort_says_that_conditions_were_changed_after_scoring(study, tmp_path):
    files = [study(w, ["", ""], who=f"P-0{k}", number=k) for k, w in ((1, "a"), (2, "b"))]
    run("batch", *files, "--out", tmp_path / "o", "--workers", 1)
    text = files[0].read_text("utf-8")
    swapped = text.replace('"none"', '"?"').replace('"splint"', '"none"').replace('"?"', '"splint"')
    files[0].write_text(swapped, "utf-8")
    done, _ = cohort(tmp_path, *files)
    assert "P-01 n0 was scored as condition 'none', and the study file now says 'splint'" in done.out


def test_a_letter_says_that_conditions_were_changed_after_scoring(study, tmp_path):
    import pypdf

    file = study("a", ["", "", ""])
    score(file, tmp_path / "r")
    text = file.read_text("utf-8")
    swapped = text.replace('"none"', '"?"').replace('"splint"', '"none"').replace('"?"', '"splint"')
    file.write_text(swapped, "utf-8")
    done = run("letter", "--study", file, "--results", tmp_path / "r", "--out", tmp_path / "l.pdf")
    assert done.code == 0, done.err
    told = " ".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "l.pdf").pages)
    assert "named another condition when this night was scored" in " ".join(told.split())


def test_a_decision_on_a_page_whose_archive_became_another_file_is_refused(study, tmp_path):
    from sleepbrux.archive.journal.file import DecisionDraft
    from sleepbrux.core.errors import JournalError
    from sleepbrux.review.session import ReviewSession
    from sleepbrux.review.trace import Trace

    a, b = study("a", [""]), study("b", [""], who="P-02", number=2)
    score(a, tmp_path / "ra")
    score(b, tmp_path / "rb")
    archive = tmp_path / "ra" / f"n0{ARCHIVE}"
    night = load_night(archive)
    session = ReviewSession(night, journal_path(archive), Trace(night, None))
    session.decide(0, DecisionDraft(action="accept", target="e0"), "AB")
    before = journal_path(archive).read_bytes()
    shutil.copy(tmp_path / "rb" / f"n0{ARCHIVE}", archive)
    with pytest.raises(JournalError, match="is another file than when this page was opened"):
        session.decide(1, DecisionDraft(action="reject", target="e0"), "AB")
    assert journal_path(archive).read_bytes() == before
