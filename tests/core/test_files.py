"""Writing that loses nothing: what stands under a final name is whole, and what failed leaves no trace."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from sleepbrux.core import files
from sleepbrux.core.errors import StudyError, UsageError
from sleepbrux.core.files import (
    changing,
    clear_abandoned,
    own_stem,
    read_cells,
    read_text,
    replacing,
    safe_stem,
    settling,
    toml_table,
    write_text,
)
from sleepbrux.core.texts import printable, visible

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

    monkeypatch.setattr("sleepbrux.core.files.os.fsync", held)
    with settling() as settle:
        for name in "abc":
            write_text(tmp_path / name, name, settle)
        assert not {"a", "b", "c"} & set(names(tmp_path))  # written, none under its name yet
        go_on.set()
    assert names(tmp_path) == ["a", "b", "c"]
    finals = [[n for n in seen if len(n) == 1] for seen in began]
    # three files on disk, then two names, then those on disk, then the last name, then that on disk
    assert finals == [[], [], [], ["a", "b"], ["a", "b", "c"]]


@flushes_folders
def test_where_one_of_the_files_cannot_be_flushed_none_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flush, count = os.fsync, []

    def full(descriptor: int) -> None:
        count.append(descriptor)
        if len(count) == 3:  # the third file; two are on disk
            raise OSError(28, "No space left on device")
        flush(descriptor)

    monkeypatch.setattr("sleepbrux.core.files.os.fsync", full)
    write_text(tmp_path / "a", "old")
    count.clear()
    with pytest.raises(OSError, match="No space left"):
        write_three(tmp_path)
    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_text() == "old"


def test_a_block_that_fails_after_some_files_leaves_every_earlier_one(tmp_path: Path) -> None:
    def fails_later() -> None:
        with settling() as settle:
            write_text(tmp_path / "a", "new", settle)
            write_text(tmp_path / "b", "new", settle)
            raise ValueError("later")

    write_text(tmp_path / "a", "old")
    with pytest.raises(ValueError, match="later"):
        fails_later()
    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_text() == "old"


def test_a_folder_under_one_of_the_names_is_seen_before_any_file_gets_its_own(
    tmp_path: Path,
) -> None:
    (tmp_path / "b").mkdir()
    with pytest.raises(IsADirectoryError):
        write_three(tmp_path)
    assert names(tmp_path) == ["b"]


def test_those_that_come_last_come_in_their_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order, rename = [], Path.replace

    def noted(self: Path, target: Path) -> Path:
        order.append(target.name)
        return rename(self, target)

    monkeypatch.setattr(Path, "replace", noted)
    with settling(last=(".y", ".z")) as settle:
        for name in ("1.z", "2.y", "3.a", "4.b"):
            write_text(tmp_path / name, name, settle)
    assert order == ["3.a", "4.b", "2.y", "1.z"]


def test_a_folder_is_held_by_one_at_a_time_and_no_file_is_left(tmp_path: Path) -> None:
    with changing(tmp_path):
        assert names(tmp_path) == []
        with pytest.raises(UsageError, match="another run is writing"), changing(tmp_path, 0.1):
            pass
    with changing(tmp_path, 0.1):
        pass
    assert names(tmp_path) == []


def test_a_folder_is_let_go_by_a_process_that_is_killed(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom sleepbrux.core.files import changing\n"
        "with changing(Path(sys.argv[1])):\n print('held', flush=True)\n time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, tmp_path], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        with pytest.raises(UsageError), changing(tmp_path, 0.1):
            pass
        process.kill()
        process.wait()
    with changing(tmp_path, 5):
        pass


WRITER = (
    "import sys, time\nfrom pathlib import Path\nfrom sleepbrux.core.files import replacing\n"
    "with replacing(Path(sys.argv[1])) as temporary:\n"
    " temporary.write_text('half'); print('written', flush=True); time.sleep(60)"
)


def test_what_a_killed_run_left_half_written_is_cleared_by_the_next_and_nothing_of_a_live_one(
    tmp_path: Path,
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, tmp_path / "a"], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        (half,) = tmp_path.iterdir()
        clear_abandoned(tmp_path)
        assert half.read_text() == "half"
        process.kill()
        process.wait()
    assert half.exists()
    files._looked_through.discard(tmp_path)  # as in a new process
    write_text(tmp_path / "b", "whole")
    assert names(tmp_path) == ["b"]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="the state of a process is read from /proc")
def test_a_killed_run_that_its_starter_has_not_taken_note_of_is_gone(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, tmp_path / "a"], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        (half,) = tmp_path.iterdir()
        assert files.is_written(half) is True
        process.kill()
        os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)  # dead, its number still taken
        assert files.is_written(half) is False


def test_a_temporary_file_of_which_nothing_is_known_is_cleared_after_a_day(tmp_path: Path) -> None:
    for name in (".a.0123abcd.partial", ".a.00000000-1-0011223344556677.partial"):
        unknown = tmp_path / name
        unknown.write_text("half")
        clear_abandoned(tmp_path)
        assert unknown.exists()
        os.utime(unknown, (time.time() - 90_000,) * 2)
        clear_abandoned(tmp_path)
        assert not unknown.exists()


def test_no_two_names_have_one_stem() -> None:
    ids = [
        "n:1",
        "n/1",
        "n_1",
        "n\\1",
        "n?1",
        "n_1~c96504c8",
        "n_1.",
        " n_1",
        "nul",
        "NUL_",
        "night 1",
    ]
    assert len({own_stem(name).casefold() for name in ids}) == len(ids)
    assert own_stem("night 1") == "night 1"


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
@pytest.mark.shows("hostile-file")
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


UNSEEN = [
    "\x00",
    "\x07",
    "\x1b",
    "\x7f",
    "\x85",
    "\x9b",
    "\u200b",
    "\u200e",
    "\u202e",
    "\u2028",
    "\u2066",
    "\ufeff",
    "\U000e0041",
    "\ud800",
    "\udcff",
    "\n",
    "\r",
    "\t",
]


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
