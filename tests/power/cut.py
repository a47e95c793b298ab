"""A process that ends before its n-th file operation; what was not yet flushed is half written, or never renamed."""

from __future__ import annotations

import contextlib
import math
import os
import pickle
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

OPERATIONS = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "os.link", "os.symlink"}
ENDED, NONE_LEFT = 87, 88
# what a dead process leaves and the next one passes over or clears
PASSED_OVER = (".partial", ".lock")
KEPT = ".kept-"  # a copy of what a journal held before it was mended, on purpose


@dataclass
class _Cut:
    """Counts file operations inside a folder; ends the process before the n-th."""

    folder: str
    at: int
    seen: int = 0
    kept: dict[str, int] = field(default_factory=dict)  # bytes that were there when a file was opened
    lose: int | None = None  # which of the renames whose folder is not flushed yet is undone
    renamed: list[tuple[Path, Path, bytes | None]] = field(default_factory=list)  # from, to, what it replaced

    def count(self) -> None:
        self.seen += 1
        if self.seen == self.at:
            if self.lose is not None:
                self.at = -1
                self.undo(self.lose)
            os._exit(ENDED)

    def undo(self, k: int) -> None:
        """As if one rename had never reached the disk."""
        if k >= len(self.renamed):
            os._exit(NONE_LEFT)
        source, target, before = self.renamed[k]
        target.rename(source)
        if before is not None:
            target.write_bytes(before)

    def note(self, source: Path, target: Path) -> None:
        """A rename that is done next."""
        if self.lose is not None:
            self.renamed.append((source, target, target.read_bytes() if target.is_file() else None))

    def flushed(self, folder: str) -> None:
        """The names in a folder are on disk."""
        self.renamed = [one for one in self.renamed if str(one[1].parent) != folder]

    def audit(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open":
            path, _, flags = (*arguments, None, None, None)[:3]
            writes = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC)
            if writes and isinstance(path, str | bytes) and os.fsdecode(path).startswith(self.folder):
                self.count()
                if not flags & os.O_TRUNC:
                    with contextlib.suppress(OSError):
                        self.kept[os.fsdecode(path)] = os.path.getsize(path)  # noqa: PTH202
        elif event in OPERATIONS and any(
            isinstance(a, str | bytes | os.PathLike) and os.fspath(a).startswith(self.folder)
            for a in arguments[:2]
        ):
            self.count()
            if event == "os.rename":
                self.note(Path(os.fsdecode(arguments[0])), Path(os.fsdecode(arguments[1])))


