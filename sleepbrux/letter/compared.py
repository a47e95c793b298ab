"""Nights with an appliance against nights without, as sentences of a letter."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.compare import Comparison, CountedNight, compare_nights, mixed_bases, night_row
from sleepbrux.errors import UsageError
from sleepbrux.letter.nights import Letter

NO_EFFECT = "Side by side only: no statement about an effect is made. Nights vary by themselves."


def counted_nights(letters: Sequence[Letter]) -> list[CountedNight]:
    """The nights as a comparison counts them; their dates where the archives have them."""
    found = []
    for name, _, night in letters:
        about, start = dict(night.about), night.swept.start
        found.append(
            CountedNight(
                id=about.get("night", name),
                condition=about.get("condition", ""),
                events=float(len(night.chosen.episodes)),
                hours=night.measures["valid_hours"].value or 0.0,
                date=start.date() if start else None,
            )
        )
    return found


def sentences_of(comparison: Comparison) -> list[str]:
    """The sentence of each pair of conditions, what stands apart, and the warnings."""
    apart = [f"Set apart: {a.night.id} ({a.reason})." for a in comparison.apart]
    warned = [f"{c.text.rstrip('.')}." for c in comparison.cautions if c.severity == "warning"]
    return [*(c.sentence for c in comparison.contrasts), *apart, *warned]


def compared(letters: Sequence[Letter]) -> list[str]:
    """Sentences for nights of which no study file says how their order came about.

    Side by side only where the nights stand on different bases, say no condition, or have but one.
    """
    nights = counted_nights(letters)
    rows = [night_row(n.id, n.condition, x.night) for n, x in zip(nights, letters, strict=True)]
    if mixed_bases(rows) or not all(n.condition for n in nights):
        return [NO_EFFECT]
    try:
        return sentences_of(compare_nights(nights, rearranged=False))
    except UsageError:
        return [NO_EFFECT]
