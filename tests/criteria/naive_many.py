"""The plain scorer on many random nights under a covering design: ``python -m tests.criteria.naive_many``.

Every setting of bursts, episodes and sides takes each of its values, and every two settings each pair of theirs.
Nights have one to four channels on two grids, stretches that were not seen, and clipped ones. Settings of envelope,
threshold and background are not among them: the plain scorer begins at bursts.
"""

from __future__ import annotations

import argparse
import random
import sys
import traceback
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import combinations, product
from typing import Any

from tests.criteria.test_against_naive import ANY_LENGTH, GRIDS, LIMITS, PARENT, PAUSES, SETTINGS, agree

VALUES: dict[str, list[Any]] = {
    name: list(dict.fromkeys(getattr(strategy, "elements", (False, True))))
    for name, strategy in SETTINGS.items()
}
LENGTHS = (1, 3, 24, 40, 250, 299, 310, 20_000)
MOST_CHANNELS = 4


def pairs_of(row: Mapping[str, Any]) -> set[tuple[Any, ...]]:
    """Every two settings of a row with their values."""
    return {(a, row[a], b, row[b]) for a, b in combinations(VALUES, 2)}


def covering(seed: int = 0) -> list[dict[str, Any]]:
    """Rows in which every pair of values of every two settings stands: each takes the best of some drawn ones."""
    rng = random.Random(seed)
    missing = {(a, x, b, y) for a, b in combinations(VALUES, 2) for x, y in product(VALUES[a], VALUES[b])}
    rows = []
    while missing:
        a, x, b, y = min(missing, key=repr)
        drawn = [
            {name: rng.choice(values) for name, values in VALUES.items()} | {a: x, b: y} for _ in range(30)
        ]
        best = max(drawn, key=lambda row: len(pairs_of(row) & missing))
        missing -= pairs_of(best)
        rows.append(best)
    return rows


def night(rng: random.Random) -> tuple[Any, ...]:
    """Grids and bursts of one to four channels, holes of each, clipped stretches; half of them at the limits."""
    names = [rng.choice(sorted(GRIDS)) for _ in range(rng.randint(1, MOST_CHANNELS))]
    at_limits = rng.random() < 0.5
    channels = []
    for name in names:
        lengths, pauses = (LIMITS, PAUSES) if at_limits else (ANY_LENGTH, ANY_LENGTH)
        at, rows = 125 if name == "10 ms" else 128, []
        for _ in range(rng.randint(0, 12)):
            length = rng.choice(lengths[name])
            rows.append((at, at + length, rng.random() < 0.3))
            at += length + rng.choice(pauses[name])
        channels.append([row for row in rows if row[1] < GRIDS[name].n_slots])

    def somewhere(k: int) -> list[tuple[Fraction, Fraction]]:
        slot = GRIDS[names[k]].slot_s
        places = sorted({t for a, b, _ in channels[k] for t in (a - 1, a, a + 1, b)} | {0, 500})
        return [
            (at * slot, (at + rng.choice(LENGTHS)) * slot) for at in rng.choices(places, k=rng.randint(0, 2))
        ]

    return names, channels, [somewhere(k) for k in range(len(names))], somewhere(0)


def run(numbers: Sequence[int]) -> list[str]:
    """Compare both scorers on nights by number; what differed."""
    rows = [PARENT.derive(row, new_id="drawn") for row in covering()]
    wrong = []
    for number in numbers:
        try:
            agree(night(random.Random(number)), rows[number % len(rows)])
        except Exception as error:
            wrong.append(f"night {number}: {''.join(traceback.format_exception(error))[-900:]}")
    return wrong


def main() -> int:
    """Run the nights that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    rows = covering()
    wrong = run(range(given.first, given.first + given.nights))
    print(
        f"{given.nights} nights from {given.first} on, {len(rows)} rule sets, {len(VALUES)} settings, every pair of"
        f" their values: {len(wrong)} differ"
    )
    print("\n".join(wrong[:5]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
