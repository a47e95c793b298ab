"""Writing that loses nothing: what stands under a final name is whole, and what failed leaves no trace."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from sleepbrux.files import replacing, settling, write_text

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
