"""Recordings through mne: BrainVision and what else it reads, lazily and in blocks."""

from __future__ import annotations

import hashlib
import re
import tempfile
import threading
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from sleepbrux.core.arguments import NONE, PATH, WORDS, Kind, check
from sleepbrux.core.errors import RecordingError
from sleepbrux.core.parallel import LOADING
from sleepbrux.core.texts import count_of, printable, visible
from sleepbrux.recording.files import file_digest
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_start import known_start
from sleepbrux.recording.labels import ELECTRICAL, MOST_CHANNELS, recognise, unique_labels
from sleepbrux.recording.marks import MOST_MARKS, TOO_MANY
from sleepbrux.recording.memory import FASTEST_HZ, SLOWEST_HZ, exact_rate
from sleepbrux.recording.model import Block, Channel, Mark, Piece, Recording
from sleepbrux.recording.units import MICROVOLTS, UNIT_NAMES, read_unit

# FIFF code of the volt, the unit in which mne hands out every electrical channel.
_VOLT = 107
_AT_ONCE = 1 << 20
_MOST_HEADER_BYTES = 1 << 22
LONGEST_S = 31 * 86_400
# Undoes 1e6 / interval in µs, as BrainVision headers state the rate.
_LARGEST_DENOMINATOR = 1_000_000
_CHANNEL = re.compile(r"^Ch(\d{1,4})[ \t]*=(.*?)\r?$", re.MULTILINE)
_NAMED_FILE = re.compile(r"^(DataFile|MarkerFile)[ \t]*=[ \t]*(.*?)[ \t]*\r?$", re.MULTILINE)
_COMMON = re.compile(r"^\[Common Infos\][ \t]*(?=\r?$)", re.MULTILINE)
_NO_MARKS = "Brain Vision Data Exchange Marker File, Version 1.0\n[Common Infos]\n[Marker Infos]\n"


@dataclass(frozen=True, eq=False)
class MneSource:
    """Samples of an mne `Raw`; its readers are not made for threads, so one reads at a time."""

    raw: Any
    files: tuple[Path, ...]
    path: Path | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __reduce__(self) -> tuple[Any, ...]:
        """In another process the file is opened again; an object without a file goes there itself."""
        if self.path is None:
            return MneSource, (self.raw, self.files)
        return _source_of, (self.path,)

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold samples ``[first, stop)`` of each channel, float64, in mne's unit."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        if not channels:
            return []
        n = stop - first
        if n == 0:
            return [Block(np.empty(0), first, 1, 1, 0) for _ in channels]
        try:
            with self.lock:
                data = self.raw.get_data([c.index for c in channels], first, stop, verbose="error")
        except Exception as error:  # whatever its many readers raise
            name = self.path.name if self.path else "raw"
            raise RecordingError(
                f"{name}: the samples from {first} on cannot be read by mne; the file is cut off or damaged:"
                " copy it again."
            ) from error
        return [Block(np.ascontiguousarray(row), first, n, n, 0) for row in data]

    def digest(self) -> str:
        """SHA-256 of the bytes of the files one after the other, else of the samples."""
        if self.files:
            return file_digest(*self.files)
        total = hashlib.sha256()
        total.update(f"{self.raw.info['sfreq']} {self.raw.ch_names}".encode())
        for start in range(0, self.raw.n_times, _AT_ONCE):
            with self.lock:
                data = self.raw.get_data(start=start, stop=start + _AT_ONCE)
            total.update(np.ascontiguousarray(data, dtype="<f8").data)
        return total.hexdigest()


def _header_text(path: Path) -> str:
    with path.open("rb") as handle:
        raw = handle.read(_MOST_HEADER_BYTES)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _part(path: Path, kind: str, stated: str, found: Findings) -> Path | None:
    """The data or marker file of a BrainVision header, also where the three were renamed."""
    named = path.parent / stated.replace("$b", path.stem)
    if stated and named.is_file():
        return named
    suffixes = (".eeg", ".dat", ".EEG", ".DAT") if kind == "DataFile" else (".vmrk", ".VMRK")
    for suffix in suffixes:
        beside = path.with_suffix(suffix)
        if beside.is_file():
            if stated:
                found.warn(
                    "renamed",
                    f"The {kind} that the header names is not there; {beside.name!r} is used.",
                )
            return beside
    return None


def _brainvision_parts(path: Path, text: str, found: Findings) -> dict[str, Path | None]:
    stated = dict(_NAMED_FILE.findall(text))
    data = _part(path, "DataFile", stated.get("DataFile", ""), found)
    if data is None:
        raise found.refusal(
            f"the data file {stated.get('DataFile', '')!r} that the header names is not there;"
            " put it in the same folder."
        )
    marker = _part(path, "MarkerFile", stated.get("MarkerFile", ""), found)
    if marker is None:
        found.note("no-marker-file", "There is no marker file, so the recording has no marks.")
    return {"DataFile": data, "MarkerFile": marker}


