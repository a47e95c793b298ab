"""The long run of damaged files: ``python -m tests.recording.fuzz --mutations 100000``.

Files of every format (of those that mne reads: BrainVision headers and marks) are bent (bytes flipped,
cells replaced, cut, doubled, filled) and opened. Each must end in a recording whose samples can be read,
with the numbers that another reader finds where that takes the file too (``oracles.py``), or in a refusal
of one sentence that names the file: no other error, no crash of the process, no wait above a few seconds,
and no more memory than a fixed sum above some times the file's length. A failure is printed with the seed
that makes it again.
"""

from __future__ import annotations

import argparse
import io
import json
import resource
import struct
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

import sleepbrux.recording.formats.mne_formats
import sleepbrux.recording.formats.table
import sleepbrux.recording.formats.wav  # noqa: F401  loaded before memory is measured
from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats import hdf5_client as hdf5_line
from tests.recording import oracles
from tests.recording.build import File, Signal, edf, edf_plus, emg, tal, times
from tests.recording.test_fuzz import FILE_WIDTHS, SIGNAL_WIDTHS, opened_or_refused

BATCH = 2500
TRACED = 8
HANGS_S = 150
HDF5_LIMIT_S = 4.0
MOST_FAILURES = 5
MOST_BYTES = 12_000_000
BYTES_A_BYTE = 40
MOST_HELD = 100_000_000
MOST_SECONDS = 20
ADDRESS_SPACE = 6 << 30
CELLS = [
    b"",
    b"0",
    b"-1",
    b"1e9",
    b"1e-9",
    b"nan",
    b"inf",
    b"99999999",
    b"-9999999",
    b"1,5",
    b"1.2.3",
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"EDF+D",
    b"24.00.00",
    b"0.00001",
    b"65535",
    b"\r\n",
    b";",
    b",",
]


def _edf() -> bytes:
    marks = (3, tal("+3.5", "Lights off", duration="2") + tal("+4", "clench"))
    onsets = [f"+{i}" if i < 6 else f"+{i + 20}" for i in range(10)]
    slow = emg(per_record=25, label="SpO2", dimension="%")
    return edf_plus(emg(), slow, times(onsets, marks), reserved="EDF+D").to_bytes()


def _plain_edf() -> bytes:
    slow = emg(per_record=25, label="SpO2", dimension="%")
    return edf_plus(emg(), slow, emg(label="EMG Mass R", dimension="mV")).to_bytes()


def _bdf() -> bytes:
    return edf(emg(), emg(label="ECG"), sample_bytes=3).to_bytes()


def _csv(separator: str, decimal: str, stamp: Callable[[int], str], head: str) -> bytes:
    rows = [
        separator.join((stamp(i), f"{(i * 37 % 101) / 7:.3f}".replace(".", decimal), "", "Lights off"))
        if i % 47 == 5
        else separator.join(
            (stamp(i), *(f"{(i * k % 101) / 7:.3f}".replace(".", decimal) for k in (37, 53)), "")
        )
        for i in range(130)
    ]
    return (head + "\n".join(rows) + "\n").encode("utf-8")


def _csv_comma() -> bytes:
    return _csv(",", ".", lambda i: f"{i / 1000 + (i > 90) * 9:.3f}", "Time [s],EMG Mass L [uV],ECG,Marker\n")


def _csv_shared() -> bytes:
    return _csv(
        ",", ".", lambda i: f"{(i + 30 * (i > 70)) // 10 / 100:.2f}", "Time [s],EMG Mass L [uV],ECG,Marker\n"
    )


def _csv_clock() -> bytes:
    return _csv(";", ",", lambda i: f"2026-03-02 23:59:59.{i:03d}", "\ufeffZeit;EMG;EKG;Marke\n;µV;mV;\n")


def _wav(coding: int, bits: int, magic: bytes = b"RIFF") -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return name + struct.pack("<I", len(body)) + body

    width = bits // 8 * 2
    form = chunk(b"fmt ", struct.pack("<HHIIHH", coding, 2, 1000, 1000 * width, width, bits))
    data = np.random.default_rng(0).integers(0, 256, 600 * width, dtype=np.uint8).tobytes()
    cue = chunk(b"cue ", struct.pack("<IIIIIII", 1, 1, 0, 0, 0, 0, 30))
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, len(data), 600, 0)) if magic != b"RIFF" else b""
    body = b"WAVE" + ds64 + form + cue + chunk(b"LIST", b"adtl" + chunk(b"labl", b"\1\0\0\0Hi\0\0"))
    body += chunk(b"data", data)
    return magic + struct.pack("<I", len(body)) + body


def _brainvision() -> bytes:
    """A header; `beside` writes the files that it names."""
    from tests.recording.test_mne_formats import HEADER

    return HEADER.format(
        data="night.eeg", marker="night.vmrk", unit="µV", interval=1000, codepage="UTF-8"
    ).encode("utf-8")


