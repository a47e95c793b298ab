"""Power cut before file operations: a slice of `python -m tests.power`, and the least case of what it found."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sleepbrux.analysis.comparison.fixing import fix, load_record, record_path
from sleepbrux.archive.file_sets import write_listed
from sleepbrux.core import files
from sleepbrux.core.errors import StudyError
from sleepbrux.core.files import write_together
from sleepbrux.report.letter import writing
from sleepbrux.report.letter.fields import Fields
from sleepbrux.study.file import load_study
from tests.core.test_fuzz_texts import STUDY
from tests.power.cut import Scenario, content, trial
from tests.power.scenarios import SCENARIOS, sets

NOW = datetime(2026, 3, 2, tzinfo=UTC)
pytestmark = pytest.mark.skipif(os.name != "posix", reason="children are forked")


class PowerCutError(BaseException):
    """The rest is never done."""


@pytest.mark.shows("stale-result")
@pytest.mark.parametrize("name", ["first record", "letter fields", "study of the page"])
def test_after_a_cut_the_next_command_sees_old_or_new(name, tmp_path):
    found = trial(SCENARIOS[name], tmp_path, lose=True)
    assert found.cuts >= 3
    assert not found.wrong
    assert not found.told


def _two(folder: Path, text: str) -> None:
    write_listed(
        {folder / "a.html": text, folder / "b.json": text, folder / "c.csv": text}, folder / "a.html"
    )


@pytest.mark.parametrize("begun", [False, True])
def test_files_that_belong_together_are_old_or_new_or_said_not_to_be(begun, tmp_path):
    scenario = Scenario(
        lambda f: _two(f, "old") if begun else f.mkdir(exist_ok=True), lambda f: _two(f, "new"), sets
    )
    found = trial(scenario, tmp_path, lose=True)
    assert not found.wrong
    assert found.cuts > 15
    assert found.lost > 2
    assert found.told > 2
    assert found.new


def test_a_rename_that_was_lost_is_found_where_nothing_says_so(tmp_path):
    """The trial itself: without a list, a lost rename of one of three files is neither old nor new."""

    def bare(folder, text):
        write_together({folder / name: text for name in ("a", "b", "c")})

    found = trial(Scenario(lambda f: bare(f, "old"), lambda f: bare(f, "new"), content), tmp_path, lose=True)
    assert any("rename 0 lost: neither old nor new" in text for text in found.wrong)


@pytest.fixture
def record(tmp_path):
    (tmp_path / "study.toml").write_bytes(STUDY)
    path = record_path(tmp_path / "study.toml")
    study = load_study(tmp_path / "study.toml")
    fix(path, study, scored=0, now=NOW)
    return path, study


def changed(study):
    import msgspec

    return msgspec.structs.replace(study, primary_outcome="phasic_episodes_per_hour")


@pytest.mark.parametrize("part", [1, 5, 40, -2])
def test_a_line_of_the_record_that_was_never_ended_is_as_if_it_was_never_begun(record, part):
    path, study = record
    whole = path.read_bytes()
    path.write_bytes(whole + whole[:-1][:part])
    assert len(load_record(path).entries) == 1
    fix(path, changed(study), scored=0, now=NOW)
    found = load_record(path)
    assert [e.kind for e in found.entries] == ["fixed", "changed"]
    assert found.broken_at is None


def test_a_record_whose_last_line_lacks_only_its_end_is_whole(record):
    path, study = record
    path.write_bytes(path.read_bytes()[:-1])
    fix(path, changed(study), scored=0, now=NOW)
    assert [e.kind for e in load_record(path).entries] == ["fixed", "changed"]
    assert load_record(path).broken_at is None


def test_what_is_no_line_of_a_record_is_refused_and_not_cut_off(record):
    path, study = record
    path.write_bytes(path.read_bytes() + b"a note by hand")
    with pytest.raises(StudyError, match="line 2 cannot be read"):
        fix(path, changed(study), scored=0, now=NOW)
    assert path.read_bytes().endswith(b"a note by hand")


def test_files_that_belong_together_are_all_old_until_the_last_is_written(tmp_path, monkeypatch):
    together = {tmp_path / name: "old" for name in ("a.csv", "b.json", "c.html")}
    files.write_together(together)
    flush = files._flush

    def cut(path):
        if ".c.html" in path.name:
            raise OSError
        flush(path)

    monkeypatch.setattr(files, "_flush", cut)
    with pytest.raises(OSError):  # noqa: PT011
        files.write_together(dict.fromkeys(together, "new"))
    assert {path.read_text() for path in together} == {"old"}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "b.json", "c.html"]


def test_a_letter_that_was_cut_off_half_way_can_be_written_again(tmp_path, monkeypatch):
    """Its page says whom it is about, so it gets its name before the PDF."""

    class Basis:
        letters = ()

        def pdf(self, *_, **__):
            return b"%PDF"

        def page(self, *_, **__):
            return '<meta name="sleepbrux-letter-about" content="P01">'

    replace = type(tmp_path).replace

    def cut(self, target):
        if str(target).endswith(".pdf"):
            raise PowerCutError
        return replace(self, target)

    target = tmp_path / "letter.pdf"
    monkeypatch.setattr(writing, "letter_about", lambda _: "P01")
    monkeypatch.setattr(type(tmp_path), "replace", cut)
    with pytest.raises(PowerCutError):
        writing.write_letter(Basis(), Fields(), target)
    monkeypatch.setattr(type(tmp_path), "replace", replace)
    writing.write_letter(Basis(), Fields(), target)
    assert target.read_bytes() == b"%PDF"
