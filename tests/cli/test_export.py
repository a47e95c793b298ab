"""``sleepbrux export``: from archives alone."""

import base64
import io
import json
from pathlib import Path

import pypdf
import pytest

from .conftest import called as run

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    out = tmp_path_factory.mktemp("exported")
    assert run("score", EXCERPT, "--mvc-uv", "190", "--out", out).code == 0
    return out / "excerpt.night.h5"


def test_it_writes_each_kind_and_says_so(archive, tmp_path):
    done = run("export", archive, "--out", tmp_path, "--as", "csv,json,edf,fhir,bids,study,parquet")
    assert done.code == 0, done.err
    first, *rest = done.out.splitlines()
    written = [Path(line) for line in rest]
    assert first == f"{len(written)} files of 1 night written"
    assert all(path.is_file() for path in written)
    assert {p.suffix for p in written} == {".csv", ".json", ".edf", ".tsv", ".parquet", ""}
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


def test_only_the_events_that_are_wanted_are_written(archive, tmp_path):
    for kinds, word in (("episodes", "episode"), ("bursts", "burst")):
        out = tmp_path / kinds
        assert run("export", archive, "--out", out, "--as", "csv,edf,bids", "--events", kinds).code == 0
        (table,) = out.glob("*.events.csv")
        types = [line.split(",")[2] for line in table.read_text("utf-8").splitlines()[1:]]
        assert types
        assert all(t.lower().endswith(word) for t in types)
        (bids,) = out.rglob("*_events.tsv")
        assert [line.split("\t")[2] for line in bids.read_text("utf-8").splitlines()[1:]] == types
    assert "Invalid value for '--events'" in run("export", archive, "--out", tmp_path, "--events", "x").err


def test_a_fhir_bundle_has_the_letter_and_its_codes_with_it(archive, tmp_path):
    issued = "2026-03-05T08:00:00+01:00"
    done = run("export", archive, "--out", tmp_path, "--as", "csv", "--fhir", "document", "--issued", issued)
    assert done.code == 0, done.err
    (path,) = tmp_path.glob("*.fhir.json")
    table = json.loads(path.read_text("utf-8"))
    assert (table["type"], table["timestamp"]) == ("document", issued)
    report = table["entry"][1]["resource"]
    letter = base64.b64decode(report["presentedForm"][0]["data"])
    text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(letter)).pages)
    assert "not a medical device" in " ".join(text.split())
    assert "excerpt" not in text
    assert (tmp_path / "fhir-definitions.json").is_file()
    assert len(list(tmp_path.glob("*.events.csv"))) == 1
    refused = run("export", archive, "--out", tmp_path / "none", "--fhir", "document")
    assert refused.code == 2
    assert "give --issued" in refused.err
    assert not (tmp_path / "none").exists()
