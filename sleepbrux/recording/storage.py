"""Recordings in object storage: named by an address, copied to this machine while they are scored.

Every store that fsspec knows will do: ``s3://``, ``gs://``, ``abfs://``, ``sftp://``, ``file://`` and more.
How to get in is said to fsspec, in its own settings or in the environment, never in the address.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.core.files import CLENCHES, safe_stem
from sleepbrux.core.texts import visible

IN_FOLDERS = frozenset({".edf", ".bdf"})
NAMED_ONLY = frozenset({".csv", ".tsv", ".txt", ".asc", ".wav", ".h5", ".hdf5", ".mat", ".xdf"})
IN_PARTS = frozenset({".vhdr", ".ahdr", ".eeg", ".vmrk", ".mff"})
# What stores say of an object that is another once the object is: its digest, else its times.
_DIGESTS = ("etag", "md5hash", "content_md5", "generation")
_TIMES = ("lastmodified", "last_modified", "updated", "mtime", "created")
_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://")


@dataclass(frozen=True)
class Stored:
    """One recording in a store.

    Attributes
    ----------
    address
        Such as ``s3://bucket/nights/n1.edf``.
    folder
        Where it lies below the address that was named.
    version
        Digest over what the store says of it and of its neighbours; empty where that would not show a change.
    beside
        Names of its neighbours that are copied with it.
    """

    address: str
    folder: PurePosixPath
    version: str
    beside: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The recording's file name."""
        return PurePosixPath(self.address).name


def is_address(text: str | Path) -> bool:
    """Whether an input is an address in a store and no path of this machine.

    Examples
    --------
    >>> is_address("s3://bucket/n1.edf"), is_address("nights/n1.edf")
    (True, False)
    """
    return isinstance(text, str) and _ADDRESS.match(text) is not None


def _opened(address: str) -> tuple[Any, str]:
    """The store and the path in it."""
    protocol, _, rest = address.partition("://")
    if "@" in rest.partition("/")[0] or "?" in rest:
        raise UsageError(
            f"an address of {protocol}:// holds an account, a key or a signature, which would be written into the "
            "table of nights; leave it out and set it where fsspec looks for it"
        )
    try:
        import fsspec
    except ImportError as error:
        raise UsageError(
            f"{address!r} needs fsspec, which is not installed; add it with: pip install 'sleepbrux[cloud]'"
        ) from error
    try:
        store, path = fsspec.core.url_to_fs(address)
    except ImportError as error:
        raise UsageError(f"{protocol}:// needs one more package than fsspec: {_one_line(error)}") from error
    except Exception as error:  # stores raise what they like
        raise UsageError(f"{address!r} cannot be opened: {_one_line(error)}") from error
    return store, str(path)


def _one_line(error: Exception) -> str:
    said = visible(" ".join(str(error).split()))[:200].rstrip(".")
    return said or type(error).__name__


@contextlib.contextmanager
def _refusing(address: str) -> Iterator[None]:
    """Whatever the store raises is one sentence."""
    try:
        yield
    except (RecordingError, UsageError):
        raise
    except FileNotFoundError as error:
        raise RecordingError(f"{visible(address)}: nothing lies there; check the address") from error
    except Exception as error:
        raise RecordingError(
            f"{visible(address)}: the store does not give it ({_one_line(error)})"
        ) from error


def _version(infos: Sequence[dict[str, Any]]) -> str:
    """Digest over what a store says of objects; empty where that does not show when one changes."""
    said = []
    for info in infos:
        known = {key.lower(): str(value) for key, value in info.items() if value is not None}
        signs = [known[k] for k in _DIGESTS if k in known][:1] or [known[k] for k in _TIMES if k in known]
        if not signs:
            return ""
        said.append([known.get("size", ""), *signs])
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()


