"""Nights by condition, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sleepbrux.scoring.night import Night, meant_criterion


@dataclass(frozen=True)
class NightRow:
    """One night of a study: what was counted, in which time, and against what.

    Attributes
    ----------
    rate_per_hour
        Episodes per valid hour; None where no time was valid.
    reference
        Where the reference clench came from, in words; empty without one.
    instead_of
        Rule set that was meant, where ``criterion`` was used in its place; empty where it was not.
    """

    id: str
    condition: str
    episodes: int
    valid_hours: float
    rate_per_hour: float | None
    criterion: str
    basis: str
    reference: str
    warnings: int
    instead_of: str = ""


def night_row(id_: str, condition: str, night: Night) -> NightRow:
    """The row of one scored night."""
    measures = night.measures
    return NightRow(
        id=id_,
        condition=condition,
        episodes=len(night.selection.episodes),
        valid_hours=measures["valid_hours"].value or 0.0,
        rate_per_hour=measures["episodes_per_hour"].value,
        criterion=night.criterion.id,
        basis=night.window.basis,
        reference=night.reference.origin if night.reference else "",
        warnings=sum(note.severity == "warning" for note in night.notes),
        instead_of=meant_criterion(night),
    )


@dataclass(frozen=True)
class ConditionRow:
    """All nights under one condition.

    Attributes
    ----------
    rate_per_hour
        All episodes over all valid hours; None without valid hours.
    lowest, highest
        Range of the nights' own rates; None without a night that has one.
    """

    condition: str
    nights: int
    episodes: int
    valid_hours: float
    rate_per_hour: float | None
    lowest: float | None
    highest: float | None


def by_condition(rows: Sequence[NightRow]) -> list[ConditionRow]:
    """Nights pooled by condition, in order of first appearance. No effect is stated."""
    result = []
    for condition in dict.fromkeys(row.condition for row in rows):
        group = [row for row in rows if row.condition == condition]
        hours = sum(row.valid_hours for row in group)
        episodes = sum(row.episodes for row in group)
        rates = [row.rate_per_hour for row in group if row.rate_per_hour is not None]
        result.append(
            ConditionRow(
                condition,
                len(group),
                episodes,
                hours,
                episodes / hours if hours else None,
                min(rates, default=None),
                max(rates, default=None),
            )
        )
    return result


def mixed_bases(rows: Sequence[NightRow]) -> list[str]:
    """Why the nights cannot be put side by side: one sentence each, empty where they can."""
    reasons = []
    for field, what in (
        ("criterion", "criteria"),
        ("basis", "windows"),
        ("reference", "kinds of reference"),
    ):
        values = sorted({getattr(row, field) for row in rows})
        if len(values) > 1:
            reasons.append(f"the nights have different {what}: {'; '.join(values)}")
    return reasons
