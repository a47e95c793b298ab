"""A night to and from one HDF5 file, exactly.

The file is written once to a temporary name, sealed with check sums at its end (`files.seal`), flushed
and renamed; one that is not as it was written is refused before HDF5 sees it.

Frames lie uncompressed: packing
them halves the file but costs more time than all the scoring (DEVELOPERS.md has the figures).
Layout, told at length in ``docs/archive.md``::

    /                    attributes format, schema_version, software, start, duration_s
    /header              one JSON text: recording, criterion, reference, window, notes, measures
    /frames/0/energy     float32 (n_frames,), rectified the same; stats float64 (n_blocks, 15)
    /bursts/0/...        one column a data set: bursts of channel 0, then /merged, /episodes
    /quality/0/...       usable, clipped, each fault, doubt, repair: int64 (n_spans, 2), in frames
    /selection/...       window, valid, positions of the events that count
    /traces/...          filtered signal around episodes, lowest and highest each 20 ms; may be absent
    /labels/...          what surrounds each episode, one column a data set
    /surroundings/...    heart, wake_probability (each 30 s), wake_estimate, sound, position, stages,
                         activity_channels/0...
    /tables/..., /spans/...  the same for other software (`sleepbrux.archive.tables`); not read back
"""

from __future__ import annotations

import errno
import math
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from functools import reduce
from io import FileIO
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sleepbrux.archive.coherence import IncoherentError, check_night
from sleepbrux.archive.earlier import present_groups, present_header
from sleepbrux.archive.identity import Identity, identity_of
from sleepbrux.archive.layout import (
    EARLIER,
    FORMAT,
    SCHEMA_VERSION,
    Header,
    array_names,
    from_text,
    get_surroundings,
    get_value,
    read_arrays,
)
from sleepbrux.archive.manifest import check_archive, check_identity, listed_identity
from sleepbrux.archive.writing import write_night
from sleepbrux.core.arguments import CALL, NONE, PATH, check, of
from sleepbrux.core.errors import ArchiveError, Note, RecordingError
from sleepbrux.core.files import Settle, is_sealed, replacing, seal, settle_now
from sleepbrux.core.provenance import METHOD
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.hdf5_client import ask
from sleepbrux.scoring.bursts import Bursts
from sleepbrux.scoring.context.model import Labels
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.measures import Selection
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.signal.extremes import Extremes
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.signal.swept import Swept

SPARE_BYTES = 4_000_000
_MOST_READS = 3
# Said of an archive of an earlier method, whatever is made from it.
EARLIER_METHOD = Note(
    "archived-by-earlier-method",
    "warning",
    "this archive is from an earlier version, which found the time that is left out in another way and named "
    "no doubtful activity; in the first versions lost time ended an episode however short it was. What stands "
    "in it was counted so; what is counted from it by other rules is not. Score the recording again before "
    "comparing it with other nights",
)


def _check_space(night: Night, temporary: Path, path: Path) -> None:
    """Take the space that the frames need and give it back, before HDF5 writes.

    HDF5 does not survive a disk that fills while it closes a file: the process ends.
    """
    if not hasattr(os, "posix_fallocate"):
        return
    needed = sum(a.nbytes for f in night.swept.frames for a in (f.energy, f.rectified, f.stats))
    with temporary.open("wb") as file:
        try:
            os.posix_fallocate(file.fileno(), 0, needed + SPARE_BYTES)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                raise OSError(error.errno, error.strerror, path.name) from error


@contextmanager
def _plain_errors(path: Path) -> Iterator[None]:
    """What HDF5 says of a failed write, with its cause and without the folder."""
    try:
        yield
    except (OSError, RuntimeError) as error:
        found = re.search(r"errno = (\d+)", str(error))
        if found is None:
            raise
        raise OSError(int(found[1]), os.strerror(int(found[1])), path.name) from error


