"""``python -m tests.ready_code``: compile the loops beforehand, for the wheel.

Short made nights are scored in a process whose compiler takes the processor family of `signal.ready.CPU` for this one,
with samples of every stored type, hum, a heart and lost samples; what numba kept of that goes to `signal.ready.READY`,
and a wheel built afterwards holds it. ``--check`` scores them with an empty cache of numba's own and fails where a
loop was compiled all the same. ``--processors`` compiles for this processor, for the family and for any x86, and
compares the bytes of the archives.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import wave
from collections.abc import Iterator, Mapping
from hashlib import sha256
from pathlib import Path

from sleepbrux.signal.ready import CPU, FEATURES

LISTING = 6  # place of the listing in what numba's CompileResult reduces to
FAMILY = {"NUMBA_CPU_NAME": CPU, "NUMBA_CPU_FEATURES": FEATURES}
EXCERPT = Path("demo_data/excerpt.edf")


def score_all(folder: Path) -> None:
    """Score what stands for all that a user's files make the loops do."""
    import h5py
    import numpy as np

    import sleepbrux as sb
    from tests.nights import LABELS, RATE, recording_of, rhythm, signal_of

    seconds = 300
    bursts = rhythm(60, 6) + rhythm(200, 5)
    nights = {"excerpt": sb.score(EXCERPT, mvc_uv=190)}
    for criterion in sb.criterion_ids("jaw"):
        with contextlib.suppress(sb.UsageError):  # one that needs a heart
            made = recording_of([bursts, bursts], seconds=seconds)
            nights[criterion] = sb.score(made, mvc_uv=200, criterion=criterion)

    t = np.arange(seconds * RATE) / RATE
    signal = np.stack([signal_of(bursts, seconds=seconds, seed=k) for k in range(2)])
    signal += 20 * np.sin(2 * np.pi * 50 * t) + 60 * np.exp(-((((t + 0.3) % 0.9) - 0.3) ** 2) / 0.012**2)
    signal[:, 150_000:150_400] = np.nan
    nights["array"] = sb.score(signal, rate_hz=RATE, labels=LABELS, mvc_uv=200)

    with h5py.File(folder / "float.h5", "w") as file:
        for k, label in enumerate(LABELS):
            data = file.create_dataset(label, data=np.nan_to_num(signal[k]).astype(np.float32))
            data.attrs.update(rate_hz=float(RATE), unit="uV")
    nights["hdf5"] = sb.score(folder / "float.h5", mvc_uv=200, rate_hz=RATE, unit="uV")

    as_jaw = sb.Hints(roles=(("ch1", "masseter left"), ("ch2", "masseter right")))
    steps = np.ascontiguousarray(np.nan_to_num(signal.T) * 1000).astype("<i4")
    for width in (2, 3, 4):
        with wave.open(str(folder / f"bytes{width}.wav"), "wb") as file:
            file.setnchannels(2)
            file.setsampwidth(width)
            file.setframerate(RATE)
            packed = steps if width > 2 else steps // 64
            file.writeframes(packed.view(np.uint8).reshape(len(steps), 2, 4)[..., :width].tobytes())
        path = folder / f"bytes{width}.wav"
        nights[path.stem] = sb.score(path, mvc_uv=200, scale=1000.0, hints=as_jaw)
    for name, night in nights.items():
        sb.save_night(night, folder / f"{name}.night.h5")
        sb.load_night(folder / f"{name}.night.h5")


@contextlib.contextmanager
def scored(more: Mapping[str, str]) -> Iterator[Path]:
    """A folder in which a process with a cache of its own scored, and kept what it had to compile."""
    with tempfile.TemporaryDirectory() as name:
        environment = {**os.environ, "NUMBA_CACHE_DIR": f"{name}/cache", **more}
        command = [sys.executable, "-m", "tests.ready_code", "--score", name]
        subprocess.run(command, check=True, env=environment)
        yield Path(name)


def without_listing(path: Path) -> bytes:
    """Kept code without its listing of types, which names the folder in which it was compiled."""
    from numba.core.serialize import dumps

    parts = list(pickle.loads(path.read_bytes()))
    parts[LISTING] = ""
    data = bytes(dumps(tuple(parts)))
    if str(Path.cwd()).encode() in data:
        raise SystemExit(f"{path.name} names the folder in which it was compiled")
    return data


def make() -> int:
    """Compile for the family, and put the code where a wheel takes it from."""
    from sleepbrux.signal.ready import READY

    # with one thread and one order of sets the bytes are the same each time
    with scored({**FAMILY, "PYTHONHASHSEED": "0", "SLEEPBRUX_THREADS": "1"}) as folder:
        shutil.rmtree(READY.parent, ignore_errors=True)
        READY.mkdir(parents=True)
        for path in folder.rglob("*.nb[ci]"):
            data = path.read_bytes() if path.suffix == ".nbi" else without_listing(path)
            (READY / path.name).write_bytes(data)
    sizes = [path.stat().st_size for path in READY.iterdir()]
    print(f"{len(sizes)} files, {sum(sizes) / 1e6:.1f} MB, for {CPU}")
    return 0


def check() -> int:
    """Whether the code serves everything that is scored here."""
    with scored({}) as folder:
        new = sorted(path.name for path in folder.rglob("*.nbc"))
    print("compiled all the same: " + ", ".join(new) if new else "nothing was compiled")
    return int(bool(new))


def processors() -> int:
    """Whether the code of each kind gives the same archives, to the byte."""
    found = {}
    for name, more in {"ready or native": {}, CPU: FAMILY, "generic": {"NUMBA_CPU_NAME": "generic"}}.items():
        with scored(more) as folder:
            archives = sorted(folder.glob("*.night.h5"))
            found[name] = {path.name: sha256(path.read_bytes()).hexdigest() for path in archives}
    first, *others = found.values()
    same = all(other == first for other in others)
    print(f"{len(first)} archives, {', '.join(found)}: {'the same bytes' if same else 'not the same bytes'}")
    return int(not same)


def main() -> int:
    """Make the code, or check it."""
    if sys.argv[1:2] == ["--score"]:
        score_all(Path(sys.argv[2]))
        return 0
    return {(): make, ("--check",): check, ("--processors",): processors}[tuple(sys.argv[1:])]()


if __name__ == "__main__":
    sys.exit(main())
