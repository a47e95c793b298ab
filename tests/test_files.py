"""Writing that loses nothing: what stands under a final name is whole, and what failed leaves no trace."""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path

import pytest

from sleepbrux.errors import StudyError
from sleepbrux.files import (
    read_cells,
    read_text,
    replacing,
    safe_stem,
    settling,
    toml_table,
    write_text,
)
from sleepbrux.texts import printable, visible

flushes_folders = pytest.mark.skipif(os.name != "posix", reason="folders are flushed on POSIX only")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def write_three(folder: Path) -> None:
    with settling() as settle:
        for name in "abc":
            write_text(folder / name, name, settle)


def test_a_block_that_fails_leaves_the_old_file_and_no_other(tmp_path: Path) -> None:
    def fails_half_way() -> None:
        with replacing(tmp_path / "a") as temporary:
            temporary.write_text("new")
            raise ValueError("half way")

    write_text(tmp_path / "a", "old")
    with pytest.raises(ValueError, match="half way"):
        fails_half_way()
    assert (tmp_path / "a").read_text() == "old"
    assert names(tmp_path) == ["a"]


@flushes_folders
def test_files_are_settled_in_order_while_the_block_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on, flush, began = threading.Event(), os.fsync, []

    def held(descriptor: int) -> None:
        began.append(names(tmp_path))
        assert go_on.wait(20)
        flush(descriptor)

    monkeypatch.setattr("sleepbrux.files.os.fsync", held)
    with settling() as settle:
        for name in "abc":
            write_text(tmp_path / name, name, settle)
        assert not {"a", "b", "c"} & set(names(tmp_path))  # written, none under its name yet
        go_on.set()
    assert names(tmp_path) == ["a", "b", "c"]
    finals = [[n for n in seen if len(n) == 1] for seen in began]
    assert finals == [[], ["a"], ["a"], ["a", "b"], ["a", "b"], ["a", "b", "c"]]


@flushes_folders
def test_behind_a_file_that_cannot_be_flushed_none_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flush, count = os.fsync, []

    def full(descriptor: int) -> None:
        count.append(descriptor)
        if len(count) == 3:  # file and folder of the first, then the second file
            raise OSError(28, "No space left on device")
        flush(descriptor)

    monkeypatch.setattr("sleepbrux.files.os.fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_three(tmp_path)
    assert names(tmp_path) == ["a"]


def test_a_block_that_fails_after_some_files_keeps_those_and_raises(tmp_path: Path) -> None:
    def fails_later() -> None:
        with settling() as settle:
            write_text(tmp_path / "a", "whole", settle)
            raise ValueError("later")

    with pytest.raises(ValueError, match="later"):
        fails_later()
    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_text() == "whole"


TOML = {
    "a = [" * 4000: "not valid TOML|more than 16 deep",
    "a = " + "[" * 4000: "more than 16 deep",
    "a = " + "{b = " * 4000: "more than 16 deep|not valid TOML",
    "a." * 4000 + "b = 1": "more than 16 deep",
    "a = " + "9" * 5000: "too many digits",
    "[x]\na = [1.0, nan]": r"x\.a\[1\] is nan; write a finite number",
    "a = -inf": "a is -inf; write a finite number",
    '[x]\na = ["fine", "P\\u001b[2J"]': r"x\.a\[1\] holds the control character \\u001b; leave it out",
    '[x]\n"k\\u0000" = 1': r"x holds the control character \\u0000",
    'a = "one\\ntwo"': r"a holds the control character \\u000a",
    "a = \x00": "not valid TOML",
}


@pytest.mark.parametrize(("text", "words"), TOML.items(), ids=range(len(TOML)))
def test_odd_toml_ends_in_one_sentence(text: str, words: str) -> None:
    with pytest.raises(StudyError, match=rf"^s\.toml: .*({words})") as caught:
        toml_table(text, "s.toml", StudyError, ("note",))
    assert str(caught.value).isprintable()


def test_a_text_that_may_have_several_lines_keeps_them() -> None:
    text = '[[night]]\nnote = "one\\n\\ttwo"\nplain = "µV \\u200f"'
    assert toml_table(text, "s.toml", StudyError, ("note",)) == {
        "night": [{"note": "one\n\ttwo", "plain": "µV \u200f"}]
    }


def test_a_text_larger_than_any_study_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    with path.open("wb") as handle:
        handle.truncate(1 << 40)
    with pytest.raises(StudyError, match="larger than 1 MiB"):
        read_text(path, StudyError, "study file (TOML)")


def test_a_cell_longer_than_any_reader_takes_is_named_by_its_line(tmp_path: Path) -> None:
    path = tmp_path / "nights.csv"
    path.write_text("night,condition\na,none\n" + "x" * 200_000 + ",none\n", "utf-8")
    with pytest.raises(StudyError, match=r"^nights\.csv: line 3: field larger than"):
        read_cells(path, StudyError)


def test_names_of_files_stay_short_enough_for_every_ending() -> None:
    for name in ("ä" * 120, "夜" * 120, "🦷" * 120, "n" * 300):
        stem = safe_stem(name)
        assert len(f".{stem}.reviewed.channel_bursts.csv.12345678.partial".encode()) <= 255
        assert name.startswith(stem)


UNSEEN = ["\x00", "\x07", "\x1b", "\x7f", "\x85", "\x9b", "\u200b", "\u200e", "\u202e", "\u2028", "\u2066",
          "\ufeff", "\U000e0041", "\ud800", "\udcff", "\n", "\r", "\t"]  # fmt: skip


@pytest.mark.parametrize("sign", UNSEEN, ids=[f"{ord(s):x}" for s in UNSEEN])
def test_what_cannot_be_seen_is_written_out(sign: str) -> None:
    shown = visible(f"P{sign}01")
    assert shown.isprintable()
    assert shown.startswith("P\\")
    assert shown.endswith("01")
    assert visible(shown) == shown
    assert printable(f"P{sign}01{sign}") == "P 01"
    assert sign not in safe_stem(f"P{sign}01")
    assert str(StudyError(f"P{sign}01")) == shown


def test_what_can_be_seen_stays() -> None:
    text = "µV – 12\u00a0h 10\u202f% Åsa 夜 שלום 🦷 \\x1b"
    assert visible(text) == text


def test_a_json_text_stays_one_with_the_same_values() -> None:
    value = {"name": "P\x9b\u202e\x7f\U000e0041\u2028"}
    text = json.dumps(value, ensure_ascii=False, indent=1)
    shown = visible(text, keep="\n")
    assert json.loads(shown) == value
    assert shown.replace("\n", "").isprintable()