def find(address: str, endings: Sequence[str] = ()) -> tuple[list[Stored], list[tuple[str, str]]]:
    """The recordings at an address, in the order of their names, and what else lies there with the reason.

    In a folder EDF and BDF files count, by their names, since nothing is read; another file is a recording
    where it is named itself.

    Parameters
    ----------
    endings
        Endings of files that lie beside a recording: ``.stages.csv`` for ``n1.stages.csv`` beside ``n1.edf``.

    Raises
    ------
    UsageError
        fsspec or the package for this store is not installed, or the address is none.
    RecordingError
        The store does not answer, or nothing lies there.
    """
    store, top = _opened(address)
    protocol = address.partition("://")[0]
    with _refusing(address):
        alone = store.isfile(top)
        place = str(PurePosixPath(top).parent) if alone else top
        infos = store.find(place, maxdepth=1 if alone else None, detail=True)
        if alone:
            infos.setdefault(top, store.info(top))
        elif not infos:
            raise FileNotFoundError(top)
    above = address.rstrip("/")
    above = address if above.endswith(":") else f"{above}/"  # the whole store, else a folder of it
    found, others = [], []
    for path in [top] if alone else sorted(infos):
        here = PurePosixPath(path)
        inside = _inside(top, path)
        full = address if alone else f"{above}{inside}"
        verdict = _named(here if alone else inside, alone=alone)
        if any(here.name.endswith(ending) for ending in endings) and not alone:
            continue
        if verdict:
            others.append((full, verdict))
            continue
        if not alone and here.suffix.lower() not in IN_FOLDERS:
            continue
        names = [f"{here.name}{CLENCHES}", *(f"{here.stem}{ending}" for ending in endings)]
        beside = tuple(name for name in names if str(here.with_name(name)) in infos)
        with _refusing(full):  # not of the list, which some stores write in another way
            version = _version([store.info(str(here.with_name(n))) for n in (here.name, *beside)])
        folder = PurePosixPath() if alone else inside.parent
        found.append(Stored(full if "://" in full else f"{protocol}://{full}", folder, version, beside))
    return found, others


def _inside(top: str, path: str) -> PurePosixPath:
    """A path below another one; stores begin them with or without ``/``."""
    return PurePosixPath("/", path.lstrip("/")).relative_to("/" + top.strip("/"))


def _named(path: PurePosixPath, *, alone: bool) -> str:
    """Why a file of a store is not scored; empty where it is, or where nobody would ask."""
    suffix = path.suffix.lower()
    if suffix in IN_PARTS and (alone or suffix == ".vhdr"):
        return "a recording of several files is read from this machine only; copy all of them into a folder"
    if alone:
        if suffix == ".toml":
            return "a study file is read from this machine only; copy it and its recordings into a folder"
        return ""
    if suffix in IN_FOLDERS:
        return _unfit(path)
    if suffix in NAMED_ONLY and not path.name.endswith(".night.h5"):
        return "in a folder of a store only EDF and BDF files are looked for; name it to have it scored"
    return ""


def _unfit(path: PurePosixPath) -> str:
    """Why a recording in a folder is passed over; empty where it is not."""
    if any(part.startswith(".") for part in path.parts):
        return "it is hidden; name it to have it scored"
    if "?" in str(path):
        return "its name holds a question mark, behind which an address holds a signature; rename it"
    return ""


@contextlib.contextmanager
def fetched(stored: Stored) -> Iterator[Path]:
    """A copy of the recording and of its neighbours on this machine, gone afterwards.

    Raises
    ------
    RecordingError
        The store does not give it, or gives another one than was planned.
    """
    store, path = _opened(stored.address)
    here = PurePosixPath(path)
    with tempfile.TemporaryDirectory(prefix="sleepbrux-") as folder:
        own = Path(folder) / f"{safe_stem(here.stem)}{here.suffix}"
        with _refusing(stored.address):
            names = (here.name, *stored.beside)
            parts = [(here.with_name(n), own.with_name(own.stem + n.removeprefix(here.stem))) for n in names]
            infos = [store.info(str(source)) for source, _ in parts]
            for source, target in parts:
                store.get_file(str(source), str(target))
        _check(stored, infos, [target for _, target in parts])
        yield own


def _check(stored: Stored, infos: Sequence[dict[str, Any]], copies: Sequence[Path]) -> None:
    for info, copy in zip(infos, copies, strict=True):
        size = info.get("size")
        if size is not None and copy.stat().st_size != size:
            raise RecordingError(
                f"{visible(stored.address)}: {copy.stat().st_size} of {size} bytes came; run again"
            )
    if stored.version != _version(infos):
        raise RecordingError(f"{visible(stored.address)}: it changed since the nights were listed; run again")
