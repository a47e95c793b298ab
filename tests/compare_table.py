"""``python -m tests.compare_table``: what the comparison's intervals and sentences are worth.

By simulation. Prints the cells of `CELLS` (designs, silent and skewed nights, correlation, trend,
carry-over, unequal hours), the 648 cells of two conditions with and without an effect, three conditions,
equivalence, looks, and how `planning`'s chances compare with other generators: coverage of the 95 %
interval that is shown, how often "lower" or "higher" is said without any effect (per study), and how often
it is said of a true change.
``--runs 1000`` takes about five minutes of one core.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np

from sleepbrux.analysis.comparison.hours import weighted_hours
from sleepbrux.analysis.comparison.judge import judge
from sleepbrux.analysis.comparison.ratio import arm, contrast, estimate, holm_rows
from sleepbrux.analysis.comparison.rearrange import RANDOMISED, Arrangements
from sleepbrux.analysis.comparison.rules import LEAST_NIGHTS, LOOKS_P, NOT_DRAWN, SKEWED, VERDICT_P
from sleepbrux.analysis.planning import layouts, power_at, told, told_at_looks

FEW = {"most_exact": 500, "drawn": 399}
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
        places = Arrangements.of(labels, order, blocks, **FEW) if order in RANDOMISED else None
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


def shown_limits(y, h, labels, order, blocks=None, most=250):
    """Interval as shown, and which studies it is of: where nights are skewed the wider of two takes time.

    Of skewed studies the first ``most`` are taken, and as many others as keep their share.
    """
    low, high = contrast(y, h, labels).limits()
    skewed = np.maximum(*(arm(y[:, m], h[:, m]).spread for m in (labels, ~labels))) > SKEWED.value
    skewed &= (y[:, labels].sum(axis=1) > 0) & (y[:, ~labels].sum(axis=1) > 0)
    if skewed.mean() <= 0.05:  # it decides nothing
        return low, high, np.arange(len(y))
    some, rest = np.flatnonzero(skewed)[:most], np.flatnonzero(~skewed)
    rest = rest[: round(len(rest) * len(some) / skewed.sum())]
    places = Arrangements.of(labels, order, blocks, most_exact=200, drawn=199)
    il, ih = places.interval(y[some], h[some])
    low[some], high[some] = np.minimum(low[some], il), np.maximum(high[some], ih)
    keep = np.r_[some, rest]
    return low[keep], high[keep], keep


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
    covers, plain, power, folds, false = {}, {}, {}, [], 0.0
    for ratio in ratios:
        rng = np.random.default_rng([seed, round(1000 * ratio)])
        y, h, labels, blocks = cell.draw(rng, runs, ratio)
        some = y.sum(axis=1) > 0
        y, h = y[some], np.ascontiguousarray(np.broadcast_to(h, y.shape)[some])
        low, high, keep = shown_limits(y, h, labels, cell.order, blocks)
        at = np.log(ratio)
        plain[ratio] = float(((low <= at) & (at <= high)).mean())
        if cell.order not in RANDOMISED:
            judged = judge(y[keep], h[keep], labels, cell.order, np.arange(y.shape[1]))
            serial = judged.serial.limits()
            low, high = np.minimum(low, serial[0]), np.maximum(high, serial[1])
        covers[ratio] = float(((low <= at) & (at <= high)).mean())
        folds.append(float(np.exp(np.median(high - low))))
        said = p_of(y, h, labels, cell.order, blocks=blocks) <= VERDICT_P.value
        if ratio == 1:
            false = float(said.mean())
        else:
            side = contrast(y, h, labels).log_ratio < 0
            power[ratio] = float((said & side).mean())
    return Row(cell, covers, plain, false, power, folds[0])


def coverage_cells(runs, *, kinds=KINDS, means=MEANS, spreads=SPREADS, sizes=NIGHTS, ratio=1.0, seed=1):
    """Coverage, and the share called lower or higher, of every cell with two conditions."""
    rng = np.random.default_rng(seed)
    for kind, mean, (ca, cb), (na, nb) in product(kinds, means, spreads, sizes):
        a = nights(rng, kind, mean * ratio, ca, na, runs)
        b = nights(rng, kind, mean, cb, nb, runs)
        low, high = estimate(arm(*a), arm(*b)).limits()
        inside = (low <= np.log(ratio)) & (np.log(ratio) <= high)
        yield (kind, mean, ca, cb, na, nb), float(inside.mean()), float(verdicts([b, a]).mean())


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
        shares = [
            told_at_looks(
                np.random.default_rng(seed),
                runs,
                looks,
                28,
                cv,
                1.0,
                "randomised nights",
                first_apart=False,
                bound=bound,
                either=True,
            )[0][-1]
            for bound in (LOOKS_P.value, VERDICT_P.value)
        ]
        yield (cv, looks), *shares


def power_cells(runs, *, seed=5):
    """Chance of telling a fall by half: `planning`'s nights, and nights of other generators."""
    rng = np.random.default_rng(seed)
    for cv, mean, n in product((0.2, 0.35, 0.5, 0.8), (14.0, 35.0), (5, 8, 12)):
        (layout,) = layouts("randomised nights", n, first_apart=False)
        ours = power_at(n, mean, 100 * cv, 0.5, "randomised nights", first_apart=False, runs=runs)
        means = np.where(layout.is_with, mean / 2, mean)
        others = {}
        for kind in ("inverse Gaussian", "gamma", "log-normal"):
            y = rng.poisson(means * rates(rng, kind, cv, (runs, 2 * n))).astype(float)
            others[kind] = float(told(y, layout, "randomised nights", ratio=0.5).mean())
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
    print(
        f"{runs} studies a cell (a tenth of it in the 648 cells), so a share of 5 % is known to "
        f"{200 * np.sqrt(0.0475 / runs):.1f} points"
    )
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
    few = max(runs // 10, 200)
    false, cells = _grid("two conditions, no effect", coverage_cells(few))
    print(
        f"  lower/higher said without effect: at most {100 * false.max():.1f} %, mean "
        f"{100 * false.mean():.1f} %, above 5 % in {int((false > 0.05).sum())} cells"
    )
    for key, _, f in sorted(cells, key=lambda x: -x[2])[:2]:
        print(f"  most {100 * f:.1f} %: {key}")
    halved, _ = _grid("two conditions, true ratio 0.5", coverage_cells(few, ratio=0.5, seed=11))
    print(f"  told: {100 * halved.min():.0f} to {100 * halved.max():.0f} %", flush=True)
    three = list(three_cells(few))
    worst = np.array([f for _, f in three])
    print(
        f"\nthree conditions, no effect: {len(three)} cells; some contrast with the baseline told at most "
        f"{100 * worst.max():.1f} %, mean {100 * worst.mean():.1f} %, above 5 % in "
        f"{int((worst > 0.05).sum())} "
        f"cells; most: {max(three, key=lambda x: x[1])[0]}",
        flush=True,
    )
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


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--runs", type=int, default=10_000)
    sys.exit(main(parser.parse_args().runs))
