"""``sleepbrux letter`` and ``sleepbrux report``, from the archive alone."""

import shutil
from pathlib import Path

import pytest

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


def test_a_study_brings_its_nights_and_its_comparison(tmp_path):
    import io

    import pypdf

    from sleepbrux.calibration import given
    from sleepbrux.night import score_night
    from sleepbrux.store import save_night
    from tests.nights import LABELS, recording_of, rhythm

    text = 'pseudonym = "P1"\norder = "randomised nights"\n'
    (tmp_path / "results").mkdir()
    for k, condition in enumerate(("none", "splint", "none", "splint", "none")):
        text += f'[[night]]\nid = "n{k}"\nrecording = "n{k}.edf"\ncondition = "{condition}"\n'
        if k == 4:
            continue
        bursts = [b for i in range(2) for b in rhythm(10 + 30 * i, 4)]
        night = score_night(
            recording_of([bursts, bursts], seconds=90, seed=k), given(LABELS, 200.0)
        )
        save_night(night, tmp_path / "results" / f"n{k}.night.h5")
    study = tmp_path / "study.toml"
    study.write_text(text, encoding="utf-8")
    done = run("letter", "--study", study)
    assert done.code == 0, done.err
    assert "the letter goes without n4" in done.err
    pdf = (tmp_path / "letter.pdf").read_bytes()
    words = " ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    words = " ".join(words.split())
    assert "Set apart: n0 (first night of the study" in words
    assert "no statement about an effect" not in words
    assert run("letter", "--study", study, tmp_path / "results" / "n0.night.h5").code == 2