def _read_brainvision(mne: Any, path: Path, found: Findings) -> tuple[Any, tuple[Path, ...], list[str]]:
    text = _header_text(path)
    parts = _brainvision_parts(path, text, found)

    # mne trusts the names in the header, so it is given a copy with those that hold; before release 1.13
    # it reads no header that names no marker file.
    with tempfile.TemporaryDirectory() as folder:
        unmarked = Path(folder) / "none.vmrk"
        unmarked.write_text(_NO_MARKS, encoding="utf-8")
        named = "".join(f"\n{k}={(part or unmarked).resolve()}" for k, part in parts.items())
        copy = Path(folder) / path.name
        copy.write_text(
            _COMMON.sub(lambda head: head[0] + named, _NAMED_FILE.sub("", text), count=1),
            encoding="utf-8",
        )
        raw = mne.io.read_raw_brainvision(copy, preload=False, verbose="error")
    files = (path, *(part for part in parts.values() if part))
    return raw, files, _written_units(text)


def _written_units(text: str) -> list[str]:
    """Units of the channels as a BrainVision header states them; µV where it leaves them out."""
    units: dict[int, str] = {}
    for number, cells in _CHANNEL.findall(text):
        parts = cells.split(",")
        units[int(number)] = parts[3].strip() if len(parts) > 3 and parts[3].strip() else "uV"
    return [units[k] for k in sorted(units)]


def _source_of(path: Path) -> MneSource:
    raw, files, _ = _read(path, Findings(path))
    return MneSource(raw, files, path)


