"""A set of files that is half of one run and half of another is said to be, by every command that meets it."""

from __future__ import annotations

import json

import pytest

from sleepbrux.archive.file_sets import (
    EXPORTED,
    folder_doubts,
    list_of,
    listing,
    load_set,
    set_doubts,
    write_listed,
)
from sleepbrux.core import files
from sleepbrux.core.files import write_text


class PowerCutError(BaseException):
    """The rest is never done."""


@pytest.fixture
def lead(tmp_path):
    return tmp_path / "letter.pdf"


def written(lead, text, *more):
    names = (lead.name, "letter.html", *more)
    write_listed({lead.with_name(name): text for name in names}, lead, last=(lead.name,))


def cut_at(monkeypatch, name):
    """Renaming to this name never happens, nor anything after it."""
    from pathlib import Path

    replace = Path.replace

    def cut(self, target):
        if target.name == name:
            raise PowerCutError
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", cut)


def test_a_whole_set_is_not_doubted_and_its_list_names_it(lead):
    written(lead, "old")
    written(lead, "new")
    assert sorted(load_set(list_of(lead))) == ["letter.html", "letter.pdf"]
    assert folder_doubts(lead.parent) == ()
    assert json.loads(list_of(lead).read_text("utf-8"))["software"]["name"] == "sleepbrux"


@pytest.mark.parametrize("earlier", [True, False])
@pytest.mark.parametrize("at", ["letter.pdf", "letter.pdf.files.json"])
def test_a_set_that_was_cut_between_two_names_is_said_to_be(lead, earlier, at, monkeypatch):
    if earlier:
        written(lead, "old")
    with monkeypatch.context() as patch:
        if not earlier and at.endswith(".json"):
            at = "letter.html"  # the first list of a first run has that name, too
        cut_at(patch, at)
        with pytest.raises(PowerCutError):
            written(lead, "new")
    (said,) = folder_doubts(lead.parent) if at != "letter.html" else (set_doubts(lead),)
    assert "not as letter.pdf.files.json lists" in said
    assert "\n" not in said
    written(lead, "new")
    assert folder_doubts(lead.parent) == ()


def test_a_set_of_an_earlier_version_without_a_list_is_taken_as_it_is_until_it_is_written_over(
    lead, monkeypatch
):
    for name in ("letter.pdf", "letter.html"):
        write_text(lead.with_name(name), "old")
    assert folder_doubts(lead.parent) == ()
    with monkeypatch.context() as patch:
        cut_at(patch, "letter.pdf")
        with pytest.raises(PowerCutError):
            written(lead, "new")
    assert folder_doubts(lead.parent)[0].startswith("letter.html: not as letter.pdf.files.json lists")


def test_what_could_not_be_made_leaves_the_list_as_it_was(lead):
    with pytest.raises(ValueError, match="no letter"), listing(lead, [lead.name]):
        raise ValueError("no letter")
    assert not list_of(lead).exists()
    written(lead, "old")
    before = list_of(lead).read_bytes()
    with pytest.raises(ValueError, match="no letter"), listing(lead, [lead.name, "more.csv"]):
        raise ValueError("no letter")
    assert list_of(lead).read_bytes() == before
    assert folder_doubts(lead.parent) == ()


def test_an_export_of_another_night_leaves_the_earlier_one_in_the_list(tmp_path):
    lead = tmp_path / EXPORTED
    write_listed({tmp_path / "n1.csv": "1"}, lead)
    write_listed({tmp_path / "n2.csv": "2"}, lead)
    assert sorted(load_set(list_of(lead))) == ["n1.csv", "n2.csv"]
    (tmp_path / "n1.csv").write_text("by hand", "utf-8")
    assert folder_doubts(tmp_path)[0].startswith("n1.csv: not as exported.files.json lists")


def test_a_name_that_was_taken_away_is_no_matter_and_leaves_the_list_with_the_next_run(tmp_path):
    lead = tmp_path / EXPORTED
    write_listed({tmp_path / "Doe.csv": "1", tmp_path / "n2.csv": "2"}, lead)
    (tmp_path / "Doe.csv").unlink()
    assert folder_doubts(tmp_path) == ()
    write_listed({tmp_path / "n2.csv": "2"}, lead)
    assert "Doe" not in list_of(lead).read_text("utf-8")


def test_a_folder_that_gets_its_name_last_is_due_until_it_stands(tmp_path):
    lead = tmp_path / EXPORTED
    with (
        listing(lead, ["n1.csv", "bids"]) as settle,
        files.replacing(tmp_path / "n1.csv", settle) as temporary,
    ):
        temporary.write_bytes(b"1")
    assert set_doubts(lead).startswith("bids: not as exported.files.json lists")
    (tmp_path / "bids").mkdir()
    assert set_doubts(lead) == ""


