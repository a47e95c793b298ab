"""Files beside those of a night that belong together: a study's page and tables, a letter, an agreement, an export.

``LEAD.files.json`` stands beside the file ``LEAD`` and is written last, as `archive.manifest` does for a night. A set
that is half of one run and half of another shows in sizes and digests.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import msgspec
from msgspec import Struct

from sleepbrux.archive.manifest import LIST, Listed, listed
from sleepbrux.core.files import LARGEST_TABLE_BYTES, Settle, changing, replacing, settling, write_text
from sleepbrux.core.json_text import SOFTWARE, json_text

FORMAT = "sleepbrux files that belong together"
SCHEMA_VERSION = "1.0"
EXPORTED = "exported"
"""What the list of an export is called after: none of its files leads the others."""
DUE = Listed(0, "")
"""A file that was begun and not ended; of a folder that stands all that is listed."""
_LEADS = (".html", ".pdf")


class FileSet(Struct, frozen=True, kw_only=True):
    """The files of a set by name."""

    format: str = FORMAT
    schema_version: str = SCHEMA_VERSION
    software: dict[str, str] = {}
    files: dict[str, Listed]


def load_set(where: Path) -> dict[str, Listed] | None:
    """The files in a list; None where there is no list of a set that can be read."""
    try:
        with where.open("rb") as handle:
            found = msgspec.json.decode(handle.read(LARGEST_TABLE_BYTES), type=FileSet)
    except (OSError, msgspec.MsgspecError):
        return None
    whole = found.format == FORMAT and found.schema_version[:2] == SCHEMA_VERSION[:2]
    return found.files if whole else None


def list_of(lead: Path) -> Path:
    """Where the list of a set stands."""
    return lead.with_name(lead.name + LIST)


@contextmanager
def listing(lead: Path, names: Collection[str], *, last: Sequence[str] = ()) -> Iterator[Settle]:
    """`core.files.settling` for files of one folder, with a list of them that gets its name last.

    A list that lacks one of them is written anew first, in which that one is due: so a first run that is cut off
    shows too. Files of earlier runs into the same list stay in it as long as they are there.

    Parameters
    ----------
    lead
        The file that the list is called after; its folder holds all of them.
    names
        Of all that are written; one that is never settled, such as a folder that gets its name later, stays due.
    last
        Endings of those that get their names last.
    """
    where, folder = list_of(lead), lead.parent
    new: dict[str, Listed] = {}

    def known() -> dict[str, Listed]:
        return {name: one for name, one in (load_set(where) or {}).items() if (folder / name).exists()}

    def now(name: str) -> Listed:
        return listed(folder / name) if (folder / name).is_file() else DUE

    with changing(folder):
        before, earlier = known(), where.read_bytes() if where.is_file() else None
        if begun := [name for name in names if name not in before]:
            write_text(where, _text(before | {name: now(name) for name in begun}))
    with ExitStack() as held, settling(last=(*last, where.name)) as settle:

        def noted(temporary: Path, path: Path) -> None:
            new[path.name] = listed(temporary, path.name)
            settle(temporary, path)

        try:
            yield noted
        except BaseException:
            if begun:
                _put_back(where, earlier)
            raise
        held.enter_context(changing(folder))
        due = {name: DUE for name in names if name not in new}
        write_text(where, _text({**known(), **due, **new}), settle)


def _text(files: dict[str, Listed]) -> str:
    return json_text(FileSet(software=SOFTWARE, files=files))


def _put_back(where: Path, earlier: bytes | None) -> None:
    if earlier is None:
        where.unlink(missing_ok=True)
        return
    with replacing(where) as temporary:
        temporary.write_bytes(earlier)


def write_listed(files: Mapping[Path, str | bytes], lead: Path, *, last: Sequence[str] = ()) -> None:
    """Write files of one folder together, and the list of them that is called after ``lead``.

    Parameters
    ----------
    files
        Content of each file; a text is written in UTF-8 with line feeds.
    last
        Endings of those that get their names last.
    """
    with listing(lead, [path.name for path in files], last=last) as settle:
        for path, content in files.items():
            with replacing(path, settle) as temporary:
                temporary.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def set_doubts(lead: Path) -> str:
    """What is wrong with a set, in one sentence; empty where its files are as listed, or no list says.

    A file that was taken away is no matter.
    """
    where = list_of(lead)
    files = load_set(where)
    if files is None:
        return (
            f"{where.name}: not a list of files that can be read; write them again" if where.exists() else ""
        )
    changed = [name for name, one in files.items() if not _is_as_listed(lead.parent / name, one)]
    if not changed:
        return ""
    shown = ", ".join(changed[:4]) + (f" and {len(changed) - 4} more" if len(changed) > 4 else "")
    return (
        f"{shown}: not as {where.name} lists, so the files that it lists are of two runs or were changed since; write "
        "them again"
    )


def _is_as_listed(path: Path, one: Listed) -> bool:
    if one == DUE:
        return path.is_dir()
    try:
        return listed(path) == one
    except FileNotFoundError:
        return True
    except OSError:
        return False


def folder_doubts(folder: Path) -> tuple[str, ...]:
    """What is wrong with the sets in a folder, one sentence each."""
    try:
        names = sorted(path.name for path in folder.iterdir() if path.name.endswith(LIST))
    except OSError:
        return ()
    leads = [name.removesuffix(LIST) for name in names]
    sets = [lead for lead in leads if lead.endswith(_LEADS) or lead == EXPORTED]
    return tuple(filter(None, (set_doubts(folder / lead) for lead in sets)))
