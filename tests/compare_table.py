"""``python -m tests.compare_table``: what the comparison's intervals and sentences are worth, by simulation.

Prints coverage of the 95 % interval, how often "lower" or "higher" is said without any effect (per study,
over all contrasts), what serial correlation and 7 against 3 nights do, what the bootstrap of the
descriptive part covers, and how `planning`'s chances compare with other generators. Ten thousand runs a
cell take about five minutes; ``--runs 1000`` a minute.
"""

from __future__ import annotations

import argparse
import sys
from itertools import combinations, product

import numpy as np

from sleepbrux.compare.ratio import arm, estimate, holm_rows
from sleepbrux.compare.rules import LEAST_NIGHTS, SERIAL, VERDICT_P
from sleepbrux.compare.spreads import DRAWS
from sleepbrux.planning import chance, simulate_nights

MEANS = (3.5, 14.0, 35.0, 105.0)
SPREADS = ((0.2, 0.2), (0.5, 0.5), (0.8, 0.8), (0.2, 0.5), (0.5, 0.2), (0.2, 0.8), (0.8, 0.2),
           (0.5, 0.8), (0.8, 0.5))  # fmt: skip
NIGHTS = ((4, 4), (5, 5), (7, 7), (10, 10), (4, 5), (4, 7), (7, 4), (4, 10), (10, 4))
KINDS = ("gamma", "log-normal")


def rates(rng, kind, cv, shape):
    """True rates of nights, mean 1."""
    if kind == "gamma":
        return rng.gamma(cv**-2, cv**2, shape)
    if kind == "inverse Gaussian":
        return rng.wald(1.0, cv**-2, shape)
    log = np.log1p(cv**2)
    return np.exp(rng.normal(-log / 2, np.sqrt(log), shape))


def nights(rng, kind, mean, cv, n, runs):
    """Counts and hours: nights of 7 h, more or less."""
    hours = np.clip(rng.normal(7.0, 0.7, (runs, n)), 4.0, 9.0)
    return rng.poisson(mean / 7 * hours * rates(rng, kind, cv, (runs, n))), hours


def verdicts(arms):
    """Whether any contrast of each study is called lower or higher."""
    found = [estimate(arms[b], arms[a]) for a, b in combinations(range(len(arms)), 2)]
    p = holm_rows(np.stack([f.p() for f in found], axis=-1))
    said = np.zeros(p.shape[0], dtype=bool)
    for k, f in enumerate(found):
        low, high = f.limits()
        said |= ((high < 0) | (low > 0)) & (p[:, k] <= VERDICT_P.value)
    few = min(a.n for a in arms) < LEAST_NIGHTS.value
    return np.zeros_like(said) if few else said


def coverage_cells(
    runs, *, kinds=KINDS, means=MEANS, spreads=SPREADS, sizes=NIGHTS, ratio=1.0, seed=1
):
    """Coverage, and the share called lower or higher, of every cell with two conditions."""
    rng = np.random.default_rng(seed)
    for kind, mean, (ca, cb), (na, nb) in product(kinds, means, spreads, sizes):
        a = arm(*nights(rng, kind, mean * ratio, ca, na, runs))
        b = arm(*nights(rng, kind, mean, cb, nb, runs))
        low, high = estimate(a, b).limits()
        inside = (low <= np.log(ratio)) & (np.log(ratio) <= high)
        yield (kind, mean, ca, cb, na, nb), float(inside.mean()), float(verdicts([b, a]).mean())


def three_cells(runs, *, kinds=KINDS, means=MEANS, seed=2):
    """Share of studies of three conditions without any effect in which some contrast is told."""
    rng = np.random.default_rng(seed)
    spreads = ((0.2,) * 3, (0.5,) * 3, (0.8,) * 3, (0.2, 0.8, 0.5), (0.2, 0.8, 0.8), (0.8, 0.2, 0.2),
               (0.5, 0.8, 0.8))  # fmt: skip
    sizes = (
        (4,) * 3,
        (5,) * 3,
        (7,) * 3,
        (10,) * 3,
        (4, 7, 10),
        (10, 4, 4),
        (4, 10, 10),
        (4, 5, 6),
    )
    for kind, mean, cvs, ns in product(kinds, means, spreads, sizes):
        arms = [arm(*nights(rng, kind, mean, c, n, runs)) for c, n in zip(cvs, ns, strict=True)]
        yield (kind, mean, cvs, ns), float(verdicts(arms).mean())


def serial_cells(runs, *, seed=3):
    """Nights whose true rates follow each other (AR 1 on the logarithm), without any effect."""
    rng = np.random.default_rng(seed)
    cv, mean = 0.5, 35.0
    sd = np.sqrt(np.log1p(cv**2))
    for rho, n, order in product((0.0, 0.3, 0.6), (5, 10), ("in turn", "phases")):
        z = rng.normal(size=(runs, 2 * n))
        for k in range(1, 2 * n):
            z[:, k] = rho * z[:, k - 1] + np.sqrt(1 - rho**2) * z[:, k]
        y = rng.poisson(mean * np.exp(sd * z - sd**2 / 2))
        with_ = np.arange(2 * n) % 2 == 1 if order == "in turn" else np.arange(2 * n) >= n
        a, b = (arm(y[:, m], np.full((runs, n), 7.0)) for m in (with_, ~with_))
        low, high = estimate(a, b).limits()
        rest = np.log(y + 0.5)
        for m in (with_, ~with_):
            rest[:, m] -= rest[:, m].mean(axis=1, keepdims=True)
        lag = (rest[:, 1:] * rest[:, :-1]).sum(axis=1) / np.maximum((rest**2).sum(axis=1), 1e-12)
        yield ((rho, n, order), float(((low <= 0) & (high >= 0)).mean()),
               float(verdicts([b, a]).mean()), float((lag > SERIAL.value).mean()))  # fmt: skip


