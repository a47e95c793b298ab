"""HDF5 files as recordings: data sets with a sampling rate among their attributes, or as named.

There is no one layout. A data set of numbers is a channel (or one a column, where it has several)
when it, or a group above it, has an attribute for its rate. Where that leaves more than one reading,
the file is refused with the list of what is in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from sleepbrux.core.errors import RecordingError
from sleepbrux.core.texts import count_of, printable, visible
from sleepbrux.recording.files import file_digest
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_start import known_start, stands_in
from sleepbrux.recording.formats.hdf5_client import ask
from sleepbrux.recording.formats.text_table import read_clock
from sleepbrux.recording.labels import MOST_CHANNELS, recognise, unique_labels
from sleepbrux.recording.memory import exact_rate
from sleepbrux.recording.model import Block, Channel, Piece, Recording
from sleepbrux.recording.scale import Scale, Unit, sized

_SHOWN = 12
_RATE_NAMES = frozenset(
    {
        "sampling rate",
        "samplingrate",
        "sample rate",
        "samplerate",
        "sampling frequency",
        "sfreq",
        "samplingfrequency",
        "sample frequency",
        "fs",
        "rate",
        "srate",
        "frequency",
        "rate hz",
        "fs hz",
        "sampling rate hz",
        "sample rate hz",
        "sampling frequency hz",
    }
)
_UNIT_NAMES = frozenset({"unit", "units", "physical unit", "dimension"})
_LABEL_NAMES = frozenset({"label", "name", "channel", "channel name"})
_LABELS_NAMES = frozenset({"labels", "channels", "channel names", "columns", "ch names"})
_START_NAMES = frozenset({"start", "start time", "starttime", "meas date", "recording start"})


@dataclass(frozen=True)
class Datasets:
    """A data set that may hold samples: its path, shape, and the attributes that reach it."""

    path: str
    shape: tuple[int, ...]
    dtype: str
    attributes: dict[str, Any]
    rate_owner: str

    @property
    def n(self) -> int:
        """Samples: the longer side."""
        return max(self.shape)

    @property
    def columns(self) -> int:
        """Channels: the shorter side."""
        return min(self.shape) if len(self.shape) == 2 else 1


@dataclass(frozen=True)
class Hdf5Source:
    """Samples of one HDF5 file.

    Attributes
    ----------
    places
        For each channel: path of its data set, and its column.
    """

    path: Path
    places: tuple[tuple[str, int], ...]

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold samples ``[first, stop)`` of each channel."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        n = max(stop - first, 1)
        found = Findings(self.path)
        places = [self.places[c.index] for c in channels]
        rows = ask(self.path, "samples", found, places=places, first=first, stop=stop)[1]
        if [len(row) for row in rows] != [stop - first] * len(channels):
            raise found.refusal("the file has changed since it was opened; open it again.")
        return [Block(row, first, n, n, 0) for row in rows]

    def digest(self) -> str:
        """SHA-256 of the file's bytes, 64 hexadecimal digits."""
        return file_digest(self.path)


def _found(entry: dict[str, Any], groups: Sequence[dict[str, Any]]) -> Datasets:
    """A data set as the reading process tells of it, with the attributes of the groups above it."""
    attributes: dict[str, Any] = {}
    owner = ""
    own_level = {"name": entry["path"], "attributes": entry["attributes"]}
    for level in (*(groups[k] for k in entry["groups"]), own_level):
        own = level["attributes"]
        # A group that repeats an inherited rate owns no other one, a data set always owns its own.
        rates = set(own) & _RATE_NAMES
        if level is own_level or not rates <= set(attributes):
            owner = level["name"] if rates else owner
        attributes |= own
    return Datasets(entry["path"], tuple(entry["shape"]), entry["dtype"], attributes, owner)


def _first(attributes: dict[str, Any], names: frozenset[str]) -> Any:
    return next((attributes[n] for n in attributes if n in names and attributes[n] is not None), None)


def _rate(each: Datasets, given: Fraction | None) -> Fraction | None:
    if given is not None:
        return given
    value = _first(each.attributes, _RATE_NAMES)
    try:
        return exact_rate(value)
    except (RecordingError, TypeError):
        return None


def _listing(sets: Sequence[Datasets]) -> str:
    shown = "; ".join(f"{each.path} {each.shape}" for each in sets[:_SHOWN])
    shown = shown.encode("utf-8", "replace").decode()
    return shown + (f"; and {len(sets) - _SHOWN} more" if len(sets) > _SHOWN else "")