def save_night(night: Night, path: str | Path, *, settle: Settle | None = None) -> None:
    """Write a night's archive; an existing file is replaced only when the new one is whole.

    An archive holds the automatic scoring only; what a reader changed is in its journal.

    Parameters
    ----------
    night, path
        What is written, and where.
    settle
        Flushes the written file and gives it its name; by default at once.

    Raises
    ------
    ArchiveError
        A reviewed night, too little room, or a place that cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sb.save_night(night, f"{folder}/n1.night.h5")
    ...     sb.load_night(f"{folder}/n1.night.h5").measures == night.measures
    True
    """
    check(night=(night, of(Night)), path=(path, PATH), settle=(settle, NONE | CALL))
    import h5py

    if night.review is not None:
        raise ArchiveError(f"{Path(path).name}: a reviewed night is not archived, its journal is")
    path = Path(path)
    with _plain_errors(path), replacing(path, settle or settle_now) as temporary:
        _check_space(night, temporary, path)
        with h5py.File(temporary, "w") as file:
            write_night(night, file)
        seal(temporary)


def load_night(path: str | Path) -> Night:
    """Read a night's archive: the very night that was saved.

    Parameters
    ----------
    path
        A file that ends in ``.night.h5``.

    Returns
    -------
    Night

    Raises
    ------
    ArchiveError
        Not an archive of a night, damaged, of a newer major schema, or another than the list of the night's
        files that belong to it says.

    Examples
    --------
    >>> import tempfile
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sb.save_night(night, f"{folder}/n1.night.h5")
    ...     len(sb.load_night(f"{folder}/n1.night.h5").to_frame("episodes")) == len(night.to_frame("episodes"))
    True
    """
    check(path=(path, PATH))
    path = Path(path)
    try:
        _check_seal(path)
        check_archive(path)
        file = _read_whole(path)
        _check_version(file, path)
        with np.errstate(all="ignore"):
            night = _night(file)
            check_night(night)
        check_identity(path, identity_of(night))
        return night
    except ArchiveError:
        raise
    except FileNotFoundError as error:
        raise ArchiveError(f"{path.name}: there is no such file") from error
    except IsADirectoryError as error:
        raise ArchiveError(f"{path.name}: this is a folder; name an archive in it") from error
    except IncoherentError as error:
        raise ArchiveError(
            f"{path.name}: not a readable night archive, for {error}; score the recording again"
        ) from error
    except (
        OSError,
        LookupError,
        ValueError,
        TypeError,
        AttributeError,
        ArithmeticError,
        RecursionError,
        msgspec.MsgspecError,
    ) as error:
        raise ArchiveError(f"{path.name}: not a readable night archive; score the recording again") from error


class _Who(msgspec.Struct, frozen=True):
    """The part of the header that says whose night it is."""

    digest: str
    about: tuple[tuple[str, str], ...] = ()


def load_identity(path: str | Path) -> Identity:
    """Whose night an archive is of, without reading the night; by the list beside it if that lists it.

    Raises
    ------
    ArchiveError
        Not a whole archive of a night.
    """
    path = Path(path)
    try:
        if (known := listed_identity(path)) is not None:
            return known
        _check_seal(path)
        who = msgspec.json.decode(_read_whole(path)["header"][()].tobytes(), type=_Who)
    except ArchiveError:
        raise
    except (OSError, LookupError, ValueError, TypeError, RecordingError, msgspec.MsgspecError) as error:
        raise ArchiveError(f"{path.name}: not a readable night archive") from error
    about = dict(who.about)
    return Identity(
        about.get("person", about.get("pseudonym", "")),
        about.get("study_sha256", ""),
        about.get("study_id", ""),
        about.get("night", ""),
        who.digest,
    )


class _Group(dict[str, Any]):
    """A group of an HDF5 file in memory: groups and arrays by name or path, and attributes."""

    def __init__(self, attrs: dict[str, Any]) -> None:
        super().__init__()
        self.attrs = attrs

    def __getitem__(self, path: str) -> Any:
        """What lies at a path below."""
        first, _, rest = path.partition("/")
        item = super().__getitem__(first)
        return item[rest] if rest else item


