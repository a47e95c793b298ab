"""What a count of episodes gains where an estimate of wake takes some away, by simulation.

``python -m tests.wake_worth`` prints the table of ``sleepbrux/docs/awake.md``. Persons differ in the true
episodes an hour of sleep; an EMG sees every one of them and false ones beside, in wake and in sleep. An
estimate calls each episode awake or asleep with chances that vary from person to person. Compared with the
truth are all episodes and those called asleep: ICC (two-way, absolute agreement, one measurement), precision,
and what of the true ones is left.

Chances are those of the published model (accuracy 0.83, κ 0.60, its documentation, read) at three shares of
wake in the nights that it was tested on, for that share is not published: accuracy, κ and the share of wake
give the other two. Beside them stand chances for wakes that are short, which the model half misses, and for
episodes that call themselves awake; how often either happens in generated nights is for `tests.wake_bias`.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ACCURACY, KAPPA = 0.83, 0.60
TEST_WAKE = (0.25, 0.28, 0.32)
# Shares of all episodes that are false in wake, and false in sleep. The last is published: positive predictive
# value 0.231, 72 % of false ones in wake (Yamaguchi 2012, doi:10.1111/j.1365-2842.2011.02232.x, read).
FALSE = ((0.10, 0.0), (0.30, 0.0), (0.60, 0.0), (0.769 * 0.72, 0.769 * 0.28))
PERSONS, HOURS = 20_000, 7.0
# Log-normal over persons: median 2.5, mean 4 an hour, as in a mixed group of a clinic (our choice).
MEDIAN, SIGMA = 2.5, 0.97
FALSE_SIGMA = 0.8  # spread over persons of false episodes, drawn apart from the true ones (our choice)
PERSON_LOGIT = (
    0.7  # spread over persons of the chances: "might perform much better or much worse" (our choice)
)


Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Chances:
    """An estimate: share of episodes in wake, and of those in sleep, that it calls awake."""

    name: str
    wake_caught: float
    sleep_lost: float


def implied(wake: float) -> Chances:
    """The two shares that accuracy and κ leave for a share of wake.

    With accuracy a, κ k and wake w: chance agreement e = (a - k) / (1 - k) is w c + (1 - w)(1 - c) for the
    share c that is called awake; what is rightly called awake is (a - 1 + w + c) / 2.

    Examples
    --------
    >>> found = implied(0.28)
    >>> round(found.wake_caught, 2), round(found.sleep_lost, 2)
    (0.78, 0.15)
    """
    chance = (ACCURACY - KAPPA) / (1 - KAPPA)
    called = (chance - (1 - wake)) / (2 * wake - 1)
    right = (ACCURACY - 1 + wake + called) / 2
    return Chances(
        f"published, {100 * wake:.0f} % wake in its test", right / wake, (called - right) / (1 - wake)
    )


def chances() -> list[Chances]:
    """Every estimate of the tables."""
    middle = implied(TEST_WAKE[1])
    return [
        *(implied(wake) for wake in TEST_WAKE),
        Chances("published, but half as good in short wakes", middle.wake_caught / 2, middle.sleep_lost),
        Chances("published, but an episode calls itself awake", middle.wake_caught, 2 * middle.sleep_lost),
        Chances("both", middle.wake_caught / 2, 2 * middle.sleep_lost),
        Chances("perfect", 1.0, 0.0),
    ]


def icc(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """ICC(A,1) of McGraw and Wong (1996) for two measurements of each person."""
    table = np.stack((one, other), axis=1)
    n, k = table.shape
    persons, measurements = table.mean(axis=1), table.mean(axis=0)
    rows = k * ((persons - table.mean()) ** 2).sum() / (n - 1)
    columns = n * ((measurements - table.mean()) ** 2).sum() / (k - 1)
    rest = ((table - persons[:, None] - measurements + table.mean()) ** 2).sum() / ((n - 1) * (k - 1))
    return float((rows - rest) / (rows + (k - 1) * rest + k / n * (columns - rest)))


def false_ones(rng: np.random.Generator, share: float, true_share: float) -> Counts:
    """False episodes of one night of each person, so that on average they are this share of all."""
    mean = MEDIAN * np.exp(SIGMA**2 / 2) * share / true_share
    rate = mean * np.exp(FALSE_SIGMA * rng.standard_normal(PERSONS) - FALSE_SIGMA**2 / 2)
    return rng.poisson(rate * HOURS)


def varied(rng: np.random.Generator, share: float) -> NDArray[np.float64]:
    """A chance of each person around this one; 0 and 1 stay."""
    if share in (0.0, 1.0):
        return np.full(PERSONS, share)
    odds = share / (1 - share) * np.exp(PERSON_LOGIT * rng.standard_normal(PERSONS))
    return np.asarray(odds / (1 + odds))


def outcome(in_wake: float, in_sleep: float, estimate: Chances) -> tuple[float, float, float, float, float]:
    """ICC of all and of those called asleep, precision of both, and the share of true episodes that is left."""
    rng = np.random.default_rng(27)
    true = rng.poisson(MEDIAN * np.exp(SIGMA * rng.standard_normal(PERSONS)) * HOURS)
    awake, other = (false_ones(rng, share, 1 - in_wake - in_sleep) for share in (in_wake, in_sleep))
    caught, lost = varied(rng, estimate.wake_caught), varied(rng, estimate.sleep_lost)
    kept = rng.binomial(true, 1 - lost)
    let_by = rng.binomial(awake, 1 - caught) + rng.binomial(other, 1 - lost)
    every = true + awake + other
    return (
        icc(true / HOURS, every / HOURS),
        icc(true / HOURS, (kept + let_by) / HOURS),
        true.sum() / every.sum(),
        kept.sum() / (kept + let_by).sum(),
        kept.sum() / true.sum(),
    )


def row(cells: Sequence[str]) -> str:
    """One row of a table."""
    return "| " + " | ".join(cells) + " |\n"


def main() -> int:
    """Print the table."""
    heads = [
        "false in wake, %",
        "false in sleep, %",
        "estimate",
        "wake caught",
        "sleep lost",
        "ICC, all",
        "ICC, called asleep",
    ]
    heads += ["precision, all", "precision, called asleep", "true ones left"]
    sys.stdout.write(row(heads) + row(["---"] * len(heads)))
    for in_wake, in_sleep in FALSE:
        for estimate in chances():
            shares = (estimate.wake_caught, estimate.sleep_lost)
            values = [f"{v:.2f}" for v in (*shares, *outcome(in_wake, in_sleep, estimate))]
            sys.stdout.write(row([f"{100 * in_wake:.0f}", f"{100 * in_sleep:.0f}", estimate.name, *values]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