def beside(kind: str, folder: Path, rng: np.random.Generator | None = None) -> None:
    """Write the files that a header names; the table of marks bent."""
    if kind != "mne":
        return
    from tests.recording.test_mne_formats import MARKER

    marks = MARKER.format(data="night.eeg").encode("utf-8")
    (folder / "night.vmrk").write_bytes(bend(marks, rng) if rng is not None else marks)
    (folder / "night.eeg").write_bytes(np.arange(4000, dtype="<i2").tobytes())


def _hdf5(*, packed: bool) -> bytes:
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        group = file.create_group("device")
        group.attrs["sampling rate"] = 1000
        for name in ("EMG Mass L", "EMG Mass R"):
            wave = np.sin(np.arange(800)).astype("<f4")
            data = (
                group.create_dataset(name, data=wave, chunks=(200,), compression="gzip")
                if packed
                else group.create_dataset(name, data=wave)
            )
            data.attrs["unit"] = "mV"
    return buffer.getvalue()


SEEDS: dict[str, tuple[str, list[Callable[[], bytes]]]] = {
    "EDF": ("night.edf", [_edf, _plain_edf]),
    "BDF": ("night.bdf", [_bdf]),
    "CSV": ("night.csv", [_csv_comma, _csv_clock, _csv_shared]),
    "WAV": (
        "night.wav",
        [lambda: _wav(1, 16), lambda: _wav(1, 24), lambda: _wav(3, 32), lambda: _wav(1, 16, b"RF64")],
    ),
    "mne": ("night.vhdr", [_brainvision]),
    "HDF5": ("night.h5", [lambda: _hdf5(packed=False), lambda: _hdf5(packed=True)]),
}


def bend(good: bytes, rng: np.random.Generator) -> bytes:
    """A damaged copy of a file."""
    bad = bytearray(good)
    head = max(min(len(bad), 1280), 1)
    for _ in range(int(rng.integers(1, 4))):
        where = int(rng.integers(0, head if rng.random() < 0.7 else max(len(bad), 1)))
        what = int(rng.integers(0, 7))
        if what <= 2:
            for place in rng.integers(0, max(len(bad), 1), int(rng.integers(1, 12))) if what else [where]:
                if bad:
                    bad[min(int(place), len(bad) - 1)] = int(rng.integers(0, 256))
        elif what == 3:
            cell = CELLS[int(rng.integers(len(CELLS)))]
            bad[where : where + len(cell)] = cell
        elif what == 4 and rng.random() < 0.3:
            del bad[where + 1 :]
        elif what == 5:
            size = int(rng.integers(1, 200))
            bad[where:where] = bad[where : where + size]
        else:
            size = int(rng.integers(1, 64))
            bad[where : where + size] = bytes([int(rng.integers(0, 256))]) * len(bad[where : where + size])
    return bytes(bad)


def bent_header(rng: np.random.Generator) -> bytes:
    """An EDF file with header fields replaced by awkward ones."""
    signal = emg()
    cells = {
        str(n): CELLS[int(rng.integers(len(CELLS)))][: FILE_WIDTHS[n]]
        for n in rng.choice(sorted(FILE_WIDTHS), int(rng.integers(0, 3)), replace=False)
    }
    fields = {
        str(n): CELLS[int(rng.integers(len(CELLS)))][: SIGNAL_WIDTHS[n]]
        for n in rng.choice(sorted(SIGNAL_WIDTHS), int(rng.integers(0, 3)), replace=False)
    }
    return File((Signal(signal.digital, dict(fields)), emg()), 10, dict(cells)).to_bytes()