def _hooked(cut: _Cut) -> None:
    """Count in this process, for good: it is a child made for it."""
    sys.addaudithook(cut.audit)
    fsync, write, ftruncate = os.fsync, os.write, os.ftruncate

    def torn_fsync(descriptor: int) -> None:
        if cut.seen + 1 == cut.at:
            with contextlib.suppress(OSError):
                size = os.fstat(descriptor).st_size
                before = cut.kept.get(os.readlink(f"/proc/self/fd/{descriptor}"), 0)  # noqa: PTH115
                if size > before:
                    ftruncate(descriptor, before + (size - before) // 2)
        cut.count()
        fsync(descriptor)
        with contextlib.suppress(OSError):
            cut.flushed(os.readlink(f"/proc/self/fd/{descriptor}"))  # noqa: PTH115

    def half_write(descriptor: int, data: Any) -> int:
        if cut.seen + 1 == cut.at:
            write(descriptor, data[: len(data) // 2])
        cut.count()
        return write(descriptor, data)

    def counted_truncate(descriptor: int, size: int) -> None:
        cut.count()
        ftruncate(descriptor, size)

    os.fsync, os.write, os.ftruncate = torn_fsync, half_write, counted_truncate  # type: ignore[assignment]


def in_child(work: Callable[[], Any], cut: _Cut | None = None) -> tuple[int, Any]:
    """Run in a forked child: its exit code, and what it returned or raised."""
    with tempfile.TemporaryDirectory() as name:
        answer = Path(name) / "answer"
        child = os.fork()
        if child == 0:
            code = 1
            try:
                with contextlib.suppress(AttributeError):
                    sys.stdout.flush()
                if cut is not None:
                    _hooked(cut)
                try:
                    said: Any = work()
                    code = 0
                except Exception as error:
                    said = f"{type(error).__name__}: {error}"
                if cut is not None:
                    cut.at = -1
                    said = (said, cut.seen)
                answer.write_bytes(pickle.dumps(said))
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        said = pickle.loads(answer.read_bytes()) if answer.is_file() else None
        return os.waitstatus_to_exitcode(status), said


def content(folder: Path) -> dict[str, bytes]:
    """What a folder holds, without what a dead process left that is passed over."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not (path.name.startswith(".") and path.name.endswith(PASSED_OVER))
    }


@dataclass(frozen=True)
class Scenario:
    """Something that writes.

    Attributes
    ----------
    begin
        Makes the folder as it stands before.
    act
        Writes.
    look
        What the next command sees: a value that can be compared; refused in one sentence is a `str` that
        begins with the error's name.
    """

    begin: Callable[[Path], None]
    act: Callable[[Path], None]
    look: Callable[[Path], Any]


@dataclass
class Found:
    """How many cuts ended how: the next command saw ``old``, ``new``, was ``told``, or else.

    ``lost`` of the cuts undid a rename, too.
    """

    cuts: int = 0
    lost: int = 0
    last: int = 0  # operation that was cut last, of so many
    operations: int = 0
    old: int = 0
    new: int = 0
    told: int = 0
    wrong: list[str] = field(default_factory=list)


@contextlib.contextmanager
def _copy(folder: Path) -> Iterator[Path]:
    """The folder under its own path, put back afterwards."""
    kept = folder.with_name(folder.name + ".kept")
    shutil.copytree(folder, kept)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)
        kept.rename(folder)


def trial(
    scenario: Scenario,
    home: Path,
    *,
    most: int | None = None,
    step: int = 1,
    lose: bool = False,
    minutes: float = math.inf,
) -> Found:
    """Cut a scenario before each of its file operations, look, and do it again.

    Parameters
    ----------
    lose
        Cut also with each one of the renames undone whose folder was not flushed yet: a file system may put a later
        one on disk first.
    minutes
        After which no further operation is cut.
    """
    until = time.monotonic() + 60 * minutes
    folder = home / "f"
    folder.mkdir()
    code, said = in_child(lambda: scenario.begin(folder))
    assert code == 0, said
    look = lambda: scenario.look(folder)  # noqa: E731
    old = in_child(look)
    with _copy(folder):
        code, said = in_child(lambda: scenario.act(folder), _Cut(str(folder), 0))
        assert code == 0, said
        operations = said[1]
        ends = _Ends(old, in_child(look), set(content(folder)))
    assert ends.old != ends.new, "the act changes nothing that is seen"
    assert ends.old[0] == ends.new[0] == 0, ends
    found = Found(operations=operations)
    for at in range(1, min(operations, most or operations) + 1, step):
        if time.monotonic() > until:
            break
        found.last = at
        if _tried(scenario, folder, ends, found, _Cut(str(folder), at)) == 0:
            break
        lost = 0
        while lose and _tried(scenario, folder, ends, found, _Cut(str(folder), at, lose=lost)) == ENDED:
            lost += 1
    return found


@dataclass(frozen=True)
class _Ends:
    """What is seen before and after, and the names of the files then."""

    old: Any
    new: Any
    names: set[str]


def _tried(scenario: Scenario, folder: Path, ends: _Ends, found: Found, cut: _Cut) -> int:
    """Cut once, look, do it again and count; how the child ended."""
    where = f"cut {cut.at}" if cut.lose is None else f"cut {cut.at}, rename {cut.lose} lost"
    with _copy(folder):
        code, said = in_child(lambda: scenario.act(folder), cut)
        if code != ENDED:
            assert code in {0, NONE_LEFT}, (where, code, said)
            return code
        found.cuts += 1
        found.lost += cut.lose is not None
        seen = in_child(lambda: scenario.look(folder))
        if seen == ends.old:
            found.old += 1
        elif seen == ends.new:
            found.new += 1
        elif seen[0] == 1 and str(seen[1]).partition(":")[0].endswith("Error") and "\n" not in seen[1]:
            found.told += 1
        else:
            found.wrong.append(f"{where}: neither old nor new: {str(seen)[:300]}")
        again_code, said = in_child(lambda: scenario.act(folder))
        again = in_child(lambda: scenario.look(folder))
        if again_code or again != ends.new:
            found.wrong.append(f"{where}: done again it is not as new: {str(said or again)[:300]}")
        elif extra := {name for name in content(folder) if KEPT not in name} - ends.names:
            found.wrong.append(f"{where}: left behind for good: {sorted(extra)[:4]}")
    return ENDED
