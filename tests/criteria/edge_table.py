"""``python -m tests.criteria.edge_table``: how near edges come, and what is missed near the threshold.

Rectangular bursts of 60-140 Hz Gaussian noise, default criterion, 1000 samples a second. The tests of
``test_edges.py`` hold the limits; this prints the figures behind them.
"""

from __future__ import annotations

import numpy as np

from tests.criteria.test_edges import large, median_size, trial

DURATIONS_S = (0.2, 0.5, 3.0)


def edges() -> None:
    print("Edges, ms                onset          offset        duration")
    print("x threshold  rest  s   median   p95   median   p95    bias   split %")
    for times in (1.5, 2, 4, 10):
        for rest in (0.1, 0.5):
            for duration_s in DURATIONS_S:
                n = 100 if duration_s > 1 else 400
                found = trial(times, rest, duration_s, n=n)
                print(
                    f"{times:>11g} {rest:>5g} {duration_s:>3g} {median_size(found.onset_ms):>8.1f}"
                    f"{large(found.onset_ms):>6.1f} {median_size(found.offset_ms):>8.1f}"
                    f"{large(found.offset_ms):>6.1f} {np.mean(found.duration_ms):>7.1f}"
                    f"{100 * found.split / n:>10.1f}"
                )


def misses() -> None:
    print("\nBursts of 0.5 s near the threshold, %, rest at a tenth of it")
    print("x threshold   found at all   found whole   long enough (0.25 s)")
    for times in (0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5):
        n = 400
        found = trial(times, 0.1, 0.5, n=n)
        seen = n - found.lost
        long = int((found.found_s >= 0.25 - 1e-9).sum())
        print(
            f"{times:>11g} {100 * seen / n:>14.1f} {100 * (seen - found.split) / n:>13.1f}"
            f"{100 * long / n:>23.1f}"
        )


if __name__ == "__main__":
    edges()
    misses()
