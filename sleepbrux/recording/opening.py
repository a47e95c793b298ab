"""Open a recording of any kind that is read, decided by the content of the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from sleepbrux.core.arguments import CALL, LEVELS, NONE, NUMBER, PATH, TEXT, WORDS, Kind, check, each, of
from sleepbrux.core.errors import RecordingError
from sleepbrux.core.texts import file_name
from sleepbrux.recording.daylight import clock_change
from sleepbrux.recording.files import opened, unreadable
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.formats.edf_header import kind_of
from sleepbrux.recording.labels import with_roles
from sleepbrux.recording.memory import exact_rate
from sleepbrux.recording.model import Recording

READ = "EDF, EDF+, BDF, BDF+, BrainVision (.vhdr), CSV, WAV, HDF5 and XDF"

_PACKED = (
    (b"\x1f\x8b", "gzip-compressed"),
    (b"PK\x03\x04", "a zip archive"),
    (b"BZh", "bzip2-compressed"),
    (b"\xfd7zXZ\0", "xz-compressed"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a rar archive"),
)
# MATLAB of version 7.3 puts a text of its own before an HDF5 file.
_HDF5 = (b"\x89HDF\r\n\x1a\n", b"MATLAB 7.3 MAT-file")
_WAVES = (b"RIFF", b"RF64", b"BW64")
_XDF = b"XDF:"
_OTHER = (
    (b"%PDF", "PDF"),
    (b"<?xml", "XML"),
    (b"MATLAB 5.0", "MATLAB"),
)
_BRAINVISION = (b"Brain Vision Data Exchange Header", b"BrainVision Data Exchange Header")
# Formats that only mne reads; there the name decides, as it does in mne.
_MNE_SUFFIXES = frozenset({".vhdr", ".ahdr", ".fif", ".set", ".cnt", ".gdf", ".nxe", ".mff"})
_BRAINVISION_PARTS = frozenset({".eeg", ".vmrk"})


def _first_bytes(path: Path) -> bytes:
    with opened(path) as handle:
        try:
            return handle.read(256)
        except OSError as error:
            raise unreadable(path, error) from error


def _check_place(path: Path, found: Findings) -> None:
    if path.is_dir() and path.suffix.lower() != ".mff":
        raise found.refusal("this is a folder; give the recording file in it.")
    if not path.exists():
        raise found.refusal("there is no such file; check the path.")


def _starts(first: bytes, table: tuple[tuple[bytes, str], ...]) -> str:
    return next((name for magic, name in table if first.startswith(magic)), "")


def _refused(path: Path, first: bytes, found: Findings) -> Exception:
    """The refusal that fits a file that is not read."""
    suffix = path.suffix.lower()
    packed = _starts(first, _PACKED)
    if packed:
        return found.refusal(f"the file is {packed}; unpack it and give the recording in it.")
    if suffix in _BRAINVISION_PARTS:
        return found.refusal(
            f"this is one part of a BrainVision recording; give its header {path.stem + '.vhdr'!r}."
        )
    if first.startswith(_WAVES):
        return found.refusal("the file is of the RIFF family and holds no sound; read are " + READ + ".")
    named = _starts(first, _OTHER)
    if named == "MATLAB":
        return found.refusal(
            "MATLAB files of version 5 are not read, those of version 7.3 are, which are HDF5: save it in "
            f"MATLAB with save(name, '-v7.3'), or export it; read are {READ}."
        )
    if named:
        return found.refusal(f"{named} files are not read as recordings; read are {READ}.")
    return found.refusal(f"the first bytes {first[:8]!r} are those of no known recording; read are {READ}.")


def _is_text(first: bytes) -> bool:
    """Whether the first bytes are those of a text, in any encoding."""
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        return True
    controls = sum(byte < 32 and byte not in b"\t\n\r\f" for byte in first)
    return not controls and any(byte in b"0123456789" for byte in first)


@dataclass(frozen=True)
class Hints:
    """What a user says about a file that the file does not say, or says wrongly.

    Attributes
    ----------
    unit
        Unit of the values where the file's is wrong or missing: ``"uV"``, ``"mV"``, ``"nV"`` or
        ``"V"``, for every electrical channel or by label.
    scale
        µV that a stored value of 1 stands for (in WAV: full scale), for all or by label; for CSV, WAV, HDF5
        and XDF.
    rate_hz
        Samples a second, for CSV, WAV and HDF5.
    record_duration_s
        Seconds of a data record of an EDF or BDF file whose header is wrong about it.
    time_unit
        ``"s"``, ``"ms"`` or ``"us"``: unit of the time column of a CSV file.
    datasets
        Data sets of an HDF5 file, or streams of an XDF file by name or id, that are to be read.
    roles
        What channels are, by label: a role such as ``"ecg"``, or a name such as ``"masseter left"``.

    Examples
    --------
    >>> from sleepbrux import Hints
    >>> Hints(unit="mV", rate_hz=1000).unit
    'mV'
    """

    unit: str | Mapping[str, str] | None = None
    scale: float | Mapping[str, float] | None = None
    rate_hz: float | str | Fraction | None = None
    record_duration_s: float | str | Fraction | None = None
    time_unit: str | None = None
    datasets: tuple[str, ...] = ()
    roles: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        pair = Kind(lambda value: each(TEXT, "").fits(value) and len(value) == 2, "two texts")
        check(
            unit=(self.unit, NONE | WORDS),
            scale=(self.scale, NONE | LEVELS),
            rate_hz=(self.rate_hz, NONE | NUMBER | TEXT),
            record_duration_s=(self.record_duration_s, NONE | NUMBER | TEXT),
            time_unit=(self.time_unit, NONE | TEXT),
            datasets=(self.datasets, each(TEXT, "a list of texts")),
            roles=(self.roles, each(pair, "pairs of label and role")),
        )


def open_recording(
    path: str | Path,
    hints: Hints | None = None,
    *,
    unit: str | Mapping[str, str] | None = None,
    record_duration_s: float | str | Fraction | None = None,
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Open a recording; its samples are read when asked for.

    Parameters
    ----------
    path
        The file. The first bytes decide what it is, not the name.
    hints
        What the file does not say itself.
    unit, record_duration_s
        Short for `Hints` with these.
    progress
        Called with the share read, 0 to 1, for a file that has to be read to be opened (CSV, samples that are
        floating-point numbers).

    Returns
    -------
    Recording

    Raises
    ------
    RecordingError
        Where the file is missing, of another kind, or cannot be read rightly.

    Examples
    --------
    >>> open_recording("demo_data/excerpt.edf").channel("EMG Masseter L").unit
    'uV'
    """
    check(
        path=(path, PATH),
        hints=(hints, NONE | of(Hints)),
        unit=(unit, NONE | WORDS),
        record_duration_s=(record_duration_s, NONE | NUMBER | TEXT),
        progress=(progress, NONE | CALL),
    )
    hints = hints or Hints()
    if unit is not None:
        hints = replace(hints, unit=unit)
    if record_duration_s is not None:
        hints = replace(hints, record_duration_s=record_duration_s)
    path = Path(path)
    found = Findings(path)
    recording = _open(path, hints, found, progress)
    changes = clock_change(recording.start, recording.duration_s)
    if changes is not None and not any(n.code == "clock-change" for n in recording.notes):
        recording = replace(recording, notes=(*recording.notes, changes))
    return with_roles(recording, hints.roles) if hints.roles else recording


