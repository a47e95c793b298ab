"""When to wear what: nights by date, as a table and as part of a study file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from sleepbrux.analysis.comparison.rules import LEAST_NIGHTS, VERDICT_P
from sleepbrux.analysis.planning.design import ORDERS, Design, Planned, least_p
from sleepbrux.core.errors import UsageError
from sleepbrux.study.file import NO_APPLIANCE, Order


@dataclass(frozen=True)
class ScheduledNight:
    """One night of a schedule."""

    id: str
    date: date
    condition: str
    block: int | None


@dataclass(frozen=True)
class Schedule:
    """When to wear what.

    Attributes
    ----------
    order
        What the study file has to say of it.
    analysis
        How such nights are compared, and what can be concluded.
    least_p
        `least_p` of the design with so many nights; None where the order is not drawn.
    """

    design: Design
    order: Order
    seed: int
    nights: tuple[ScheduledNight, ...]
    analysis: str
    least_p: float | None = None

    @property
    def warning(self) -> str:
        """What so few nights cannot tell whatever they show; empty where they can."""
        if self.least_p is None or self.least_p <= VERDICT_P.value:
            return ""
        return (
            "With so few nights and the first one left out, the rearrangement test cannot "
            f"come below {self.least_p:.3f}. It would have to reach {VERDICT_P.value:g}: whatever these "
            'nights show, the answer will be "cannot tell yet". Plan more nights.'
        )


ANALYSES: dict[Design, str] = {
    "A-B-A": (
        "Phases in a fixed order: rate ratio of all B nights to all A nights, with an interval that allows "
        "for neighbouring nights being alike as well as the plain one. Because A comes back, a "
        "steady change with time does not pass for an effect; carry-over and chance events in a phase may. "
        "The order is not drawn, so the sentences name no cause."
    ),
    "randomised nights": (
        "Conditions drawn over all nights: rate ratio, and a rearrangement test over all nights that follows "
        "the drawing alone. The sentences may name the appliance as the cause in this person. Needs an "
        "appliance whose effect begins and ends within a night."
    ),
    "randomised blocks": (
        "Each block holds every condition once, in a drawn order: rate ratio, and a rearrangement test "
        "within blocks that follows the drawing alone; slow changes with time fall out. The sentences may "
        "name the appliance as the cause in this person. Needs an appliance whose effect begins and ends "
        "within a night."
    ),
}


def schedule(
    design: Design,
    conditions: Sequence[str],
    nights: int,
    start: date,
    *,
    seed: int,
) -> Schedule:
    """Lay out nights by date.

    Parameters
    ----------
    conditions
        The baseline first; A-B-A takes two.
    nights
        Nights under each condition; A-B-A halves those of A around B, the first half the larger.
    seed
        Of the drawing; the same seed gives the same schedule.

    Raises
    ------
    UsageError
        Fewer than two conditions, a condition named twice, more than two for A-B-A, or fewer than four
        nights.
    """
    names = list(dict.fromkeys(conditions))
    if len(names) < 2 or len(names) != len(conditions):
        raise UsageError("a schedule needs two or more different conditions, the baseline first")
    if nights < LEAST_NIGHTS.value:
        raise UsageError(
            f"{nights} nights in each condition are too few; with fewer than "
            f"{LEAST_NIGHTS.value:g} the comparison says nothing"
        )
    rng = np.random.default_rng(seed)
    labels, blocks = _labels(design, names, nights, rng)
    order = ORDERS[design]
    rows = tuple(
        ScheduledNight(f"night-{k + 1:02d}", start + timedelta(days=k), label, block)
        for k, (label, block) in enumerate(zip(labels, blocks, strict=True))
    )
    least = least_p(Planned(design, contrasts=len(names) - 1), nights)
    return Schedule(design, order, seed, rows, ANALYSES[design], least)


def _labels(
    design: Design, names: Sequence[str], nights: int, rng: np.random.Generator
) -> tuple[list[str], list[int | None]]:
    if design == "A-B-A":
        if len(names) != 2:
            raise UsageError("A-B-A takes two conditions: the baseline and one appliance")
        first = (nights + 1) // 2
        labels = [names[0]] * first + [names[1]] * nights + [names[0]] * (nights - first)
        return labels, [None] * len(labels)
    if design == "randomised nights":
        labels = [name for name in names for _ in range(nights)]
        return [labels[i] for i in rng.permutation(len(labels))], [None] * len(labels)
    labels = [names[i] for _ in range(nights) for i in rng.permutation(len(names))]
    return labels, [k // len(names) + 1 for k in range(len(labels))]


def schedule_csv(found: Schedule) -> str:
    """Nights of a schedule as CSV: ``night,date,condition,block``."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("night", "date", "condition", "block"))
    for n in found.nights:
        block = "" if n.block is None else n.block
        name = f"'{n.condition}" if n.condition.startswith(("=", "+", "-", "@")) else n.condition
        writer.writerow((n.id, n.date.isoformat(), name, block))
    return out.getvalue()


def schedule_toml(found: Schedule, *, baseline: str = NO_APPLIANCE, looks: Sequence[int] = ()) -> str:
    """The part of a study file that belongs to a schedule, with the looks that are set beforehand."""
    import json

    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    lines = [
        f"# Drawn with seed {found.seed}." if found.design != "A-B-A" else "# Phases in a fixed order.",
        f"order = {quoted(found.order)}",
        f"baseline = {quoted(baseline)}",
        *([f"looks = [{', '.join(map(str, looks))}]"] if looks else []),
    ]
    for n in found.nights:
        lines += [
            "",
            "[[night]]",
            f"id = {quoted(n.id)}",
            f"recording = {quoted(n.id + '.edf')}",
            f"date = {n.date.isoformat()}",
            f"condition = {quoted(n.condition)}",
        ]
        if n.block is not None:
            lines.append(f"block = {n.block}")
    return "\n".join(lines) + "\n"
