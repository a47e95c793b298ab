"""``python -m tests.compare_table``: what the comparison's intervals and sentences are worth.

By simulation, in one thread. Prints the cells of `CELLS` (designs, silent and skewed nights, correlation, trend,
carry-over, unequal hours), the 648 cells of two conditions with and without an effect, three conditions,
equivalence, looks, and how `planning`'s chances compare with other generators: coverage of the 95 %
interval that is shown, how often "lower" or "higher" is said without any effect (per study), and how often
it is said of a true change.
``--runs 10000`` takes about a quarter of an hour of one core; ``--write`` keeps what is printed, dated, in
``tests/analysis/comparison/results.md``.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import product
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from sleepbrux.analysis.comparison.hours import weighted_hours
from sleepbrux.analysis.comparison.ratio import arm, contrast, estimate, holm_rows, varies_more
from sleepbrux.analysis.comparison.rearrange import RANDOMISED, Arrangements
from sleepbrux.analysis.comparison.rules import LEAST_NIGHTS, LOOKS_P, NOT_DRAWN, SKEWED, VERDICT_P
from sleepbrux.analysis.comparison.verdict import judge
from sleepbrux.analysis.planning import Planned
from sleepbrux.analysis.planning.design import layouts
from sleepbrux.analysis.planning.simulation import Truth, power_at, told, told_at_looks

# 7 against 7 nights have 3,432 arrangements, which are all tried
TRIED = {"most_exact": 3_500, "drawn": 1_999}
FOLDS, TOLD_OF = 250, 2_000
RESULTS = Path(__file__).parent / "analysis" / "comparison" / "results.md"
MEANS = (3.5, 14.0, 35.0, 105.0)
SPREADS = (
    (0.2, 0.2),
    (0.5, 0.5),
    (0.8, 0.8),
    (0.2, 0.5),
    (0.5, 0.2),
    (0.2, 0.8),
    (0.8, 0.2),
    (0.5, 0.8),
    (0.8, 0.5),
)
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


def p_of(y, h, labels, order, *, when=None, blocks=None, near=VERDICT_P.value):
    """What a sentence rests on, for studies that have one layout; those whose t is far off stay at 1."""
    when = np.arange(y.shape[1]) if when is None else when
    t = contrast(y, h, labels).p() * (1 if order in RANDOMISED else NOT_DRAWN.value)
    p = np.maximum(t, near + 1e-9)
    some = (t <= near) & (y.sum(axis=1) > 0)
    if some.any():
        places = Arrangements.of(labels, order, blocks, **TRIED) if order in RANDOMISED else None
        p[some] = judge(y[some], h[some], labels, order, when, places=places).p
    return p


def pair_of(a, b):
    """Two arms, each counts and hours, as nights with labels; the first arm carries the label."""
    y, h = (np.concatenate(v, axis=1).astype(float) for v in zip(a, b, strict=True))
    return y, h, np.arange(y.shape[1]) < a[0].shape[1]


def verdicts(arms):
    """Whether any contrast with the first arm is called lower or higher, of nights drawn at random."""
    few = min(a[0].shape[1] for a in arms) < LEAST_NIGHTS.value
    p = np.stack([p_of(*pair_of(a, arms[0]), "randomised nights") for a in arms[1:]], axis=-1)
    said = (holm_rows(p) <= VERDICT_P.value).any(axis=1)
    return np.zeros_like(said) if few else said


def within(y, h, labels, order, at, blocks=None):
    """Which studies' intervals hold a logarithm: the plain interval, and the one that is shown.

    Shown is the wider of t and of another one: of the rearrangement test turned round where nights are
    skewed, of correlated nights where the order was not drawn. Only studies that t leaves open are tried.
    """
    low, high = contrast(y, h, labels).limits()
    under, over = low <= at, at <= high
    skewed = skewed_of(y, h, labels) & ~(under & over)
    if skewed.any():
        u, v = (w[skewed] for w in (y, h))
        places = Arrangements.of(labels, order, blocks, most_exact=200, drawn=199)
        kept = places.p(u, v * np.where(labels, np.exp(at), 1.0)) > 0.05
        far = np.flatnonzero(skewed)[~kept]
        under[skewed], over[skewed] = under[skewed] | kept, over[skewed] | kept
        if len(far):
            il, ih = places.interval(y[far], h[far])
            under[far], over[far] = under[far] | (il <= at), over[far] | (at <= ih)
    plain = under & over
    if order not in RANDOMISED:
        open_ = ~plain
        below = judge(y[open_], h[open_], labels, order, np.arange(y.shape[1])).serial.below(at)
        under[open_], over[open_] = under[open_] | (below >= 0.025), over[open_] | (below <= 0.975)
    return plain, under & over


def skewed_of(y, h, labels):
    """Studies whose shown interval is the wider of t and of the rearrangement test turned round."""
    skewed = np.maximum(*(arm(y[:, m], h[:, m]).spread for m in (labels, ~labels))) > SKEWED.value
    return skewed & (y[:, labels].sum(axis=1) > 0) & (y[:, ~labels].sum(axis=1) > 0)


def fold_of(y, h, labels, order, blocks=None):
    """High over low of the shown interval: the median of the first studies."""
    y, h = y[:FOLDS], h[:FOLDS]
    low, high = contrast(y, h, labels).limits()
    ends = [(low, high)]
    skewed = skewed_of(y, h, labels)
    if skewed.any():
        places = Arrangements.of(labels, order, blocks, most_exact=200, drawn=199)
        il, ih = low.copy(), high.copy()
        il[skewed], ih[skewed] = places.interval(y[skewed], h[skewed])
        ends.append((il, ih))
    if order not in RANDOMISED:
        ends.append(judge(y, h, labels, order, np.arange(y.shape[1])).serial.limits())
    low, high = (f([e[k] for e in ends]) for k, f in enumerate((np.minimum.reduce, np.maximum.reduce)))
    return float(np.exp(np.median(high - low)))


@dataclass(frozen=True)
class Cell:
    """One row of the table: how nights are laid out, and what true rates they have.

    ``honest`` says whether the assumptions of the design hold; ``limits`` are what coverage may be.
    """

    name: str
    draw: Callable
    order: str = "randomised nights"
    honest: bool = True


def spread(kind="gamma", cv=0.35, silent=0.0, mean=28.0):
    """Independent nights: spread of true rates, share of silent ones."""

    def draw(rng, shape):
        r = rates(rng, kind, cv, shape)
        return mean * r * (rng.random(shape) >= silent) / (1 - silent)

    return draw


def followed(rho, cv=0.5, mean=28.0):
    """Nights like their neighbours: AR 1 on the logarithm."""

    def draw(rng, shape):
        z = rng.normal(size=shape)
        for k in range(1, shape[1]):
            z[:, k] = rho * z[:, k - 1] + np.sqrt(1 - rho**2) * z[:, k]
        sd = np.sqrt(np.log1p(cv**2))
        return mean * np.exp(sd * z - sd**2 / 2)

    return draw


def laid(labels, draw, *, order, trend=1.0, carry=0.0, hours=(7.0, 7.0)):
    """A study: counts, hours, labels in one order for all studies (a drawn order is drawn and sorted)."""
    labels = np.array(labels, dtype=bool)

    def study(rng, runs, ratio):
        n = len(labels)
        own = np.tile(labels, (runs, 1))
        if order == "randomised nights":
            own = rng.permuted(own, axis=1)
        elif order == "randomised blocks":
            flip = rng.random((runs, n // 2)) < 0.5
            own = np.stack((flip, ~flip), axis=-1).reshape(runs, n)
        effect = np.where(own, ratio, 1.0)
        if carry:
            after = np.zeros_like(own)
            after[:, 1:] = own[:, :-1] & ~own[:, 1:]
            effect = np.where(after, ratio**carry, effect)
        h = rng.uniform(*hours, (runs, n)) if hours[0] < hours[1] else np.full((runs, n), hours[0])
        y = rng.poisson(draw(rng, (runs, n)) * effect * trend ** (np.arange(n) / 7) * h / 7).astype(float)
        blocks = None
        if order in RANDOMISED:
            if order == "randomised blocks":
                blocks = (np.arange(n) // 2).tolist()
                at = np.argsort(own.reshape(runs, -1, 2), axis=2, kind="stable")
                at = (at + 2 * np.arange(n // 2)[:, None]).reshape(runs, n)
                fixed = np.tile([False, True], n // 2)
            else:
                at = np.argsort(own, axis=1, kind="stable")
                fixed = np.sort(labels)
            y, h = (np.take_along_axis(v, at, axis=1) for v in (y, h))
            return y, h, fixed, blocks
        return y, h, labels, blocks

    return study


def by_the_hour(weighted):
    """The rate rises through the night; nights with the appliance are 3 h shorter."""

    def study(rng, runs, ratio):
        labels = np.arange(14) >= 7
        long = np.where(labels, 4, 7)
        inside = np.arange(7)[None, :] < long[:, None]
        rate = 28 * rates(rng, "gamma", 0.25, (runs, 14)) * np.where(labels, ratio, 1.0)
        shape = np.arange(1, 8) / np.arange(1, 8).sum()
        events = rng.poisson(rate[:, :, None] * shape * inside).astype(float)
        hours = np.broadcast_to(inside.astype(float), events.shape)
        h = weighted_hours(events, hours) if weighted else hours.sum(axis=-1)
        return events.sum(axis=-1), h, labels, None

    return study


AB, ABA = [0] * 7 + [1] * 7, [0] * 4 + [1] * 7 + [0] * 3
AB14, TURN = [0] * 14 + [1] * 14, [0, 1] * 7


def drawn(name, draw, labels=AB, *, blocks=False, honest=True, **more):
    """A cell whose order is drawn."""
    order = "randomised blocks" if blocks else "randomised nights"
    return Cell(name, laid(labels, draw, order=order, **more), order, honest)


def phases(name, draw, labels, *, honest=True, **more):
    """A cell whose order is planned."""
    order = "planned phases"
    return Cell(name, laid(labels, draw, order=order, **more), order, honest)


SIGMA_1 = np.sqrt(np.e - 1)
CELLS = [
    *(drawn(f"CV {cv} %", spread(cv=cv / 100)) for cv in (25, 35, 50)),
    drawn("CV 25 %, 3-9 h", spread(cv=0.25), hours=(3, 9)),
    drawn("CV 50 %, 4 against 4", spread(cv=0.5), [0] * 4 + [1] * 4),
    drawn("CV 50 %, 4 against 14", spread(cv=0.5), [0] * 14 + [1] * 4),
    drawn("2 events a night", spread(cv=0.5, mean=2)),
    drawn("50 % of nights silent, rest CV 50 %", spread(cv=0.5, silent=0.5)),
    drawn("50 % silent, rest CV 100 %", spread(cv=1.0, silent=0.5)),
    drawn("70 % silent, rest CV 100 %", spread(cv=1.0, silent=0.7)),
    drawn("log-normal, sigma 1", spread("log-normal", SIGMA_1)),
    drawn("serial 0.5, randomised nights", followed(0.5), TURN),
    drawn("serial 0.5, blocks", followed(0.5), TURN, blocks=True),
    drawn("CV 50 %, 7 blocks", spread(cv=0.5), TURN, blocks=True),
    drawn("trend -15 % a week, randomised", spread(), TURN, trend=0.85),
    drawn("trend -15 % a week, blocks", spread(), TURN, blocks=True, trend=0.85),
    drawn("carry-over of one half, randomised", spread(), TURN, honest=False, carry=0.5),
    Cell("rate rises in the night, 3 h shorter", by_the_hour(True)),
    Cell("the same, valid hours alone", by_the_hour(False), honest=False),
    *(
        phases(f"serial {rho}, {name}", followed(rho), labels)
        for name, labels in (("A-B-A", ABA), ("A-B", AB), ("A-B, 14 against 14", AB14))
        for rho in (0.0, 0.3, 0.5)
    ),
    phases("serial 0.7, A-B", followed(0.7), AB),
    Cell("serial 0.5, in turn", laid(TURN, followed(0.5), order="as it came"), "as it came"),
    phases("trend -15 % a week, A-B-A", spread(), ABA, trend=0.85),
    phases("trend -15 % a week, A-B", spread(), AB, honest=False, trend=0.85),
]


@dataclass(frozen=True)
class Row:
    """A cell's figures: coverage at each ratio, false alarm, power, and how wide the interval is."""

    cell: Cell
    covers: dict
    plain: dict
    false: float
    power: dict
    fold: float