_OF_SOME = ("scale", "rate_hz", "time_unit", "datasets", "record_duration_s")
_USED = {
    "EDF": ("record_duration_s",),
    "HDF5": ("scale", "rate_hz", "datasets"),
    "WAV": ("scale", "rate_hz"),
    "XDF": ("scale", "datasets"),
    "text": ("scale", "rate_hz", "time_unit"),
}
_NAMES = {"EDF": "EDF or BDF", "text": "CSV", "mne": "this kind"}


def _refuse_unused(hints: Hints, kind: str, found: Findings) -> None:
    """Refuse a hint that this kind of file has no use for: it would be dropped silently."""
    for name in _OF_SOME:
        if getattr(hints, name) and name not in _USED.get(kind, ()):
            raise found.refusal(
                f"`{name}` has no meaning for a file of {_NAMES.get(kind, kind)}; leave it out."
            )


def fitting(path: Path, hints: Hints) -> Hints:
    """The hints that a file's kind has a use for, where they are said of many files of several kinds."""
    try:
        used = _USED.get(family(path), ())
    except RecordingError:
        return hints
    given = {name: getattr(hints, name) for name in used}
    return replace(Hints(unit=hints.unit, roles=hints.roles), **given)


def unread(path: Path) -> str:
    """Why a file of a known kind that is not read is refused: packed, or MATLAB; else empty."""
    found = Findings(path)
    first = _first_bytes(path)
    if _starts(first, _PACKED) or first.startswith(b"MATLAB 5.0"):
        return str(_refused(path, first, found)).removeprefix(f"{file_name(path)}: ").rstrip(".")
    return ""


