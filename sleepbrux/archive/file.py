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
    /quality/0/...       usable, clipped, each fault and each doubt: int64 (n_spans, 2), in frames
    /selection/...       window, valid, positions of the events that count
    /traces/...          filtered signal around episodes, lowest and highest each 20 ms; may be absent
    /labels/...          what surrounds each episode, one column a data set
    /surroundings/...    heart, chance (of being awake, each 30 s), wake_estimate, sound, position, stages,
                         activity_channels/0...
    /tables/..., /spans/...  the same for other software (`sleepbrux.archive.tables`); not read back
"""

from __future__ import annotations

import dataclasses
import errno
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, time
from fractions import Fraction
from functools import reduce
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

import msgspec
import numpy as np
from numpy.typing import NDArray

from sleepbrux.archive.coherence import IncoherentError, check_night
from sleepbrux.archive.earlier import present_groups, present_header
from sleepbrux.archive.identity import Identity, identity_of
from sleepbrux.archive.manifest import check_archive, check_identity, listed_identity
from sleepbrux.archive.tables import Table, spans, tables
from sleepbrux.core.errors import ArchiveError, Note, RecordingError
from sleepbrux.core.files import Settle, is_sealed, replacing, seal, settle_now
from sleepbrux.core.provenance import METHOD
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.core.version import __version__
from sleepbrux.criteria import Criterion
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.hdf5_client import ask
from sleepbrux.recording.model import Channel, Mark
from sleepbrux.recording.window import Window
from sleepbrux.reference import Reference
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.bursts import Bursts, CombinedBursts
from sleepbrux.scoring.context.model import Labels
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.measures import Measure, Selection
from sleepbrux.scoring.night import AlternativeReading, Night
from sleepbrux.signal.actigraphy import WakeEstimate
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.extremes import Extremes
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.mains import Notched
from sleepbrux.signal.movement import ActivityChannel
from sleepbrux.signal.quality import Quality
from sleepbrux.signal.sound import Sound
from sleepbrux.signal.surroundings.model import Position, Stages, Surroundings
from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.signal.swept import Swept
from sleepbrux.signal.wake import WakeChance

FORMAT = "sleepbrux night"
SPARE_BYTES = 4_000_000
SCHEMA_VERSION = "3.0"
EARLIER = "2"
# Said of an archive of an earlier method, whatever is made from it.
EARLIER_METHOD = Note(
    "archived-by-earlier-method",
    "warning",
    "this archive is from an earlier version, which found the time that is left out in another way and named "
    "no doubtful activity; in the first versions lost time ended an episode however short it was. What stands "
    "in it was counted so; what is counted from it by other rules is not. Score the recording again before "
    "comparing it with other nights",
)


class _Header(msgspec.Struct, kw_only=True, frozen=True):
    """Everything of a night that is not a table."""

    name: str
    digest: str
    format: str
    start: datetime | None
    start_clock: time | None
    duration_s: float
    marks: tuple[Mark, ...]
    gaps: tuple[tuple[float, float], ...]
    recording_notes: tuple[Note, ...]
    channels: tuple[Channel, ...]
    frame_slots: tuple[Fraction, ...]
    frames_per_block: tuple[int, ...]
    quality_notes: tuple[tuple[Note, ...], ...]
    notched: tuple[tuple[Notched, ...], ...] = ()
    criterion: Criterion
    reference: Reference | None
    window: Window
    amplitude: Amplitude
    background_uv: dict[str, float | None]
    threshold_uv: dict[str, float | None]
    burst_labels: tuple[str, ...]
    event_slot: Fraction
    event_slots: int
    merged_labels: tuple[str, ...]
    episode_flags: tuple[tuple[str, ...], ...]
    basis: str
    measures: dict[str, Measure]
    notes: tuple[Note, ...]
    about: tuple[tuple[str, str], ...] = ()
    supersedes: str = ""
    alternative_readings: tuple[AlternativeReading, ...] = ()
    method: int = 1


KINDS: dict[type, tuple[str, ...]] = {
    Bursts: BURST_KINDS,
    CombinedBursts: BURST_KINDS,
    Episodes: EPISODE_KINDS,
}


def _to_text(value: Any) -> str:
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    raise TypeError(f"no text form: {type(value)}")


def _from_text(kind: type, value: Any) -> Any:
    if kind is Fraction:
        return Fraction(value)
    raise TypeError(f"no value of {kind} from {value!r}")


def _columns(group: Any, table: Any, names: Iterable[str]) -> None:
    for name in names:
        kind = _enumeration(KINDS[type(table)]) if name == "kind" else None
        group.create_dataset(name, data=getattr(table, name), dtype=kind)


def _arrays(kind: type) -> list[str]:
    """Names of the columns of a table."""
    scalar = {"grid", "label", "labels", "flags"}
    return [f.name for f in dataclasses.fields(kind) if f.name not in scalar]


def _read(group: Any, kind: type) -> dict[str, Any]:
    return {name: group[name][()] for name in _arrays(kind)}


T = TypeVar("T")
SURROUNDINGS: dict[str, type] = {
    "heart": Heart,
    "chance": WakeChance,
    "wake_estimate": WakeEstimate,
    "sound": Sound,
    "position": Position,
    "stages": Stages,
}


def _put(group: Any, value: Any) -> None:
    """A flat value into a group: arrays as data sets, everything else as one JSON text."""
    rest = {}
    for field in dataclasses.fields(value):
        item = getattr(value, field.name)
        if isinstance(item, np.ndarray):
            group.create_dataset(field.name, data=item)
        else:
            rest[field.name] = item
    group.attrs["values"] = msgspec.json.encode(rest).decode()


def _get(group: Any, kind: type[T]) -> T:
    """The value that `_put` wrote."""
    hints = get_type_hints(kind)
    rest = msgspec.json.decode(group.attrs["values"])
    values = {name: msgspec.convert(item, hints[name]) for name, item in rest.items()}
    return kind(**values, **{name: group[name][()] for name in group})


def _put_surroundings(file: Any, surroundings: Surroundings) -> None:
    texts = file.create_group("surroundings").attrs
    texts["notes"] = msgspec.json.encode(surroundings.notes).decode()
    texts["files"] = msgspec.json.encode(surroundings.files).decode()
    for name in SURROUNDINGS:
        if getattr(surroundings, name) is not None:
            _put(file.create_group(f"surroundings/{name}"), getattr(surroundings, name))
    for k, channel in enumerate(surroundings.activity_channels):
        _put(file.create_group(f"surroundings/activity_channels/{k}"), channel)


def _get_surroundings(file: Any) -> Surroundings:
    group = file["surroundings"]
    found: dict[str, Any] = {
        name: _get(group[name], kind) for name, kind in SURROUNDINGS.items() if name in group
    }
    channels = group.get("activity_channels", {})
    return Surroundings(
        activity_channels=tuple(_get(channels[str(k)], ActivityChannel) for k in range(len(channels))),
        files=msgspec.json.decode(group.attrs["files"], type=tuple[tuple[str, str], ...]),
        notes=msgspec.json.decode(group.attrs["notes"], type=tuple[Note, ...]),
        **found,
    )


def _header(night: Night) -> _Header:
    swept = night.swept
    return _Header(
        name=swept.name,
        digest=swept.digest,
        format=swept.format,
        start=swept.start,
        start_clock=swept.start_clock,
        duration_s=swept.duration_s,
        marks=swept.marks,
        gaps=swept.gaps,
        recording_notes=swept.notes,
        channels=tuple(f.channel for f in swept.frames),
        frame_slots=tuple(f.grid.slot_s for f in swept.frames),
        frames_per_block=tuple(f.frames_per_block for f in swept.frames),
        quality_notes=tuple(q.notes for q in night.quality),
        notched=tuple(f.notched for f in night.swept.frames),
        criterion=night.criterion,
        reference=night.reference,
        window=night.window,
        amplitude=night.amplitude,
        background_uv=night.background_uv,
        threshold_uv=night.threshold_uv,
        burst_labels=tuple(b.label for b in night.bursts),
        event_slot=night.merged.grid.slot_s,
        event_slots=night.merged.grid.n_slots,
        merged_labels=night.merged.labels,
        episode_flags=night.episodes.flags,
        basis=night.selection.basis,
        measures=night.measures,
        notes=night.notes,
        about=night.about,
        supersedes=night.supersedes,
        alternative_readings=night.alternative_readings,
        method=swept.method,
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
    import h5py

    if night.review is not None:
        raise ArchiveError(f"{Path(path).name}: a reviewed night is not archived, its journal is")
    path = Path(path)
    with _plain_errors(path), replacing(path, settle or settle_now) as temporary:
        _check_space(night, temporary, path)
        with h5py.File(temporary, "w") as file:
            _write(night, file)
        seal(temporary)


def _write(night: Night, file: Any) -> None:
    file.attrs["format"] = FORMAT
    file.attrs["schema_version"] = SCHEMA_VERSION
    file.attrs["software"] = f"sleepbrux {__version__}"
    text = msgspec.json.encode(_header(night), enc_hook=_to_text)
    file.create_dataset("header", data=np.frombuffer(text, dtype=np.uint8))
    for k, (frames, quality) in enumerate(zip(night.swept.frames, night.quality, strict=True)):
        _columns(file.create_group(f"frames/{k}"), frames, ("energy", "rectified", "stats"))
        group = file.create_group(f"quality/{k}")
        for name in ("usable", "clipped"):
            group.create_dataset(name, data=getattr(quality, name).bounds)
        for reason, faulty in sorted(quality.faults.items()):
            group.create_dataset(f"faults/{reason}", data=faulty.bounds)
        for reason, doubtful in sorted(quality.doubts.items()):
            group.create_dataset(f"doubts/{reason}", data=doubtful.bounds)
    for k, bursts in enumerate(night.bursts):
        _columns(file.create_group(f"bursts/{k}"), bursts, _arrays(Bursts))
        file[f"bursts/{k}"].attrs["slot_s"] = _to_text(bursts.grid.slot_s)
        file[f"bursts/{k}"].attrs["n_slots"] = bursts.grid.n_slots
    _columns(file.create_group("merged"), night.merged, _arrays(CombinedBursts))
    _columns(file.create_group("episodes"), night.episodes, _arrays(Episodes))
    selection = file.create_group("selection")
    for name in ("window", "valid"):
        selection.create_dataset(name, data=getattr(night.selection, name).bounds)
    _columns(selection, night.selection, ("bursts", "episodes"))
    if night.traces is not None:
        _columns(file.create_group("traces"), night.traces, _arrays(Extremes))
    _put(file.create_group("labels"), night.labels)
    _put_surroundings(file, night.swept.surroundings)
    _write_for_others(night, file)


def _text_column(values: Sequence[str]) -> NDArray[Any]:
    """Text of one width, padded with null bytes; as HDF5 tells other programs that it is UTF-8."""
    import h5py

    encoded = [value.encode() for value in values]
    width = max([len(value) for value in encoded], default=1) or 1
    return np.array(encoded, dtype=h5py.string_dtype("utf-8", width))


def _enumeration(words: Sequence[str]) -> np.dtype[Any]:
    """Type of a code of one byte that tells other programs what it means."""
    import h5py

    kind: np.dtype[Any] = h5py.enum_dtype({word: code for code, word in enumerate(words)}, basetype="i1")
    return kind


def _compound(table: Table) -> NDArray[Any]:
    """A table as one array of records; a code is an enumeration."""
    columns, kinds = {}, []
    for name, values in table.columns.items():
        is_text = isinstance(values, list) and (not values or isinstance(values[0], str))
        columns[name] = _text_column(values) if is_text else np.asarray(values)
        kinds.append((name, _enumeration(table.words[name]) if name in table.words else columns[name].dtype))
    rows = np.zeros(len(next(iter(columns.values()))), dtype=kinds)
    for name, values in columns.items():
        rows[name] = values
    return rows


def _write_for_others(night: Night, file: Any) -> None:
    """What other people's software reads; see `sleepbrux.archive.tables`."""
    start = night.swept.start
    file.attrs["start"] = start.isoformat() if start else ""
    file.attrs["duration_s"] = night.swept.duration_s
    for name, table in tables(night).items():
        made = file.create_dataset(f"tables/{name}", data=_compound(table))
        for column, unit in table.units.items():
            made.attrs[f"units_{column}"] = unit
    for name, (bounds, about) in spans(night).items():
        made = file.create_dataset(f"spans/{name}", data=bounds)
        made.attrs.update({"units": "s", **about})
    for k, frames in enumerate(night.swept.frames):
        unit = frames.channel.unit
        for name, of in (("energy", f"{unit}^2"), ("rectified", unit)):
            file[f"frames/{k}/{name}"].attrs.update(
                {
                    "units": of,
                    "rate_hz": float(1 / frames.grid.slot_s),
                    "t0": 0.0,
                    "channel": frames.channel.label,
                }
            )


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
    """The part of `_Header` that says whose night it is."""

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
    answer, parts = ask(path, "archive", Findings(path))
    groups = {name: _Group(attrs) for name, attrs in answer["groups"].items()}
    root = groups[""]
    items: dict[str, Any] = {
        name: part.reshape(shape) for (name, shape), part in zip(answer["sets"], parts, strict=True)
    }
    for name, item in (*groups.items(), *items.items()):
        if name:
            above, _, own = name.rpartition("/")
            groups[above][own] = item
    return root


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
    if _schema(file) not in (EARLIER, SCHEMA_VERSION[0]):
        raise ArchiveError(
            f"{path.name}: written with archive schema {file.attrs.get('schema_version')}, this program reads "
            f"{SCHEMA_VERSION}; update sleepbrux, or score the recording again"
        )


