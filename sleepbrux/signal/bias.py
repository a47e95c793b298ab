"""By how much a fault that was cleaned may still move the episode index, as measured on generated nights.

``python -m tests.quality_table bias`` prints the figures: the same night with the fault and without it, each
scored over the time that its own cleaning left, seeds that no limit was chosen on. They say what this
generator shows, and nothing of faults of another shape. They are provisional and widen no range: of 47-94 episodes
a change under 3-6 % cannot be excluded, and limits of beats and pops were set once more after they were taken,
on seeds from 501 on; the command takes others since.
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
    n_episodes
        Episodes of the clean nights behind it.
    """

    code: str
    index_pct: float
    n_episodes: int

    @property
    def at_most_pct(self) -> float:
        """What was seen and what so few episodes cannot exclude (three over their number), per cent."""
        return max(abs(self.index_pct), 300.0 / self.n_episodes)


MEASURED = (
    MeasuredBias("mains-removed", 0.0, 94),
    MeasuredBias("pops-repaired", 0.03, 94),
    MeasuredBias("heart-removed", -2.13, 94),
    MeasuredBias("movement", 0.86, 47),
)