def row(cell, runs, *, ratios=(1.0, 0.5, 0.75), seed=21):
    """One cell, its interval as it is shown: where the order was not drawn the wider of the two."""
    covers, plain, power, fold, false = {}, {}, {}, 0.0, 0.0
    for ratio in ratios:
        rng = np.random.default_rng([seed, round(1000 * ratio)])
        y, h, labels, blocks = cell.draw(rng, runs, ratio)
        some = y.sum(axis=1) > 0
        y, h = y[some], np.ascontiguousarray(np.broadcast_to(h, y.shape)[some])
        held = within(y, h, labels, cell.order, np.log(ratio), blocks)
        plain[ratio], covers[ratio] = (float(v.mean()) for v in held)
        fold = fold or fold_of(y, h, labels, cell.order, blocks)
        said = p_of(y, h, labels, cell.order, blocks=blocks) <= VERDICT_P.value
        if ratio == 1:
            false = float(said.mean())
        else:
            side = contrast(y, h, labels).log_ratio < 0
            power[ratio] = float((said & side).mean())
    return Row(cell, covers, plain, false, power, fold)


def coverage_cells(runs, *, kinds=KINDS, means=MEANS, spreads=SPREADS, sizes=NIGHTS, ratio=1.0, seed=1):
    """Coverage, and the share called lower or higher, of every cell with two conditions."""
    rng = np.random.default_rng(seed)
    for kind, mean, (ca, cb), (na, nb) in product(kinds, means, spreads, sizes):
        a = nights(rng, kind, mean * ratio, ca, na, runs)
        b = nights(rng, kind, mean, cb, nb, runs)
        low, high = estimate(arm(*a), arm(*b)).limits()
        inside = (low <= np.log(ratio)) & (np.log(ratio) <= high)
        first = slice(None if ratio == 1 else TOLD_OF)
        told_ = verdicts([tuple(v[first] for v in one) for one in (b, a)])
        yield (kind, mean, ca, cb, na, nb), float(inside.mean()), float(told_.mean())


