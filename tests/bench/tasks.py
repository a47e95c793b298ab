"""What is measured. Each task runs in a process of its own: ``python -m tests.bench.tasks NAME FILE OUT``.

It prepares what is not measured, runs once to warm up, then again, and prints both times as JSON.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

MVC_UV = 190.0
RULE_SETS = 200


def bare_pass(path: Path, out: Path) -> Callable[[], Any]:
    """(a) Read the file into a reused buffer and sum it as int64: the physical limit."""
    buffer = np.empty(4_000_000, dtype="<i2")

    def run() -> int:
        total = 0
        with path.open("rb", buffering=0) as file:
            while n := file.readinto(buffer):
                total += int(buffer[: n // 2].sum(dtype=np.int64))
        return total

    return run


def general_libraries(path: Path, out: Path) -> Callable[[], Any]:
    """(b) The obvious pipeline: mne reads, band-pass, notch, moving RMS, threshold."""
    import mne
    from scipy import signal

    def run() -> int:
        raw = mne.io.read_raw_edf(path, preload=True, verbose="error")
        raw.filter(20, min(450, 0.45 * raw.info["sfreq"]), verbose="error")
        raw.notch_filter(50, verbose="error")
        width = round(raw.info["sfreq"] / 8)
        power = signal.fftconvolve(raw.get_data() ** 2, np.ones((1, width)) / width, "same", axes=1)
        return int((np.sqrt(np.maximum(power, 0)) > 19e-6).sum())

    return run


def scipy_alone(path: Path, out: Path) -> Callable[[], Any]:
    """(c) numpy reads the records; scipy band-pass, notch, moving RMS; threshold."""
    from scipy import ndimage, signal

    from sleepbrux.recording.formats.edf import open_edf

    recording = open_edf(path)
    rate = float(recording.channels[0].rate)
    width = round(rate / 8)
    sos = signal.butter(4, (20, min(450, 0.45 * rate)), "bandpass", fs=rate, output="sos")
    notch = signal.iirnotch(50, 30, fs=rate)

    def run() -> int:
        found = 0
        for channel in recording.channels:
            (block,) = recording.source.blocks([channel], 0, channel.n_stored)
            records = block.data.reshape(-1, block.record_length)
            at = block.channel_offset
            x = records[:, at : at + block.per_record].ravel() * channel.gain
            x = signal.lfilter(*notch, signal.sosfilt(sos, x))
            found += int((np.sqrt(ndimage.uniform_filter1d(x**2, width)) > 19).sum())
        return found

    return run


def in_process(path: Path, out: Path) -> Callable[[], Any]:
    """(d) From EDF to scored night, in-process, with memory kept as in a batch."""
    from sleepbrux.recording.opening import open_recording
    from sleepbrux.reference import given
    from sleepbrux.scoring.night import score_night
    from sleepbrux.signal.startup import load_kernels

    load_kernels(many_nights=True)
    reference = given([c.label for c in open_recording(path).channels], MVC_UV)
    return lambda: score_night(path, reference)


def rescoring(path: Path, out: Path) -> Callable[[], Any]:
    """(f) An archived night, loaded, scored again; memory kept as in (d)."""
    from sleepbrux.archive.file import load_night
    from sleepbrux.scoring.night import rescore
    from sleepbrux.signal.startup import load_kernels

    load_kernels(many_nights=True)
    night = load_night(archive_of(path, out))
    # without the envelopes that the run before made
    return lambda: rescore(replace(night, swept=replace(night.swept)), night.criterion)


def loading(path: Path, out: Path) -> Callable[[], Any]:
    """(l) Reading the archive."""
    from sleepbrux.archive.file import load_night

    return lambda: load_night(archive_of(path, out))


def storing(path: Path, out: Path) -> Callable[[], Any]:
    """(s) Writing the archive, flushed to disk."""
    from sleepbrux.archive.file import load_night, save_night

    night = load_night(archive_of(path, out))
    return lambda: save_night(night, out / "again.night.h5")


def rule_sets(path: Path, out: Path) -> Callable[[], Any]:
    """(g) The night under 200 rule sets; memory kept as in (d)."""
    from sleepbrux.archive.file import load_night
    from sleepbrux.scoring.events import find_events
    from sleepbrux.signal.startup import load_kernels

    load_kernels(many_nights=True)
    night = load_night(archive_of(path, out))

    def run() -> None:
        swept = replace(night.swept)  # without the envelopes of the run before
        for k in range(RULE_SETS):
            rule = night.criterion.derive({"threshold.level_pct_mvc": 2.0 + 0.19 * k})
            find_events(swept, criterion=rule, window=night.window, reference=night.reference)

    return run


def _page_in_browser(path: Path, out: Path) -> tuple[Any, Callable[[], None]]:
    """Headless Chromium, and what opens the report page in it until strip and close-ups are drawn."""
    import shutil

    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service
    from selenium.webdriver.support.ui import WebDriverWait

    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    options = webdriver.ChromeOptions()
    options.binary_location = next(p for p in map(shutil.which, names) if p)
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,1600"):
        options.add_argument(flag)
    own = shutil.which("chromedriver")
    browser = webdriver.Chrome(options=options, service=Service(own) if own else Service())
    page = (out / "e" / f"{path.stem}.report.html").resolve().as_uri()
    drawn = "return Boolean(document.getElementById('strip').dataset.ready)"

    def opened() -> None:
        browser.get(page)
        WebDriverWait(browser, 20, poll_frequency=0.005).until(lambda b: b.execute_script(drawn))

    return browser, opened


def report_page(path: Path, out: Path) -> Callable[[], Any]:
    """(h) The report page in headless Chromium, from the address to strip and close-ups ready."""
    browser, opened = _page_in_browser(path, out)
    opened.close = browser.quit  # type: ignore[attr-defined]
    return opened


ZOOMS = 40
ZOOM = """
const done = arguments[1], strip = document.getElementById("strip");
let left = arguments[0];
(function next() {
  if (!left) { done(strip.dataset.from); return; }
  document.querySelector('[data-do="' + (Math.floor(--left / 10) % 2 ? "in" : "out") + '"]').click();
  requestAnimationFrame(() => setTimeout(next));
})();
"""


def zooming(path: Path, out: Path) -> Callable[[], Any]:
    """(z) `ZOOMS` zooms of the report page, each from the click until the strip is drawn."""
    browser, opened = _page_in_browser(path, out)
    opened()

    def run() -> None:
        browser.execute_async_script(ZOOM, ZOOMS)

    run.close = browser.quit  # type: ignore[attr-defined]
    return run


IN_PROCESS = {
    "a": bare_pass,
    "b": general_libraries,
    "c": scipy_alone,
    "d": in_process,
    "f": rescoring,
    "g": rule_sets,
    "h": report_page,
    "l": loading,
    "s": storing,
    "z": zooming,
}
KERNEL = (
    "import numpy as np; from sleepbrux.signal import kernels; "
    "kernels.mean_known(np.ones(9, dtype=np.float32), 0, 9)"
)


def archive_of(path: Path, out: Path) -> Path:
    """The archive that (e) has left."""
    return out / "e" / f"{path.stem}.night.h5"


def command(name: str, path: Path, out: Path) -> list[str]:
    """The process that measures, or is, a task."""
    whole = {
        "e": [
            "-m",
            "sleepbrux",
            "score",
            str(path),
            "--mvc-uv",
            f"{MVC_UV:g}",
            "--out",
            str(out / "e"),
        ],
        "i": ["-m", "sleepbrux", "--help"],
        "k": ["-c", KERNEL],
    }
    arguments = whole.get(name, ["-m", "tests.bench.tasks", name, str(path), str(out)])
    return [sys.executable, *arguments]


def main() -> None:
    name, path, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    run = IN_PROCESS[name](path, out)
    times = []
    for _ in range(1 if name == "b" else 2):
        wall, cpu = time.perf_counter(), time.process_time()
        run()
        times.append((time.perf_counter() - wall, time.process_time() - cpu))
    getattr(run, "close", lambda: None)()
    print(json.dumps({"wall_s": times[-1][0], "cpu_s": times[-1][1], "first_s": times[0][0]}))


if __name__ == "__main__":
    main()
