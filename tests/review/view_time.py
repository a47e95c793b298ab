"""``python -m tests.review.view_time``: how long a view of a full-size night takes.

Writes a night of 8 h, four channels at 2 kHz (461 MB), scores it, builds the trace and asks for views of
every width, in-process: processor and wall time of the median and of the slowest. Then a decision.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from datetime import datetime
from pathlib import Path

import numpy as np

from sleepbrux.archive.file import save_night
from sleepbrux.archive.journal.file import DecisionDraft
from sleepbrux.recording.edf_writer import Annotation, EdfSignal, write_edf
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import given
from sleepbrux.review.session import ReviewSession
from sleepbrux.review.trace import Trace, check_same, packed
from sleepbrux.scoring.night import score_night
from tests.nights import emg

LABELS = ("EMG Masseter L", "EMG Masseter R", "EMG Temporalis L", "EMG Temporalis R")
RATE, HOURS, WIDTH = 2000, 8, 1500


def full_night(path: Path, hours: float) -> None:
    """Blocks of a minute, some with three bursts; noise of EMG shape."""
    rng = np.random.default_rng(1)
    minutes = int(hours * 60)
    base = [emg(rng, 60 * RATE, RATE) for _ in LABELS]
    quiet = [np.round(b * 2.5 / 0.1).astype(np.int16) for b in base]
    level = np.full(60 * RATE, 2.5)
    for k in range(4):
        level[(10 + k) * RATE : (10 + k) * RATE + RATE // 2] = 60.0
    active = [np.round(b * level / 0.1).astype(np.int16) for b in base]
    blocks = (active if m % 3 == 1 else quiet for m in range(minutes))
    write_edf(
        path,
        [EdfSignal(label[:16], RATE) for label in LABELS],
        blocks,
        onsets=range(minutes * 60),
        annotations=[Annotation(60.0, 0.0, "Lights off")],
        start=datetime(2026, 3, 2, 22, 40),
    )


def timed(function):
    wall, cpu = time.perf_counter(), time.process_time()
    result = function()
    return result, 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=HOURS)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "full.edf"
        full_night(path, hours)
        recording = open_recording(path)
        night = score_night(recording, given(list(LABELS), 200.0))
        print(
            f"{path.stat().st_size / 1e6:.0f} MB, {len(night.episodes)} episodes, {len(night.merged)} bursts"
        )
        channels, wall, cpu = timed(lambda: check_same(night, recording))
        print(f"check of the digest: wall {wall:.0f} ms, processor {cpu:.0f} ms")
        trace = Trace(night, recording, channels)
        _, wall, cpu = timed(trace.build)
        print(f"trace built: wall {wall / 1000:.1f} s, processor {cpu / 1000:.1f} s")
        rng = np.random.default_rng(2)
        print(f"{'span, s':>10}{'basis':>11}{'wall ms':>9}{'cpu ms':>9}{'worst wall':>12}")
        for span in (0.1, 1, 5, 20, 60, 95, 97, 300, 1800, 7200, hours * 3600):
            walls, cpus, basis = [], [], ""
            for _ in range(15):
                a = float(rng.uniform(0, max(hours * 3600 - span, 1e-9)))
                views, wall, cpu = timed(
                    lambda a=a, span=span: [
                        view(k, a, a + span, WIDTH) for view in (trace.view, trace.envelope) for k in range(4)
                    ]
                )
                _, more, more_cpu = timed(lambda views=views: packed(views))
                walls.append(wall + more)
                cpus.append(cpu + more_cpu)
                basis = views[0].basis
            print(
                f"{span:>10g}{basis:>11}{statistics.median(walls):>9.1f}"
                f"{statistics.median(cpus):>9.1f}{max(walls):>12.1f}"
            )
        save_night(night, Path(folder) / "full.night.h5")
        desk = ReviewSession(night, Path(folder) / "full.review.jsonl", trace)
        walls, cpus = [], []
        for k in range(15):
            draft = DecisionDraft(action="reject", target=f"e{k}", reason="x")
            _, wall, cpu = timed(lambda draft=draft: (desk.decide(desk.seq, draft, "AB"), desk.state()))
            walls.append(wall)
            cpus.append(cpu)
        print(
            f"a decision, on disk and recomputed: wall {statistics.median(walls):.0f} ms, processor "
            f"{statistics.median(cpus):.0f} ms"
        )


if __name__ == "__main__":
    main()