def three_cells(runs, *, kinds=KINDS, means=MEANS, seed=2):
    """Share of studies of three conditions without any effect in which a contrast with the first is told."""
    rng = np.random.default_rng(seed)
    spreads = (
        (0.2,) * 3,
        (0.5,) * 3,
        (0.8,) * 3,
        (0.2, 0.8, 0.5),
        (0.2, 0.8, 0.8),
        (0.8, 0.2, 0.2),
        (0.5, 0.8, 0.8),
    )
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
        arms = [nights(rng, kind, mean, c, n, runs) for c, n in zip(cvs, ns, strict=True)]
        yield (kind, mean, cvs, ns), float(verdicts(arms).mean())


def unlike_cells(runs, *, seed=8):
    """Of the studies told, the share with the warning of unlike spreads: falsely told ones, rightly told ones."""
    rng = np.random.default_rng(seed)
    for kind, (ca, cb), ratio in product(
        KINDS, ((0.2, 0.8), (0.2, 0.5), (0.35, 0.35), (0.5, 0.5)), (1.0, 0.5)
    ):
        told_, warned = 0, 0
        for n, swap in product((4, 7, 10), (False, True)):
            cvs = (cb, ca) if swap else (ca, cb)
            arms = [nights(rng, kind, 35 * r, c, n, runs) for r, c in zip((ratio, 1.0), cvs, strict=True)]
            y, h, labels = pair_of(*arms)
            said = p_of(y, h, labels, "randomised nights") <= VERDICT_P.value
            spreads = [arm(y[:, m], h[:, m]).spread for m in (labels, ~labels)]
            told_ += int(said.sum())
            warned += int((said & varies_more(contrast(y, h, labels).log_ratio, *spreads)).sum())
        yield (kind, ca, cb, ratio), told_ / (6 * runs), warned / max(told_, 1)