def _is_brainvision(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as handle:
        return re.match(rb"(?:\xef\xbb\xbf)?Brain ?Vision Data", handle.read(64)) is not None


def _without_folders(text: str) -> str:
    """A message of mne without the folders of the files it names."""
    return re.sub(r"(?:[A-Za-z]:)?[^\s'\"]*[/\\](?=[^\s/\\]+)", "", text)


def _mne() -> Any:
    """The package mne, with what it loads late of SciPy, never while that is hidden from numba."""
    with LOADING:
        import mne
        import scipy.linalg  # noqa: F401
    return mne


def _read(path: Path, found: Findings) -> tuple[Any, tuple[Path, ...], list[str]]:
    """The `Raw` object, the files it stands in, and the unit of each channel where that is known."""
    mne = _mne()
    units: list[str] = []
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            if _is_brainvision(path):
                raw, files, units = _read_brainvision(mne, path, found)
            else:
                raw = mne.io.read_raw(path, preload=False, verbose="error")
                files = tuple(Path(name) for name in raw.filenames if name and Path(name).is_file())
    except RecordingError:
        raise
    except Exception as error:  # whatever its many readers, and what they call, raise
        first = _without_folders(str(error).strip().split("\n")[0])[:200] or type(error).__name__
        raise found.refusal(f"mne cannot read the file ({first}); export it as EDF.") from error
    if caught:
        found.warn(
            "mne",
            f"While opening, mne gave {count_of(len(caught), 'warning')}; open the file with mne itself to read"
            f" {'it' if len(caught) == 1 else 'them'}.",
        )
    return raw, files, units


def _marks(raw: Any) -> tuple[Mark, ...]:
    """Annotations on the night clock; mne counts them from before the crop, dated or not."""
    before = float(raw.first_time)
    notes = zip(
        raw.annotations.onset,
        raw.annotations.duration,
        raw.annotations.description,
        raw.annotations.ch_names,
        strict=True,
    )
    marks = [
        Mark(float(o) - before, float(d), printable(str(text)), " ".join(names))
        for o, d, text, names in notes
    ]
    return tuple(sorted(marks, key=lambda mark: mark.start_s))


def _bad_spans(raw: Any) -> tuple[Mark, ...]:
    """Annotations whose text begins with ``bad``, which mne leaves out of its analyses; one a channel."""
    labels = dict(zip(map(str, raw.ch_names), unique_labels(list(map(str, raw.ch_names))), strict=True))
    before = float(raw.first_time)
    return tuple(
        Mark(
            float(one["onset"]) - before, float(one["duration"]), printable(str(one["description"])), channel
        )
        for one in raw.annotations
        if str(one["description"]).casefold().startswith("bad")
        for channel in ([labels.get(str(n), str(n)) for n in one.get("ch_names", ())] or [""])
    )


def _start(raw: Any) -> datetime | None:
    """Local time of the first sample; mne calls the time in the file UTC, which it is not."""
    moment = raw.info["meas_date"]
    if moment is None:
        return None
    local: datetime = moment.replace(tzinfo=None) + timedelta(seconds=float(raw.first_time))
    return local


def _given(label: str, role: str, unit: str | Mapping[str, str] | None, found: Findings) -> Fraction | None:
    """Size of the given unit in µV, None where none is given for this channel."""
    if isinstance(unit, str):
        text = unit if role in ELECTRICAL or role == "other" else None
    else:
        text = unit.get(label) if unit else None
    if text is None:
        return None
    if text not in UNIT_NAMES:
        raise found.refusal(f"unit {text!r} is given, where {', '.join(UNIT_NAMES)} are allowed.")
    found.note("unit-given", f"The unit of {label!r} is given and not the file's.")
    return MICROVOLTS[text.lower()]


def _gain(raw: Any, index: int, written: str, given: Fraction | None) -> tuple[float, str]:
    """Factor from mne's values to ``unit``, and that unit."""
    if raw.info["chs"][index]["unit"] != _VOLT:
        return (1.0, "a.u.") if given is None else (float(given), "uV")
    if given is None:
        return 1e6, "uV"
    # mne has applied the file's unit already: undo it, then apply the given one.
    known = read_unit(written.encode())
    return float(given * 1_000_000 / (known.microvolts if known else 1_000_000)), "uV"


def _channels(
    raw: Any,
    units: list[str],
    rate: Fraction,
    unit: str | Mapping[str, str] | None,
    found: Findings,
) -> Iterator[Channel]:
    n = int(raw.n_times)
    if len(units) != len(raw.ch_names):
        units = ["V"] * len(raw.ch_names)
    for index, label in enumerate(unique_labels([str(name) for name in raw.ch_names])):
        role, side, muscle = recognise(label)
        bad = str(raw.ch_names[index]) in raw.info["bads"]
        if bad:
            found.warn("channel-marked-bad", f"Channel {label!r} is marked as bad, so it is left out.")
        gain, written = _gain(raw, index, units[index], _given(label, role, unit, found))
        if written != "uV" and role in ELECTRICAL:
            found.warn("unit-unknown", f"Channel {label!r} has no known unit; give option unit.")
        yield Channel(
            index=index,
            label=label,
            role=role,
            side=side,
            muscle=muscle,
            unit=written,
            rate=rate,
            gain=gain,
            offset=0.0,
            digital_min=0,
            digital_max=0,
            n_stored=n,
            pieces=(Piece(0, 0, n),),
            fault=f"It is marked as bad (info['bads'] names {label!r})." if bad else "",
        )


def open_with_mne(path_or_raw: Any, *, unit: str | Mapping[str, str] | None = None) -> Recording:
    """Open a recording through mne, without loading its samples.

    Parameters
    ----------
    path_or_raw
        A file that mne reads, or an `mne.io.Raw` object. Do not change the object afterwards.
    unit
        Unit of the values, ``"uV"``, ``"mV"``, ``"nV"`` or ``"V"``, for every electrical channel or by
        label: of those in the file (BrainVision), else of those that mne hands out.

    Returns
    -------
    Recording

    Raises
    ------
    RecordingError
        Where mne cannot read the file.

    Notes
    -----
    Time that an annotation beginning with ``BAD_`` covers is not scored, and a channel in ``info["bads"]`` is
    left out; both are named in the notes.

    mne has one rate for all channels. EDF and BDF files are better opened with `open_edf`, which
    keeps the rate of each and the gaps.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> [channel.label for channel in sb.open_with_mne("demo_data/excerpt.edf").channels][:1]
    ['EMG Masseter L']
    """
    check(
        path_or_raw=(path_or_raw, PATH | Kind(lambda value: hasattr(value, "n_times"), "an mne Raw")),
        unit=(unit, NONE | WORDS),
    )
    is_path = isinstance(path_or_raw, (str, Path))
    path = Path(path_or_raw).absolute() if is_path else Path("raw")
    found = Findings(path)
    if is_path and not path.exists():
        raise found.refusal("there is no such file; check the path.")
    raw, files, units = _read(path, found) if is_path else (path_or_raw, (), [])
    if raw.n_times == 0:
        raise found.refusal("the recording holds no sample; copy it again from the recorder.")
    if len(raw.ch_names) > MOST_CHANNELS:
        raise found.refusal(
            f"the header names {len(raw.ch_names)} channels, where up to {MOST_CHANNELS} are read; it is"
            " damaged: copy it again."
        )
    if len(raw.annotations) > MOST_MARKS:
        raise found.refusal(f"{TOO_MANY}.")
    frequency = float(raw.info["sfreq"])
    if not SLOWEST_HZ <= frequency <= FASTEST_HZ:
        raise found.refusal(f"the header states {frequency:g} samples a second; it is damaged.")
    rate = exact_rate(frequency).limit_denominator(_LARGEST_DENOMINATOR)
    if rate <= 0 or raw.n_times / rate > LONGEST_S:
        raise found.refusal(f"the header states {frequency:g} samples a second; it is damaged.")
    start = known_start(_start(raw), found)
    channels = tuple(_channels(raw, units, rate, unit, found))
    return Recording(
        name=visible(path.stem),
        format=type(raw).__name__.removeprefix("Raw"),
        start=start.moment,
        start_time_known=start.clock is not None,
        duration_s=float(raw.n_times / rate),
        channels=channels,
        marks=_marks(raw),
        gaps=(),
        notes=found.notes,
        source=MneSource(raw, files, path if is_path else None),
        start_clock=start.clock,
        excluded=_bad_spans(raw),
    )