def _read_whole(path: Path) -> _Group:
    """All that a file holds, read by the process that reads HDF5 files of unknown origin.

    The HDF5 library can loop without end over a file, and a check sum can be made anew by anybody.
    """
    for _ in range(_MOST_READS):
        before = path.stat()
        answer, parts = ask(path, "archive", Findings(path))
        shapes = {name: shape for name, shape in answer["sets"] if name in answer["places"]}
        with path.open("rb", buffering=0) as file:
            if _state(os.fstat(file.fileno())) == _state(before):  # else part of one, part of another night
                return _assembled(answer, parts, _large(file, shapes, answer["places"]))
    raise ArchiveError(
        f"{path.name}: it was replaced each time that it was read; wait until scoring has ended"
    )


def _state(seen: os.stat_result) -> tuple[int, ...]:
    return (seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns)


def _assembled(answer: dict[str, Any], parts: list[NDArray[Any]], large: dict[str, Any]) -> _Group:
    """Groups and tables as they hang together."""
    groups = {name: _Group(attrs) for name, attrs in answer["groups"].items()}
    root, sent = groups[""], iter(parts)
    items: dict[str, Any] = {
        name: large[name] if name in large else next(sent).reshape(shape) for name, shape in answer["sets"]
    }
    for name, item in (*groups.items(), *items.items()):
        if name:
            above, _, own = name.rpartition("/")
            groups[above][own] = item
    return root


def _large(file: FileIO, shapes: dict[str, list[int]], places: dict[str, tuple[str, int]]) -> dict[str, Any]:
    """The tables of which the reading process told the place, as they lie in the file.

    What it told came out of the file, so it is held against the file: numbers only, inside it, and
    together no more than it holds.
    """
    found: dict[str, Any] = {}
    left = size = os.fstat(file.fileno()).st_size
    for name, (kind, first) in places.items():
        dtype, n = np.dtype(kind), math.prod(shapes[name])
        left -= n * dtype.itemsize
        if dtype.kind not in "iuf" or min(shapes[name], default=0) < 0 or left < 0 or not 0 <= first <= size:
            raise ValueError(f"{name} does not lie in the file")
        found[name] = np.fromfile(file, dtype, n, offset=first - file.tell())
        if found[name].size != n:
            raise ValueError(f"{name} does not lie in the file")
        found[name] = found[name].reshape(shapes[name])
    return found


def _check_seal(path: Path) -> None:
    """Let HDF5 see an archive only as it was written: it can loop without end on a damaged file."""
    if path.exists() and not path.is_file() and not path.is_dir():  # a pipe would be waited for
        raise ArchiveError(f"{path.name}: this is no file but a device or a pipe; name an archive")
    whole = is_sealed(path)
    if whole is None:
        raise ArchiveError(
            f"{path.name}: not an archive of a scored night, or one that is cut off; score the recording"
            " again"
        )
    if not whole:
        raise ArchiveError(
            f"{path.name}: not a readable night archive, for it was damaged or changed after it was"
            " written; score the recording again"
        )


def _schema(file: _Group) -> str:
    return str(file.attrs.get("schema_version")).split(".", maxsplit=1)[0]


def _check_version(file: _Group, path: Path) -> None:
    if file.attrs.get("format") != FORMAT:
        raise ArchiveError(f"{path.name}: an HDF5 file, but not an archive of a scored night")
    if _schema(file) not in (*EARLIER, SCHEMA_VERSION[0]):
        raise ArchiveError(
            f"{path.name}: written with archive schema {file.attrs.get('schema_version')}, this program reads "
            f"{SCHEMA_VERSION}; update sleepbrux, or score the recording again"
        )