def _named(sets: list[Datasets], datasets: Sequence[str], found: Findings) -> list[Datasets]:
    chosen = []
    for name in datasets:
        fits = [each for each in sets if each.path.strip("/") == name.strip("/")]
        fits = fits or [each for each in sets if f"/{each.path}".endswith("/" + name.strip("/"))]
        if len(fits) != 1:
            what = "no data set of numbers" if not fits else "more than one data set"
            raise found.refusal(
                f"there is {what} named {name!r}; the file holds {_listing(sets)}: name them with `datasets`."
            )
        chosen += fits
    return chosen


def _longest(sets: list[Datasets], found: Findings) -> list[Datasets]:
    """Of the sets below one rate attribute only those of full length can have that rate."""
    most: dict[str, int] = {}
    for each in sets:
        most[each.rate_owner] = max(most.get(each.rate_owner, 0), each.n)
    short = [each for each in sets if each.n < most[each.rate_owner]]
    if short:
        found.note(
            "sets-left-out",
            f"{count_of(len(short), 'data set')} shorter than the others below the same rate: left out.",
        )
    return [each for each in sets if each.n == most[each.rate_owner]]


def _choose(
    sets: list[Datasets], datasets: Sequence[str], rate: Fraction | None, found: Findings
) -> list[Datasets]:
    """The data sets to read, or a refusal that lists what there is."""
    if not sets:
        raise found.refusal("the HDF5 file holds no data set of numbers; is this the recording?")
    if datasets:
        chosen = _named(sets, datasets, found)
    elif rate is not None and not any(each.rate_owner for each in sets):
        lengths = {each.n for each in sets}
        if len(lengths) > 1:
            raise found.refusal(
                f"the data sets have different lengths, so one rate cannot be that of all: the file holds"
                f" {_listing(sets)}; name them with `datasets`."
            )
        chosen = sets
    else:
        rated = [each for each in sets if each.rate_owner]
        chosen = _longest(rated, found)
    if not chosen or any(_rate(each, rate) is None for each in chosen):
        raise found.refusal(
            f"no attribute gives a sampling rate: the file holds {_listing(chosen or sets)}; give `rate_hz`,"
            " and name the data sets with `datasets`."
        )
    wide = [each for each in chosen if each.columns > MOST_CHANNELS]
    if wide or sum(each.columns for each in chosen) > MOST_CHANNELS:
        raise found.refusal(
            f"the data sets would be more than {MOST_CHANNELS} channels: {_listing(wide or chosen)}; name"
            " them with `datasets`."
        )
    return chosen


def _labels(each: Datasets) -> list[str]:
    """Label of each column: sensor and label attributes, else the data set's name."""
    stated = _first(each.attributes, _LABELS_NAMES)
    if isinstance(stated, list) and len(stated) == each.columns > 1:
        return [printable(str(s)) for s in stated]
    own = _first(each.attributes, _LABEL_NAMES)
    name = str(own) if isinstance(own, str) and own.strip() else each.path.rsplit("/", 1)[-1]
    sensor = each.attributes.get("sensor")
    if isinstance(sensor, str) and sensor.strip() and sensor.casefold() not in name.casefold():
        name = f"{sensor.strip()} {name}"
    name = printable(name)
    return [name] if each.columns == 1 else [f"{name} {k + 1}" for k in range(each.columns)]


def _unit(each: Datasets, column: int) -> str:
    value = _first(each.attributes, _UNIT_NAMES)
    if isinstance(value, list):
        value = value[column] if len(value) == each.columns else None
    return str(value).strip()[:32] if isinstance(value, str) else ""


def _factor(each: Datasets) -> tuple[float, float]:
    """(conversion, offset) to the stated unit, where attributes of these names are numbers."""
    pair = []
    for names, default in ((("conversion", "scale factor"), 1.0), (("offset", "add offset"), 0.0)):
        values = [each.attributes.get(name) for name in names]
        number = next((v for v in values if isinstance(v, (int, float)) and np.isfinite(v)), default)
        pair.append(float(number))
    return (pair[0] or 1.0, pair[1]) if pair[0] != 1.0 or "conversion" in each.attributes else (1.0, 0.0)


def _start(attributes: dict[str, Any]) -> datetime | None:
    """Local start as written, from a start attribute or from a date and a time."""
    words = _first(attributes, _START_NAMES)
    if not isinstance(words, str):
        words = f"{attributes.get('date', '')} {attributes.get('time', '')}"
    stamp = read_clock(words.strip()[:32])
    if stamp is None or stamp[0] is None or (stamp[0].year < 1990 and not stands_in(stamp[0])):
        return None
    return datetime.combine(stamp[0], stamp[1])