def memory() -> int:
    """Most bytes that this process, and the one that reads HDF5 for it, have held."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    for line in hdf5_line._lines:
        status = Path(f"/proc/{line._process.pid}/status")
        if status.is_file():
            own += 1024 * int(status.read_text().split("VmHWM:")[1].split()[0])
    return own


def batch(
    kind: str, seed: int, n: int, *, at: Callable[[int], None] = lambda trial: None, first: int = 0
) -> dict[str, float]:
    """Open ``n`` damaged files of one format; the first wrong end raises."""
    name, makers = SEEDS[kind]
    goods = [make() for make in makers]
    opened, agreed, most, slowest = 0, 0, 0.0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        beside(kind, path.parent)
        for good in goods:
            path.write_bytes(good)
            assert opened_or_refused(path)
        held = memory()
        for trial in range(first, n):
            at(trial)
            bad = again(kind, seed, trial, goods)
            path.write_bytes(bad)
            if trial % 5 == 0:
                beside(kind, path.parent, np.random.default_rng([seed, trial, 1]))
            traced = trial % TRACED == 0
            if traced:
                tracemalloc.start()
            started = time.process_time()
            recording = opened_or_refused(path)
            opened += recording is not None
            seconds = time.process_time() - started
            where = f"{kind}, seed {seed}, trial {trial}"
            if traced:
                peak = tracemalloc.get_traced_memory()[1]
                tracemalloc.stop()
                most = max(most, peak)
                assert peak <= MOST_BYTES + BYTES_A_BYTE * len(bad), f"{where}: {peak} bytes"
            slowest = max(slowest, seconds)
            assert seconds < MOST_SECONDS, f"{where}: {seconds} s"
            try:
                agreed += recording is not None and oracles.agrees(recording, path)
            except (AssertionError, RecordingError) as error:
                raise AssertionError(f"{where}: {error}") from error
            assert memory() - held < MOST_HELD, f"{where}: {memory() - held} bytes more than before"
        grown = max(memory() - held, 0)
    return {
        "opened": opened,
        "agreed": agreed,
        "n": n - first,
        "peak": most,
        "seconds": slowest,
        "grown": grown,
    }


def again(kind: str, seed: int, trial: int, goods: list[bytes] | None = None) -> bytes:
    """The damaged file of one trial."""
    goods = goods or [make() for make in SEEDS[kind][1]]
    rng = np.random.default_rng([seed, trial])
    good = goods[int(rng.integers(len(goods)))]
    return bent_header(rng) if kind == "EDF" and trial % 3 == 0 else bend(good, rng)


def _run(kind: str, seed: int, n: int) -> tuple[list[dict[str, float]], list[str]]:
    """One batch in a process of its own; a trial that kills or holds it is told, and the rest goes on."""
    results, failures, first = [], [], 0
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "trial"
        while first < n and len(failures) < MOST_FAILURES:
            place.write_text(str(first))
            command = [
                sys.executable,
                "-W",
                "error",
                "-m",
                "tests.recording.fuzz",
                "--batch",
                kind,
                str(seed),
                str(n),
                str(first),
                str(place),
            ]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            said = ""
            while True:
                try:
                    out, said = process.communicate(timeout=HANGS_S)
                    break
                except subprocess.TimeoutExpired:
                    if time.time() - place.stat().st_mtime > HANGS_S:
                        process.kill()
                        out, said = *process.communicate()[:1], "no end"
                        break
            if process.returncode == 0:
                results.append(json.loads(out))
                break
            trial = int(place.read_text())
            failures.append(f"{kind}, seed {seed}, trial {trial}: {said[-1500:]}")
            first = trial + 1
    return results, failures


def main() -> int:
    """Run batches in processes of their own; ``--state`` keeps what is done, to go on later."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--mutations", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kinds", nargs="*", default=list(SEEDS))
    parser.add_argument("--state", type=Path, default=None, help="JSON lines of finished batches")
    parser.add_argument("--batch", nargs=5, metavar=("KIND", "SEED", "N", "FIRST", "PLACE"))
    given = parser.parse_args()
    if given.batch:
        resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
        hdf5_line.STEP_LIMIT_S = HDF5_LIMIT_S
        kind, seed, n, first, place = given.batch
        done = batch(
            kind,
            int(seed),
            int(n),
            first=int(first),
            at=lambda trial: Path(place).write_text(str(trial)) and None,
        )
        print(json.dumps(done))
        return 0
    kept = (
        [json.loads(line) for line in given.state.read_text().splitlines()]
        if (given.state and given.state.is_file())
        else []
    )
    each = -(-given.mutations // len(given.kinds))
    failures = []
    for kind in given.kinds:
        totals = {"n": 0.0, "opened": 0.0, "agreed": 0.0, "peak": 0.0, "seconds": 0.0, "grown": 0.0}
        for k, start in enumerate(range(0, each, BATCH)):
            key = [kind, given.seed + k, min(BATCH, each - start)]
            old = next((line for line in kept if line["key"] == key), None)
            results, wrong = (old["results"], old["wrong"]) if old else _run(*key)
            if given.state and old is None:
                with given.state.open("a") as file:
                    file.write(json.dumps({"key": key, "results": results, "wrong": wrong}) + "\n")
            failures += wrong
            for text in wrong:
                print(text, flush=True)
            for result in results:
                for name, value in result.items():
                    add = name in {"n", "opened", "agreed"}
                    totals[name] = totals[name] + value if add else max(totals[name], value)
        print(
            f"{kind:5} {totals['n']:>7.0f} damaged files, {totals['opened']:>6.0f} opened"
            f" ({totals['agreed']:.0f} also by another reader, same numbers), the rest refused;"
            f" most memory {totals['peak'] / 1e6:.1f} MB in Python, {totals['grown'] / 1e6:.0f} MB grown in"
            f" a batch; slowest {totals['seconds']:.2f} s",
            flush=True,
        )
    print(f"{len(failures)} failures" if failures else "no other end than a recording or a refusal")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
