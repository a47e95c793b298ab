"""By how much a fault that was cleaned may still move the episode index, as measured on generated nights.

``python -m tests.quality_table bias`` prints the figures: the same night with the fault and without it, each
scored over the time that its own cleaning left, seeds 9501 to 9509, which no limit was chosen on (1 December 2026).
They say what this generator shows at these doses (mains of 20 µV, beats of 250 µV, 20 pops and 15 swings an hour), and
nothing of faults of another shape. They widen no range: a night with one pop or one swing is none with so many.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class MeasuredBias:
    """One fault.

    Attributes
    ----------
    code
        Code of the note, or reason in `quality.REASONS`, by which a night names the fault.
    index_pct
        Largest change of the index under four criteria, per cent; negative: episodes are missed.
    low_pct, high_pct
        Its 95 % limits, the widest under the four: over nights, and no narrower than three over the episodes.
    n_episodes
        Episodes of the clean nights behind it.
    """

    code: str
    index_pct: float
    low_pct: float
    high_pct: float
    n_episodes: int


MEASURED = (
    MeasuredBias("mains-removed", 0.0, -0.71, 0.71, 423),
    MeasuredBias("pops-repaired", 0.04, -0.71, 0.75, 423),
    MeasuredBias("heart-removed", -1.18, -2.37, 0.71, 423),
    MeasuredBias("movement", -2.32, -4.32, -0.33, 423),
)
