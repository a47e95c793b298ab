"""``sleepbrux letter`` and ``sleepbrux report``, from the archive alone."""

import re
import shutil
from pathlib import Path

import pytest

from tests.words import refused, too_long

from .conftest import called as run

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    out = tmp_path_factory.mktemp("handed")
    edf = out / "excerpt.edf"
    shutil.copy(EXCERPT, edf)
    assert run("score", edf, "--mvc-uv", "190", "--out", out).code == 0
    edf.unlink()
    return out


def test_the_page_made_again_is_the_page_that_was_left(results, tmp_path):
    done = run("report", results / "excerpt.night.h5", "--out", tmp_path)
    assert done.code == 0, done.err
    name = "excerpt.report.html"
    assert (tmp_path / name).read_bytes() == (results / name).read_bytes()


def test_a_letter_with_entries_lies_beside_the_archive(results):
    done = run("letter", results / "excerpt.night.h5", "--field", "snoring=every night")
    assert done.code == 0, done.err
    assert (results / "letter.pdf").read_bytes().startswith(b"%PDF-1.7")


def test_fields_are_filled_into_a_file_first(results, tmp_path):
    path = tmp_path / "fields.toml"
    assert run("letter", "--new-fields", path).code == 0
    assert "snoring" in path.read_text("utf-8")
    assert "is there already" in run("letter", "--new-fields", path).err
    out = tmp_path / "to" / "letter.pdf"
    assert run("letter", results / "excerpt.night.h5", "--fields", path, "--out", out).code == 0
    assert out.is_file()


def test_wrong_usage_is_said_in_a_sentence(results, tmp_path):
    assert "name either archives or --study" in run("letter").err
    done = run("letter", results / "excerpt.night.h5", "--field", "ahi=7")
    assert (done.code, "no field 'ahi'" in done.err) == (2, True)
    assert run("report", tmp_path / "none.night.h5").code == 1
    assert run("letter", tmp_path / "none.night.h5").code == 1


def study_of(folder, conditions, *, order="randomised nights", missing=(), **archives):
    """A study file whose nights have archives of 90 s; two episodes each, or as many as stated."""
    from sleepbrux.archive.file import save_night
    from sleepbrux.reference import given
    from sleepbrux.scoring.night import score_night
    from tests.nights import LABELS, recording_of, rhythm

    text = f'pseudonym = "P1"\norder = "{order}"\n'
    (folder / "results").mkdir()
    for k, condition in enumerate(conditions):
        text += f'[[night]]\nid = "n{k}"\nrecording = "n{k}.edf"\ncondition = "{condition}"\n'
        if k in missing:
            continue
        n = archives.get(f"n{k}", 2)
        bursts = [b for i in range(n) for b in rhythm(10 + 20 * i, 4)]
        night = score_night(recording_of([bursts, bursts], seconds=90, seed=k), given(LABELS, 200.0))
        save_night(night, folder / "results" / f"n{k}.night.h5")
    study = folder / "study.toml"
    study.write_text(text, encoding="utf-8")
    return study


def words_of(pdf):
    import io

    import pypdf

    text = " ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(pdf.read_bytes())).pages)
    return " ".join(text.split())


def accept_first(archive):
    """A review of one decision: the first episode accepted."""
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

    night, path = load_night(archive), journal_path(archive)
    journal = load_journal(path)
    draft = DecisionDraft(action="accept", target=f"e{int(night.selection.episodes[0])}")
    entry, _ = decided(review_of(night, journal), journal, draft, "AB")
    append(path, header_of(night), entry)


def test_a_study_brings_its_nights_and_its_comparison(tmp_path):
    study = study_of(tmp_path, ("none", "splint", "none", "splint", "none"), missing=(4,))
    done = run("letter", "--study", study)
    assert done.code == 0, done.err
    assert "the letter goes without n4" in done.err
    words = words_of(tmp_path / "letter.pdf")
    assert "Left out of the comparison: n0 (first night of the study" in words
    assert "Not in this letter, as no scoring was found: n4." in words
    assert "No statement about an effect" not in words
    assert run("letter", "--study", study, tmp_path / "results" / "n0.night.h5").code == 2