def equal_cells(runs, *, seed=6):
    """How often "no more than a quarter less or a third more" is said, at true ratios inside and outside."""
    rng = np.random.default_rng(seed)
    for n, cv, ratio in product((7, 14, 30), (0.25, 0.5), (1.0, 0.75, 4 / 3)):
        y = np.concatenate(
            [rng.poisson(28 * r * rates(rng, "gamma", cv, (runs, n))) for r in (1.0, ratio)], axis=1
        ).astype(float)
        labels = np.arange(2 * n) >= n
        drawn = judge(y, np.ones_like(y), labels, "randomised nights", np.arange(2 * n))
        phases = judge(y, np.ones_like(y), labels, "planned phases", np.arange(2 * n))
        yield (
            (n, cv, round(ratio, 2)),
            *(float((j.p_equal <= VERDICT_P.value).mean()) for j in (drawn, phases)),
        )


def look_cells(runs, *, seed=7):
    """Looks without an effect: share told at some look, with the bound of looks and with the usual one."""
    for cv, looks in product((25.0, 50.0, 80.0), (tuple(range(4, 15)), (4, 7, 10, 14), (6, 8, 10))):
        planned = Planned(first_apart=False, looks=looks, runs=runs, seed=seed)
        shares = [
            told_at_looks(Truth(28, cv, 1.0), planned, bound=bound, either=True)[0][-1]
            for bound in (LOOKS_P.value, VERDICT_P.value)
        ]
        yield (cv, looks), *shares


