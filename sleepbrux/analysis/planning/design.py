"""What is planned: design, conditions, looks; and how nights lie in it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.analysis.comparison.rearrange import RANDOMISED
from sleepbrux.analysis.comparison.rules import POWER, SERIAL
from sleepbrux.core.arguments import FLAG, NONE, NUMBER, TEXT, WHOLE, check, each
from sleepbrux.study.file import Order

RUNS = 2000
RUNS_PAGE = 500
SEED = 20_260_302
MOST_NIGHTS = 60
MOST_EXACT, DRAWN, DRAWN_NEAR = 1_000, 499, 3_999
Design = Literal["A-B", "A-B-A", "in turn", "randomised nights", "randomised blocks"]
ORDERS: dict[Design, Order] = {
    "A-B": "planned phases",
    "A-B-A": "planned phases",
    "in turn": "as it came",
    "randomised nights": "randomised nights",
    "randomised blocks": "randomised blocks",
}


@dataclass(frozen=True)
class Planned:
    """How a comparison is planned, and how it is simulated.

    Attributes
    ----------
    design
        How the nights are laid out.
    contrasts
        Conditions that are compared with the baseline.
    first_apart
        Whether the first night of the study is recorded and not compared, as `compare` does it.
    looks
        Nights in each condition at which is looked, the bound then being `rules.LOOKS_P`; empty for one look
        at the end.
    power
        Wanted chance of detecting the change.
    most_nights
        Up to how many nights in each condition are tried.
    runs, seed
        Simulated studies for each number of nights, and of their drawing.
    correlation
        Of the logarithms of neighbouring nights' true rates, conditions taken out. None: 0 where the order is
        drawn, which breaks the likeness of neighbours, else `rules.SERIAL`.

    Examples
    --------
    >>> from sleepbrux import Planned
    >>> Planned("randomised nights").drawn
    True
    """

    design: Design = "randomised nights"
    contrasts: int = 1
    first_apart: bool = True
    looks: tuple[int, ...] = ()
    power: float = POWER.value
    most_nights: int = MOST_NIGHTS
    runs: int = RUNS
    seed: int = SEED
    correlation: float | None = None

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            design=(self.design, TEXT),
            contrasts=(self.contrasts, WHOLE),
            first_apart=(self.first_apart, FLAG),
            looks=(self.looks, each(WHOLE, "a list of whole numbers")),
            power=(self.power, NUMBER),
            most_nights=(self.most_nights, WHOLE),
            runs=(self.runs, WHOLE),
            seed=(self.seed, WHOLE),
            correlation=(self.correlation, NONE | NUMBER),
        )

    @property
    def alike(self) -> float:
        """How alike neighbouring nights are simulated."""
        if self.correlation is not None:
            return self.correlation
        return 0.0 if self.drawn else SERIAL.value

    @property
    def drawn(self) -> bool:
        """Whether the order of the nights is drawn at random."""
        return self.design in RANDOMISED


@dataclass(frozen=True, eq=False)
class Layout:
    """Nights of two conditions in order of time.

    Attributes
    ----------
    is_with
        Which of them carry the appliance.
    when
        Their numbers.
    blocks
        Their blocks; None without.
    weight
        Share of studies that come out like this.
    """

    is_with: NDArray[np.bool_]
    when: Floats
    blocks: NDArray[np.int64] | None
    weight: float

    def until(self, when: float) -> Layout:
        """The nights before a number."""
        n = int((self.when < when).sum())
        blocks = None if self.blocks is None else self.blocks[:n]
        return Layout(self.is_with[:n], self.when[:n], blocks, self.weight)


def layouts(planned: Planned, nights: int) -> list[Layout]:
    """How the compared nights of baseline and one appliance can lie, with the first night set apart.

    Where the order is drawn, which condition loses the first night is a matter of chance. Nights are
    simulated independent, so there only the numbers of nights matter and not their places.
    """
    n, design, conditions = nights, planned.design, planned.contrasts + 1
    if design in RANDOMISED:
        labels = np.tile([False, True], n)
        when = np.arange(2.0 * n)
        blocks = np.arange(2 * n) // 2 if design == "randomised blocks" else None
        lost = [(0, 1 / conditions), (1, 1 / conditions), (None, 1 - 2 / conditions)]
        out = []
        for first, weight in lost if planned.first_apart else [(None, 1.0)]:
            keep = np.ones(2 * n, dtype=np.bool_)
            if first is not None:
                keep[first] = False
            if weight > 0:
                out.append(Layout(labels[keep], when[keep], None if blocks is None else blocks[keep], weight))
        return out
    labels = np.array(
        {
            "A-B": [False] * n + [True] * n,
            "A-B-A": [False] * ((n + 1) // 2) + [True] * n + [False] * (n // 2),
            "in turn": [False, True] * n,
        }[design]
    )
    from_ = int(planned.first_apart)
    return [Layout(labels[from_:], np.arange(2.0 * n)[from_:], None, 1.0)]


def least_p(planned: Planned, nights: int) -> float | None:
    """Least p of the design's own test, in the worst case of the set-apart night; None without one."""
    if planned.design not in RANDOMISED:
        return None
    found = []
    for layout in layouts(planned, nights):
        n, k = len(layout.is_with), int(layout.is_with.sum())
        if layout.blocks is None:
            count, mirrored = math.comb(n, k), 2 * k == n
        else:
            sizes = np.unique(layout.blocks, return_counts=True)[1]
            count, mirrored = 2 ** int((sizes == 2).sum()), bool((sizes == 2).all())
        found.append(
            max((2 if mirrored else 1) / count, 0.0 if count <= MOST_EXACT else 1 / (DRAWN_NEAR + 1))
        )
    return max(found)
