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
