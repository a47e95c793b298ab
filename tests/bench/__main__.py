"""``python -m tests.bench``: where the time goes, as ratios to a bare pass over the file.

(a) reads the file into a reused buffer and sums it as int64; (d) scores it in-process, from EDF to a
scored night; (e) is the whole ``sleepbrux score`` process with all its files; (f) rescores from the
archive; (g) is the night under 200 rule sets; (h) is ``sleepbrux --help``; (k) is a process that
imports numba and calls one cached kernel. With ``--libraries`` also (b), the obvious pipeline of
general libraries (mne, scipy): it takes half a minute and several GB. Medians of interleaved runs,
file in the page cache.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from sleepbrux.night import Night

KERNEL = (
    "import numpy as np; from sleepbrux.signal import kernels; "
    "kernels.mean_known(np.ones(9, dtype=np.float32), 0, 9)"
)


def bare_pass(path: Path) -> int:
    buffer = np.empty(4_000_000, dtype="<i2")
    total = 0
    with path.open("rb", buffering=0) as file:
        while n := file.readinto(buffer):
            total += int(buffer[: n // 2].sum(dtype=np.int64))
    return total


def libraries(path: Path) -> int:
    import mne
    from scipy import signal

    raw = mne.io.read_raw_edf(path, preload=True, verbose="error")
    raw.filter(20, 450, verbose="error")
    raw.notch_filter(50, verbose="error")
    power = signal.fftconvolve(raw.get_data() ** 2, np.ones((1, 250)) / 250, "same", axes=1)
    return int((np.sqrt(np.maximum(power, 0)) > 19e-6).sum())


def process(*arguments: str) -> Callable[[], None]:
    def call() -> None:
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)

    return call


def many_rules(night: Night) -> None:
    from sleepbrux.night import Prepared, find_events

    prepared = Prepared(night.swept, night.quality)
    for k in range(200):
        rule = night.criterion.derive({"threshold.level_pct_mvc": 2.0 + 0.19 * k})
        find_events(
            prepared, criterion=rule, window=night.window, reference=night.reference
        )  # fmt: skip


def tasks(path: Path, out: Path, *, slow: bool) -> dict[str, Callable[[], object]]:
    from sleepbrux.calibration import given
    from sleepbrux.night import rescore, score_night
    from sleepbrux.recording.opening import open_recording
    from sleepbrux.store import load_night, save_night

    labels = [c.label for c in open_recording(path).channels]
    reference = given(labels, 190.0)
    archive = out / "bench.night.h5"
    save_night(score_night(open_recording(path), reference), archive)
    night = load_night(archive)
    result: dict[str, Callable[[], object]] = {
        "a bare pass": lambda: bare_pass(path),
        "d in-process": lambda: score_night(open_recording(path), reference),
        "e score process": process(
            "-m", "sleepbrux", "score", str(path), "--mvc-uv", "190", "--out", str(out / "e")
        ),
        "f rescore": lambda: rescore(night, night.criterion),
        "g 200 rule sets": lambda: many_rules(night),
        "h --help": process("-m", "sleepbrux", "--help"),
        "k numba alone": process("-c", KERNEL),
    }
    if slow:
        result["b libraries"] = lambda: libraries(path)
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--recording", type=Path, help="EDF to use; else 8 h x 2 ch x 2 kHz are made"
    )
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--libraries", action="store_true", help="run (b) as well, once")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = options.recording
        if path is None:
            from sleepbrux.synth import Recipe, plan_night, write_night

            path = Path(folder) / "bench.edf"
            write_night(plan_night(Recipe(hours=8), seed=1), path, rate=2000)
        work = tasks(path, Path(folder), slow=options.libraries)
        times: dict[str, list[float]] = {name: [] for name in work}
        for run in range(options.runs):
            for name, task in work.items():
                if name.startswith("b ") and run:
                    continue
                begin = time.perf_counter()
                task()
                times[name].append(time.perf_counter() - begin)
    base = statistics.median(times["a bare pass"])
    print(f"{'what':<18}{'median s':>10}{'x bare pass':>13}{'lowest s':>10}")
    for name, values in sorted(times.items()):
        median = statistics.median(values)
        print(f"{name:<18}{median:>10.3f}{median / base:>13.1f}{min(values):>10.3f}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"peak memory of the largest process started: {peak:.0f} MB")


if __name__ == "__main__":
    main()