def test_a_study_of_one_condition_makes_a_letter_too(tmp_path):
    study = study_of(tmp_path, ("none", "none"))
    done = run("letter", "--study", study)
    assert done.code == 0, done.err
    assert "No statement about an effect" in words_of(tmp_path / "letter.pdf")


@pytest.mark.shows("reviewed-or-not")
def test_a_letter_never_calls_a_reviewed_night_unreviewed(tmp_path):
    study = study_of(tmp_path, ("none", "splint", "none", "splint"))
    accept_first(tmp_path / "results" / "n1.night.h5")
    assert run("letter", "--study", study).code == 0
    words = words_of(tmp_path / "letter.pdf")
    assert "n1 was reviewed by AB; that review is not used" in words
    assert "not looked at by a person" not in words
    for k in (0, 2, 3):
        accept_first(tmp_path / "results" / f"n{k}.night.h5")
    assert run("letter", "--study", study).code == 0
    words = words_of(tmp_path / "letter.pdf")
    assert "Every night was reviewed by a reader" in words


@pytest.mark.shows("reviewed-or-not")
def test_the_table_and_the_sentence_of_a_study_rest_on_the_same_nights(tmp_path):
    conditions = ("none", "none", "none", "splint", "splint", "splint")
    study = study_of(tmp_path, conditions, n0=4, n1=3, n2=4, n3=2, n4=1, n5=2)
    assert run("letter", "--study", study).code == 0
    words = words_of(tmp_path / "letter.pdf")
    table = words[words.index("lowest–highest") :]
    rows = [re.search(rf"{c} (\d) ([0-9.]+) (\d+) ([0-9.]+) ", table) for c in ("no appliance", "splint")]
    assert [(r[1], r[3]) for r in rows] == [("2", "7"), ("3", "5")]
    ratio = (5 / float(rows[1][2])) / (7 / float(rows[0][2]))
    said = float(re.search(r"the rate \(episodes per valid hour\) was ([0-9.]+) times", words)[1])
    assert said == pytest.approx(ratio, abs=0.05)  # hours of so short nights are printed roughly


@pytest.mark.shows("identity-out")
def test_dates_are_given_where_the_study_file_asks_for_them_once(tmp_path):
    study = study_of(tmp_path, ("none", "none"))
    assert run("letter", "--study", study).code == 0
    day = re.compile(r"20\d\d-\d\d-\d\d|date unknown")
    assert not day.search(words_of(tmp_path / "letter.pdf"))
    text = study.read_text("utf-8").replace(
        "[[night]]", '[letter]\ndates = true\nsex = "female"\n[[night]]', 1
    )
    study.write_text(text, encoding="utf-8")
    assert run("letter", "--study", study).code == 0
    words = words_of(tmp_path / "letter.pdf")
    assert "night date worn" in words
    assert "Sex: female" in words
    assert "Sex: female" in (tmp_path / "letter.html").read_text("utf-8")


def test_the_terminal_gives_the_answer_of_the_letter_and_both_files(results):
    done = run("letter", results / "excerpt.night.h5")
    first, *files = done.out.splitlines()
    assert first.startswith("86.7 episodes of jaw-muscle activity per hour between lights off and lights on")
    assert [line.split(": ")[1].strip() for line in files] == [
        str(results / "letter.pdf"),
        str(results / "letter.html"),
    ]


@pytest.mark.parametrize(
    "verb",
    [["compare", "--quick"], ["summary"], ["letter", "--study"], ["study check"], ["agreement"]],
    ids=lambda words: words[0],
)
def test_a_study_is_answered_in_the_first_line_and_the_last_is_the_next_command(tmp_path, verb):
    study = study_of(tmp_path, ("none", "splint") * 3)
    archive = tmp_path / "results" / "n0.night.h5"
    first, *more = verb
    words = [archive, "criterion:aasm"] if first == "agreement" else [*more, study]
    done = run(*first.split(), *words)
    assert done.code in (0, 1), done.err
    line = done.out.splitlines()[0]
    assert re.search(r"\d", line), line
    assert too_long(line.split(": ", 1)[-1]) == []
    assert refused(line) == []
    assert re.match(r"  sleepbrux [a-z]+ ", done.err.splitlines()[-1]), done.err
