"""Open a recording of any kind that is read, decided by the content of the file."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

from sleepbrux.recording.edf import open_edf
from sleepbrux.recording.edf_header import kind_of
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.model import Recording

READ = "EDF, EDF+, BDF, BDF+ and BrainVision (.vhdr)"

_PACKED = (
    (b"\x1f\x8b", "gzip-compressed"),
    (b"PK\x03\x04", "a zip archive"),
    (b"BZh", "bzip2-compressed"),
    (b"\xfd7zXZ\0", "xz-compressed"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a rar archive"),
)
_OTHER = (
    (b"\x89HDF\r\n\x1a\n", "HDF5"),
    (b"RIFF", "WAV"),
    (b"RF64", "WAV"),
    (b"%PDF", "PDF"),
    (b"<?xml", "XML"),
    (b"MATLAB 5.0", "MATLAB"),
)
_BRAINVISION = (b"Brain Vision Data Exchange Header", b"BrainVision Data Exchange Header")
# Formats that only mne reads; there the name decides, as it does in mne.
_MNE_SUFFIXES = frozenset({".vhdr", ".ahdr", ".fif", ".set", ".cnt", ".gdf", ".nxe", ".mff"})
_BRAINVISION_PARTS = frozenset({".eeg", ".vmrk"})
_TEXT_SUFFIXES = {".csv": "CSV", ".tsv": "TSV", ".txt": "plain text", ".asc": "plain text"}


def _first_bytes(path: Path, found: Findings) -> bytes:
    try:
        with path.open("rb") as handle:
            return handle.read(256)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise found.refusal(f"the file cannot be read ({reason}); check the path.") from error


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
    named = _starts(first, _OTHER) or _TEXT_SUFFIXES.get(suffix, "")
    if named:
        return found.refusal(f"{named} files are not read as recordings; read are {READ}.")
    return found.refusal(
        f"the first bytes {first[:8]!r} are those of no known recording; read are {READ}."
    )


def open_recording(
    path: str | Path,
    *,
    unit: str | Mapping[str, str] | None = None,
    record_duration: float | str | Fraction | None = None,
) -> Recording:
    """Open a recording; its samples are read when asked for.

    Parameters
    ----------
    path
        The file. The first bytes decide what it is, not the name.
    unit
        Unit of the values where the file's is wrong or missing: ``"uV"``, ``"mV"``, ``"nV"`` or
        ``"V"``, for every electrical channel or by label.
    record_duration
        Seconds of a data record of an EDF or BDF file whose header is wrong about it.

    Raises
    ------
    RecordingError
        Where the file is missing, of another kind, or cannot be read rightly.
    """
    path = Path(path)
    found = Findings(path)
    _check_place(path, found)
    first = b"" if path.is_dir() else _first_bytes(path, found)
    if not first and not path.is_dir():
        raise found.refusal("the file is empty; copy it again from the recorder.")
    if kind_of(first):
        return open_edf(path, unit=unit, record_duration=record_duration)
    packed_or_other = _starts(first, _PACKED) or _starts(first, _OTHER)
    by_name = path.suffix.lower() in _MNE_SUFFIXES and not packed_or_other
    if by_name or first.startswith(_BRAINVISION):
        from sleepbrux.recording.mne_formats import open_with_mne

        return open_with_mne(path, unit=unit)
    raise _refused(path, first, found)