def _with_method(notes: tuple[Note, ...], method: int) -> tuple[Note, ...]:
    """Notes of an archive, and one on an earlier method."""
    return notes if method == METHOD else tuple(dict.fromkeys((*notes, EARLIER_METHOD)))


def _merged(group: Any, grid: Grid, labels: tuple[str, ...], quality: list[Quality]) -> CombinedBursts:
    """Bursts of the night; known time from the channels' usable time where an archive lacks it."""
    columns = {name: group[name][()] for name in _arrays(CombinedBursts) if name in group}
    if "known" not in columns:
        known = reduce(Spans.__and__, [q.usable.on(grid) for q in quality])
        seen = Spans.of(grid, np.stack((columns["starts"], columns["stops"]), axis=1))
        columns |= {"known": known.bounds, "unknown": (~known - seen).bounds}
    return CombinedBursts(grid=grid, labels=labels, **columns)


def _night(file: _Group) -> Night:
    text = file["header"][()].tobytes()
    if _schema(file) == EARLIER:
        present_groups(file)
        text = msgspec.json.encode(present_header(msgspec.json.decode(text)))
    header = msgspec.json.decode(text, type=_Header, dec_hook=_from_text)
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
        faults = {reason: Spans.of(grid, data[()]) for reason, data in group.get("faults", {}).items()}
        quality.append(
            Quality(
                Spans.of(grid, group["usable"][()]),
                faults,
                Spans.of(grid, group["clipped"][()]),
                header.quality_notes[k],
                {reason: Spans.of(grid, data[()]) for reason, data in group.get("doubts", {}).items()},
            )
        )
    for k, label in enumerate(header.burst_labels):
        group = file[f"bursts/{k}"]
        grid = Grid(Fraction(group.attrs["slot_s"]), int(group.attrs["n_slots"]))
        bursts.append(Bursts(label=label, grid=grid, **_read(group, Bursts)))
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
        surroundings=_get_surroundings(file),
        method=header.method,
    )
    merged = _merged(file["merged"], grid, header.merged_labels, quality)
    episodes = Episodes(grid=grid, flags=header.episode_flags, **_read(file["episodes"], Episodes))
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
        labels=_get(file["labels"], Labels),
        measures=header.measures,
        notes=_with_method(header.notes, header.method),
        about=header.about,
        traces=Extremes(**_read(file["traces"], Extremes)) if "traces" in file else None,
        supersedes=header.supersedes,
        alternative_readings=header.alternative_readings,
    )