def family(path: Path) -> str:
    """``"EDF"`` (BDF as well), ``"HDF5"``, ``"WAV"``, ``"XDF"``, ``"mne"``, ``"text"`` or ``""``, by the first bytes.

    Raises
    ------
    RecordingError
        Where there is no file, or nothing in it.
    """
    found = Findings(path)
    _check_place(path, found)
    suffix = path.suffix.lower()
    first = b"" if path.is_dir() else _first_bytes(path)
    if not first and not path.is_dir():
        raise found.refusal("the file is empty; copy it again from the recorder.")
    if kind_of(first):
        return "EDF"
    if first.startswith(_HDF5) and suffix not in _MNE_SUFFIXES:
        return "HDF5"
    if first.startswith(_XDF) or (first.startswith(_WAVES) and first[8:12] == b"WAVE"):
        return "XDF" if first.startswith(_XDF) else "WAV"
    if _starts(first, _PACKED) or _starts(first, _OTHER):
        return ""
    if suffix in _MNE_SUFFIXES or first.startswith(_BRAINVISION):
        return "mne"
    return "text" if _is_text(first) and suffix not in _BRAINVISION_PARTS else ""


def _open(path: Path, hints: Hints, found: Findings, progress: Callable[[float], None] | None) -> Recording:
    kind = family(path)
    if kind:
        _refuse_unused(hints, kind, found)
    if hints.rate_hz is not None:
        try:
            exact_rate(hints.rate_hz)
        except RecordingError as error:
            raise found.refusal(f"{error} Give another `rate_hz`.") from error
    if kind == "EDF":
        return open_edf(path, unit=hints.unit, record_duration=hints.record_duration_s)
    if kind == "HDF5":
        from sleepbrux.recording.formats.hdf5 import open_hdf5

        return open_hdf5(
            path,
            datasets=hints.datasets,
            rate=hints.rate_hz,
            unit=hints.unit,
            scale=hints.scale,
            progress=progress,
        )
    if kind == "WAV":
        from sleepbrux.recording.formats.wav import open_wav

        return open_wav(path, rate=hints.rate_hz, unit=hints.unit, scale=hints.scale, progress=progress)
    if kind == "XDF":
        from sleepbrux.recording.formats.xdf import open_xdf

        return open_xdf(path, unit=hints.unit, scale=hints.scale, streams=hints.datasets, progress=progress)
    if kind == "mne":
        from sleepbrux.recording.formats.mne_formats import open_with_mne

        return open_with_mne(path, unit=hints.unit)
    if kind == "text":
        from sleepbrux.recording.formats.table import open_table

        return open_table(
            path,
            rate=hints.rate_hz,
            unit=hints.unit,
            scale=hints.scale,
            time_unit=hints.time_unit,
            progress=progress,
        )
    raise _refused(path, _first_bytes(path), found)