def open_hdf5(
    path: str | Path,
    *,
    datasets: Sequence[str] = (),
    rate: float | str | Fraction | None = None,
    unit: Unit = None,
    scale: Scale = None,
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Open an HDF5 file; samples are read when asked for.

    Parameters
    ----------
    path
        The file.
    datasets
        Data sets to read, by path or the end of it; default: those with a sampling rate.
    rate
        Samples a second, where no attribute says it or wrongly.
    unit, scale
        Unit of the values, or µV that a value of 1 stands for, for all or by label.
    progress
        Called with the share read, 0 to 1, where samples are floating-point numbers: these are read to
        find what is missing.

    Raises
    ------
    RecordingError
        Where no data set has a rate, or they leave more than one reading; the message lists them.
    """
    path = Path(path)
    found = Findings(path)
    given = None if rate is None else exact_rate(rate)
    seen, _ = ask(path, "look", found)
    if seen.get("archive"):
        raise found.refusal(
            "this is the archive of a scored night, not a recording; give it to 'sleepbrux robustness' or"
            " score the recording."
        )
    for code, text in seen["warnings"]:
        found.warn(code, text)
    sets = [_found(entry, seen["groups"]) for entry in seen["sets"]]
    chosen = _choose(sets, datasets, given, found)
    channels, places = _channels(chosen, given, unit, scale, found)
    source = Hdf5Source(path, places)
    channels = _without_missing(source, channels, {each.path: each.dtype for each in chosen}, found, progress)
    start = known_start(_start(chosen[0].attributes), found)
    return Recording(
        name=visible(path.stem),
        format="HDF5",
        start=start.moment,
        start_time_known=start.clock is not None,
        duration_s=max(float(c.n_stored / c.rate) for c in channels),
        channels=channels,
        marks=(),
        gaps=(),
        notes=found.notes,
        source=source,
        start_clock=start.clock,
    )


def _without_missing(
    source: Hdf5Source,
    channels: tuple[Channel, ...],
    dtypes: dict[str, str],
    found: Findings,
    progress: Callable[[float], None] | None,
) -> tuple[Channel, ...]:
    """Channels of float samples, those that are no numbers in gaps; reads these data sets once."""
    result, missing = [], 0
    for k, channel in enumerate(channels):
        if progress is not None:
            progress(k / len(channels))
        name, column = source.places[channel.index]
        if dtypes[name][1] != "f":
            result.append(channel)
            continue
        seen, _ = ask(source.path, "present", found, name=name, column=column, n=channel.n_stored)
        pieces = tuple(Piece(a, a, b - a) for a, b in seen["runs"])
        fault = ""
        if seen["shattered"] or not pieces:
            fault = f"Channel {channel.label!r} " + (
                "is in too many pieces." if seen["shattered"] else "holds no finite sample."
            )
        missing += 0 if seen["shattered"] else channel.n_stored - sum(p.n for p in pieces)
        result.append(replace(channel, pieces=pieces, fault=fault))
    if missing:
        found.warn("samples-missing", f"{missing} samples are no numbers and taken as missing.")
    return tuple(result)


def _channels(
    chosen: list[Datasets], given: Fraction | None, unit: Unit, scale: Scale, found: Findings
) -> tuple[tuple[Channel, ...], tuple[tuple[str, int], ...]]:
    columns = [(each, k) for each in chosen for k in range(each.columns)]
    names = unique_labels([label for each in chosen for label in _labels(each)])
    known = {name: recognise(name) for name in names}
    written = {name: _unit(each, k) for name, (each, k) in zip(names, columns, strict=True)}
    sizes = sized({n: known[n][0] for n in names}, written, unit=unit, scale=scale, found=found)
    channels, places = [], []
    for index, (name, (each, k)) in enumerate(zip(names, columns, strict=True)):
        role, side, muscle = known[name]
        rate = _rate(each, given)
        assert rate is not None  # noqa: S101
        factor, offset = _factor(each)
        gain = sizes[name].gain
        channels.append(
            Channel(
                index=index,
                label=name,
                role=role,
                side=side,
                muscle=muscle,
                unit=sizes[name].unit,
                rate=rate,
                gain=gain * factor,
                offset=gain * offset,
                digital_min=0,
                digital_max=0,
                n_stored=each.n,
                pieces=(Piece(0, 0, each.n),),
            )
        )
        places.append((each.path, k))
    return tuple(channels), tuple(places)