def power_cells(runs, *, seed=5):
    """Chance of telling a fall by half: `planning`'s nights, and nights of other generators."""
    rng = np.random.default_rng(seed)
    for cv, mean, n in product((0.2, 0.35, 0.5, 0.8), (14.0, 35.0), (5, 8, 12)):
        planned = Planned(first_apart=False, runs=runs)
        (layout,) = layouts(planned, n)
        ours = power_at(n, Truth(mean, 100 * cv, 0.5), planned)
        means = np.where(layout.is_with, mean / 2, mean)
        others = {}
        for kind in ("inverse Gaussian", "gamma", "log-normal"):
            y = rng.poisson(means * rates(rng, kind, cv, (runs, 2 * n))).astype(float)
            others[kind] = float(told(y, layout, planned, ratio=0.5).mean())
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
    print(f"{runs} studies a cell, so a share of 5 % is known to {200 * np.sqrt(0.0475 / runs):.1f} points")
    print(
        "covers at ratio 1 / 0.5 (plain interval where another is shown); told without an effect; told "
        "at 0.5 / 0.75; fold of the interval at ratio 1"
    )
    for cell in CELLS:
        r = row(cell, runs)
        beside = "" if r.plain == r.covers else f" (plain {100 * r.plain[1]:.1f} / {100 * r.plain[0.5]:.1f})"
        note = "" if cell.honest else "  [assumption broken]"
        print(
            f"  {cell.name:<40} {100 * r.covers[1]:.1f} / {100 * r.covers[0.5]:.1f}{beside}; "
            f"{100 * r.false:.1f}; {100 * r.power[0.5]:.0f} / {100 * r.power[0.75]:.0f}; {r.fold:.1f}{note}",
            flush=True,
        )
    false, cells = _grid("two conditions, no effect", coverage_cells(runs))
    print(
        f"  lower/higher said without effect: at most {100 * false.max():.1f} %, mean "
        f"{100 * false.mean():.1f} %, above 5 % in {int((false > 0.05).sum())} cells"
    )
    for key, _, f in sorted(cells, key=lambda x: -x[2])[:2]:
        print(f"  most {100 * f:.1f} %: {key}")
    halved, _ = _grid("two conditions, true ratio 0.5", coverage_cells(runs, ratio=0.5, seed=11))
    print(
        f"  told (first {min(runs, TOLD_OF)} studies): {100 * halved.min():.0f} to {100 * halved.max():.0f} %",
        flush=True,
    )
    three = list(three_cells(runs))
    worst = np.array([f for _, f in three])
    print(
        f"\nthree conditions, no effect: {len(three)} cells; some contrast with the baseline told at most "
        f"{100 * worst.max():.1f} %, mean {100 * worst.mean():.1f} %, above 5 % in "
        f"{int((worst > 0.05).sum())} "
        f"cells; most: {max(three, key=lambda x: x[1])[0]}",
        flush=True,
    )
    print("\nwarning of unlike spreads (shape, CVs, true ratio): told; of these with the warning")
    for key, said, warned in unlike_cells(runs):
        print(f"  {key}: {100 * said:.1f} %; {100 * warned:.0f} %", flush=True)
    print("\nno more than a quarter less or a third more (nights, CV, true ratio): said; in phases")
    for key, drawn, phases in equal_cells(runs):
        print(f"  {key}: {100 * drawn:.1f} %, {100 * phases:.1f} %")
    print("\nlooks without an effect (CV, nights each): told with the bound of looks; with the usual one")
    for key, own, usual in look_cells(runs):
        print(f"  {key}: {100 * own:.1f} %, {100 * usual:.1f} %", flush=True)
    print("\nchance of telling a fall by half (CV, events a night, nights each): plan; other generators")
    for key, ours, others in power_cells(runs):
        shown = ", ".join(f"{k} {100 * v:.1f}" for k, v in others.items())
        print(f"  {key}: {100 * ours:.1f}; {shown}", flush=True)
    return 0


class _Twice(io.TextIOBase):
    """Prints and keeps."""

    def __init__(self):
        self.kept = []

    def write(self, text):
        self.kept.append(text)
        return sys.__stdout__.write(text)

    def flush(self):
        sys.__stdout__.flush()


def kept(runs: int, path: Path) -> int:
    """`main`, and what it printed in a file with its date, its runs and its time."""
    begun, out = time.perf_counter(), _Twice()
    with contextlib.redirect_stdout(out):
        code = main(runs)
    minutes = (time.perf_counter() - begun) / 60
    path.write_text(
        "# What the comparison's intervals and sentences are worth\n\n"
        f"`python -m tests.compare_table --runs {runs} --write`, {datetime.now(UTC):%Y-%m-%d}: {minutes:.0f} "
        f"minutes in one thread of a machine that did other work too. Shares in %.\n\n"
        f"```\n{''.join(out.kept)}```\n",
        "utf-8",
    )
    return code


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--write", action="store_true", help=f"keep it in {RESULTS.name}")
    options = parser.parse_args()
    sys.exit(kept(options.runs, RESULTS) if options.write else main(options.runs))
