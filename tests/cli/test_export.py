"""``sleepbrux export``: from archives alone."""

import json
from pathlib import Path

import pytest

from .conftest import called as run

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    out = tmp_path_factory.mktemp("exported")
    assert run("score", EXCERPT, "--mvc-uv", "190", "--out", out).code == 0
    return out / "excerpt.night.h5"


def test_it_writes_each_kind_and_says_so(archive, tmp_path):
    done = run("export", archive, "--out", tmp_path, "--as", "csv,json,edf,fhir,bids,study")
    assert done.code == 0, done.err
    first, *rest = done.out.splitlines()
    written = [Path(line) for line in rest]
    assert first == f"{len(written)} files of 1 night written"
    assert all(path.is_file() for path in written)
    assert {p.suffix for p in written} == {".csv", ".json", ".edf", ".tsv", ""}
    (bundle,) = tmp_path.glob("*.fhir.json")
    assert json.loads(bundle.read_text("utf-8"))["type"] == "collection"


def test_the_same_archive_gives_the_same_bytes(archive, tmp_path):
    for name in ("a", "b"):
        assert run("export", archive, "--out", tmp_path / name).code == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_wrong_usage_is_said_in_a_sentence(archive, tmp_path):
    assert "there is no 'xml'" in run("export", archive, "--out", tmp_path, "--as", "xml").err
    assert "name it with --recording" in run("export", archive, "--out", tmp_path, "--identity").err
    other = tmp_path / "other.edf"
    other.write_bytes(b"x")
    done = run("export", archive, "--out", tmp_path, "--recording", other, "--identity")
    assert done.code == 2
    assert "not the recording of any of these archives" in done.err
    assert run("export", tmp_path / "none.night.h5", "--out", tmp_path).code == 1


def test_excel_gets_its_mark(archive, tmp_path):
    assert run("export", archive, "--out", tmp_path, "--as", "csv", "--utf8-mark").code == 0
    (episodes,) = tmp_path.glob("*.episodes.csv")
    assert episodes.read_bytes().startswith(b"\xef\xbb\xbfepisode,")