def _with_method(notes: tuple[Note, ...], method: int) -> tuple[Note, ...]:
    """Notes of an archive, and one on an earlier method."""
    return notes if method == METHOD else tuple(dict.fromkeys((*notes, EARLIER_METHOD)))


def _merged(group: Any, grid: Grid, labels: tuple[str, ...], quality: list[Quality]) -> CombinedBursts:
    """Bursts of the night; known time from the channels' usable time where an archive lacks it."""
    columns = {name: group[name][()] for name in array_names(CombinedBursts) if name in group}
    if "known" not in columns:
        known = reduce(Spans.__and__, [q.usable.on(grid) for q in quality])
        seen = Spans.of(grid, np.stack((columns["starts"], columns["stops"]), axis=1))
        columns |= {"known": known.bounds, "unknown": (~known - seen).bounds}
    return CombinedBursts(grid=grid, labels=labels, **columns)


def _night(file: _Group) -> Night:
    text = file["header"][()].tobytes()
    if _schema(file) in EARLIER:
        present_groups(file)
    if _schema(file) == EARLIER[0]:
        text = msgspec.json.encode(present_header(msgspec.json.decode(text)))
    header = msgspec.json.decode(text, type=Header, dec_hook=from_text)
    frames, quality, bursts = [], [], []
    for k, channel in enumerate(header.channels):
        group = file[f"frames/{k}"]
        energy = group["energy"][()]
        grid = Grid(header.frame_slots[k], len(energy))
        frames.append(
            ChannelFrames(
                channel,
                grid,
                header.frames_per_block[k],
                energy,
                group["rectified"][()],
                group["stats"][()],
                header.notched[k],
            )
        )
        group = file[f"quality/{k}"]
        faults, doubts, repaired = (
            {reason: Spans.of(grid, data[()]) for reason, data in group.get(name, {}).items()}
            for name in ("faults", "doubts", "repaired")
        )
        quality.append(
            Quality(
                Spans.of(grid, group["usable"][()]),
                faults,
                Spans.of(grid, group["clipped"][()]),
                header.quality_notes[k],
                doubts,
                repaired,
            )
        )
    for k, label in enumerate(header.burst_labels):
        group = file[f"bursts/{k}"]
        grid = Grid(Fraction(group.attrs["slot_s"]), int(group.attrs["n_slots"]))
        bursts.append(Bursts(label=label, grid=grid, **read_arrays(group, Bursts)))
    grid = Grid(header.event_slot, header.event_slots)
    selection = file["selection"]
    swept = Swept(
        name=header.name,
        digest=header.digest,
        format=header.format,
        start=header.start,
        start_clock=header.start_clock,
        duration_s=header.duration_s,
        marks=header.marks,
        gaps=header.gaps,
        notes=_with_method(header.recording_notes, header.method),
        frames=tuple(frames),
        quality=tuple(quality),
        surroundings=get_surroundings(file),
        method=header.method,
    )
    merged = _merged(file["merged"], grid, header.merged_labels, quality)
    episodes = Episodes(grid=grid, flags=header.episode_flags, **read_arrays(file["episodes"], Episodes))
    return Night(
        swept=swept,
        quality=tuple(quality),
        criterion=header.criterion,
        reference=header.reference,
        window=header.window,
        amplitude=header.amplitude,
        background_uv=header.background_uv,
        threshold_uv=header.threshold_uv,
        bursts=tuple(bursts),
        merged=merged,
        episodes=episodes,
        selection=Selection(
            Spans.of(grid, selection["window"][()]),
            Spans.of(grid, selection["valid"][()]),
            header.basis,
            selection["bursts"][()],
            selection["episodes"][()],
        ),
        labels=get_value(file["labels"], Labels),
        measures=header.measures,
        notes=_with_method(header.notes, header.method),
        about=header.about,
        traces=Extremes(**read_arrays(file["traces"], Extremes)) if "traces" in file else None,
        supersedes=header.supersedes,
        alternative_readings=header.alternative_readings,
    )
