"""The groups and tables of a night's archive, as they are written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sleepbrux.archive.layout import (
    FORMAT,
    SCHEMA_VERSION,
    array_names,
    header_of,
    put_surroundings,
    put_value,
    to_text,
)
from sleepbrux.archive.tables import Table, spans, tables
from sleepbrux.core.version import __version__
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.bursts import Bursts
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.episodes import Episodes
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.signal.extremes import Extremes

KINDS: dict[type, tuple[str, ...]] = {
    Bursts: BURST_KINDS,
    CombinedBursts: BURST_KINDS,
    Episodes: EPISODE_KINDS,
}


def put_columns(group: Any, table: Any, names: Iterable[str]) -> None:
    """Columns of a table into a group, a data set each; a kind is an enumeration."""
    for name in names:
        kind = _enumeration(KINDS[type(table)]) if name == "kind" else None
        group.create_dataset(name, data=getattr(table, name), dtype=kind)


def write_night(night: Night, file: Any) -> None:
    """All of a night into an open HDF5 file."""
    file.attrs["format"] = FORMAT
    file.attrs["schema_version"] = SCHEMA_VERSION
    file.attrs["software"] = f"sleepbrux {__version__}"
    text = msgspec.json.encode(header_of(night), enc_hook=to_text)
    file.create_dataset("header", data=np.frombuffer(text, dtype=np.uint8))
    for k, (frames, quality) in enumerate(zip(night.swept.frames, night.quality, strict=True)):
        put_columns(file.create_group(f"frames/{k}"), frames, ("energy", "rectified", "stats"))
        group = file.create_group(f"quality/{k}")
        for name in ("usable", "clipped"):
            group.create_dataset(name, data=getattr(quality, name).bounds)
        for reason, faulty in sorted(quality.faults.items()):
            group.create_dataset(f"faults/{reason}", data=faulty.bounds)
        for reason, doubtful in sorted(quality.doubts.items()):
            group.create_dataset(f"doubts/{reason}", data=doubtful.bounds)
        for reason, changed in sorted(quality.repaired.items()):
            group.create_dataset(f"repaired/{reason}", data=changed.bounds)
    for k, bursts in enumerate(night.bursts):
        put_columns(file.create_group(f"bursts/{k}"), bursts, array_names(Bursts))
        file[f"bursts/{k}"].attrs["slot_s"] = to_text(bursts.grid.slot_s)
        file[f"bursts/{k}"].attrs["n_slots"] = bursts.grid.n_slots
    put_columns(file.create_group("merged"), night.merged, array_names(CombinedBursts))
    put_columns(file.create_group("episodes"), night.episodes, array_names(Episodes))
    selection = file.create_group("selection")
    for name in ("window", "valid"):
        selection.create_dataset(name, data=getattr(night.selection, name).bounds)
    put_columns(selection, night.selection, ("bursts", "episodes"))
    if night.traces is not None:
        put_columns(file.create_group("traces"), night.traces, array_names(Extremes))
    put_value(file.create_group("labels"), night.labels)
    put_surroundings(file, night.swept.surroundings)
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