def test_the_list_of_a_night_is_none_of_a_set_and_a_torn_list_is_said_to_be(tmp_path):
    write_text(tmp_path / "n1.files.json", "{}")
    assert folder_doubts(tmp_path) == ()
    write_text(tmp_path / "study.report.html.files.json", '{"files": {')
    assert folder_doubts(tmp_path) == (
        "study.report.html.files.json: not a list of files that can be read; write them again",
    )


def test_each_that_must_come_last_waits_until_the_names_before_it_are_on_disk(tmp_path, monkeypatch):
    """A file system may put a later rename on disk first, unless the folder is flushed between the two."""
    done = []
    flush, replace = files.flush_folder, type(tmp_path).replace
    monkeypatch.setattr(files, "flush_folder", lambda folder: (done.append("flush"), flush(folder)))
    monkeypatch.setattr(
        type(tmp_path), "replace", lambda self, target: (done.append(target.name), replace(self, target))[1]
    )
    files.write_together(dict.fromkeys((tmp_path / n for n in ("c", "b", "a", "d")), "x"), last=("b", "c"))
    assert done == ["a", "d", "flush", "b", "flush", "c", "flush"]


@pytest.mark.parametrize("command", ["letter", "export", "report", "trace"])
def test_commands_about_an_archive_say_which_files_beside_it_are_of_two_runs(
    command, archive, tmp_path, called
):
    more = {
        "letter": ("--out", tmp_path / "x" / "letter.pdf"),
        "export": ("--out", tmp_path / "x", "--as", "csv"),
        "trace": ("episodes_per_hour",),
        "report": (),
    }[command]
    done = called(command, archive, *more)
    assert "letter.html: not as letter.pdf.files.json lists" in done.err
    assert done.err.count("not as letter.pdf.files.json lists") == 1


@pytest.fixture(scope="module")
def archive_bytes(tmp_path_factory):
    from sleepbrux.archive.file import save_night
    from sleepbrux.scoring.request import Request, score_opened
    from tests.fuzz.inputs import made

    path = tmp_path_factory.mktemp("one") / "n1.night.h5"
    save_night(score_opened(made(), Request(mvc_uv=200.0), threads=1), path)
    return path.read_bytes()


@pytest.fixture
def archive(archive_bytes, tmp_path):
    """An archive, and beside it a letter whose page is of another run than its list."""
    path = tmp_path / "n1.night.h5"
    path.write_bytes(archive_bytes)
    written(tmp_path / "letter.pdf", "old")
    (tmp_path / "letter.html").write_text("new", "utf-8")
    return path


@pytest.fixture
def called():
    from tests.cli.conftest import called

    return called


def test_an_agreement_and_an_export_of_two_runs_are_said_to_be_before_they_are_written_anew(
    tmp_path, archive_bytes, called
):
    archive = tmp_path / "n1.night.h5"
    archive.write_bytes(archive_bytes)
    for name, words in (
        ("agreement.events.csv", ("agreement", archive, "criterion:lavigne1996", "--out", tmp_path / "o")),
        ("n1.events.csv", ("export", archive, "--as", "csv", "--with-names", "--out", tmp_path / "o")),
    ):
        assert called(*words).code == 0
        with (tmp_path / "o" / name).open("a", encoding="utf-8") as file:
            file.write("\n")
        assert f"note: {name}: not as " in called(*words).err
        assert "not as" not in called(*words).err


def test_the_page_from_recordings_to_a_letter_says_that_letter_or_comparison_is_of_two_runs(tmp_path):
    import msgspec

    from sleepbrux.practice.compared import PAGE, WRITTEN, Written, outdated, written_in
    from sleepbrux.practice.steps import letter_outdated
    from sleepbrux.study.file import load_study
    from tests.core.test_fuzz_texts import STUDY

    written(tmp_path / "letter.pdf", "old")
    assert letter_outdated([], tmp_path) == ""
    (tmp_path / "letter.html").write_text("new", "utf-8")
    assert letter_outdated([], tmp_path).startswith("letter.html: not as letter.pdf.files.json lists")

    (tmp_path / "study.toml").write_bytes(STUDY)
    study = load_study(tmp_path / "study.toml")
    said = {"order": study.order, "baseline": study.baseline, "conditions": []}
    table = msgspec.convert(
        {
            "person": study.pseudonym,
            "primary_outcome": study.primary_outcome,
            "criterion": study.criterion,
            "comparison": said,
        },
        Written,
    )
    page = tmp_path / PAGE
    write_listed({page: "page", tmp_path / WRITTEN: msgspec.json.encode(table)}, page)
    assert written_in(tmp_path) == table
    assert outdated(study, [], tmp_path) == ""
    page.write_text("of another run", "utf-8")
    assert outdated(study, [], tmp_path).startswith(f"{PAGE}: not as ")