def bootstrap_cells(runs, *, seed=4):
    """Coverage of the percentile bootstrap for a difference of means over nights."""
    rng = np.random.default_rng(seed)
    for n, cv in product((4, 5, 7, 10), (0.2, 0.5, 0.8)):
        inside = 0
        for _ in range(runs):
            a, b = rates(rng, "gamma", cv, n), rates(rng, "gamma", cv, n)
            drawn = [v[rng.integers(0, n, (DRAWS, n))].mean(axis=1) for v in (a, b)]
            low, high = np.percentile(drawn[0] - drawn[1], (2.5, 97.5))
            inside += low <= 0 <= high
        yield (n, cv), inside / runs


def power_cells(runs, *, seed=5):
    """Chance of telling a fall by half: `planning`'s nights, and nights of other generators."""
    rng = np.random.default_rng(seed)
    for cv, mean, n in product((0.2, 0.35, 0.5, 0.8), (14.0, 35.0), (5, 8, 12)):
        ours = chance(
            *(simulate_nights(rng, runs, n, m, 100 * cv) for m in (mean / 2, mean)), ratio=0.5
        )
        others = {}
        for kind in ("inverse Gaussian", "gamma", "log-normal"):
            y = [
                rng.poisson(m * rates(rng, kind, cv, (runs, n))).astype(float)
                for m in (mean / 2, mean)
            ]
            others[kind] = chance(*y, ratio=0.5)
        yield (cv, mean, n), ours, others


def _grid(title, cells):
    cells = list(cells)
    cover = np.array([c for _, c, _ in cells])
    false = np.array([f for *_, f in cells])
    print(
        f"\n{title}: {len(cells)} cells; coverage {100 * cover.min():.1f} to {100 * cover.max():.1f} %, mean "
        f"{100 * cover.mean():.1f} %; outside 92-98 %: {int(((cover < 0.92) | (cover > 0.98)).sum())} cells"
    )
    for key, c, _ in sorted(cells, key=lambda x: x[1])[:3]:
        print(f"  lowest {100 * c:.1f} %: {key}")
    for key, c, _ in sorted(cells, key=lambda x: -x[1])[:2]:
        print(f"  highest {100 * c:.1f} %: {key}")
    return false, cells


def main(runs: int) -> int:
    false, cells = _grid("two conditions, no effect", coverage_cells(runs))
    print(
        f"  lower/higher said without effect: at most {100 * false.max():.1f} %, mean "
        f"{100 * false.mean():.1f} %, above 5 % in {int((false > 0.05).sum())} cells"
    )
    for key, _, f in sorted(cells, key=lambda x: -x[2])[:2]:
        print(f"  most {100 * f:.1f} %: {key}")
    halved, _ = _grid("two conditions, true ratio 0.5", coverage_cells(runs, ratio=0.5, seed=11))
    print(f"  told: {100 * halved.min():.0f} to {100 * halved.max():.0f} %")
    three = list(three_cells(runs))
    worst = np.array([f for _, f in three])
    print(
        f"\nthree conditions, no effect: {len(three)} cells; some contrast told at most "
        f"{100 * worst.max():.1f} %, mean {100 * worst.mean():.1f} %, above 5 % in "
        f"{int((worst > 0.05).sum())} "
        f"cells; most: {max(three, key=lambda x: x[1])[0]}"
    )
    print(
        "\nserial correlation, no effect (correlation, nights each, order): coverage, told, warned of"
    )
    for key, c, f, w in serial_cells(runs):
        print(f"  {key}: {100 * c:.1f} %, {100 * f:.1f} %, {100 * w:.0f} %")
    print("\n7 against 3 nights (no verdict below 4): coverage, told")
    for key, c, f in coverage_cells(runs, means=(14.0, 35.0), spreads=((0.2, 0.2), (0.5, 0.5), (0.8, 0.8)),
                                    sizes=((7, 3), (3, 7)), seed=7):  # fmt: skip
        print(f"  {key}: {100 * c:.1f} %, {100 * f:.1f} %")
    print("\npercentile bootstrap of a difference of means (nights each, CV): coverage")
    for key, c in bootstrap_cells(max(runs // 10, 200)):
        print(f"  {key}: {100 * c:.1f} %")
    print(
        "\nchance of telling a fall by half (CV, events a night, nights each): plan; other generators"
    )
    for key, ours, others in power_cells(runs):
        shown = ", ".join(f"{k} {100 * v:.1f}" for k, v in others.items())
        print(f"  {key}: {100 * ours:.1f}; {shown}")
    return 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--runs", type=int, default=10_000)
    sys.exit(main(parser.parse_args().runs))
