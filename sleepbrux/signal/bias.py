"""By how much a fault that was cleaned may still move the episode index, as measured on generated nights.

``python -m tests.quality_table bias`` prints the figures: the same night with the fault and without it, each
scored over the time that its own cleaning left, seeds 9501 to 9509, which no limit was chosen on (1 December 2026).
They say what this generator shows at these doses (mains of 20 µV, beats of 250 µV, a pop on every other burst, 15
swings, 15 spike trains, 6 crackles and 5 sweats an hour), and nothing of faults of another shape.
`scoring.rate_range` widens the range of a night by them. Single spikes that were taken out have no measured bias.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class MeasuredBias:
    """One fault.

    Attributes
    ----------
    condition
        As the command names it.
    cause
        What was done, in words.
    fault
        Key of `quality.REPAIRS`, or of `quality.REASONS` for time that was left out; empty where nothing is cleaned.
    dose_of, dose
        What its dose is a share of, and that share in the measured nights: of the counted episodes, those that meet
        repaired frames; of the window, the time that was left out. Empty and 0 where nothing is cleaned.
    index_pct
        Largest change of the index under four criteria, per cent; negative: episodes are missed.
    low_pct, high_pct
        Its 95 % limits, the widest under the four: over nights, and no narrower than three over the episodes.
    n_episodes
        Episodes of the clean nights behind it.
    """

    condition: str
    cause: str
    fault: str
    dose_of: Literal["episodes", "time", ""]
    dose: float
    index_pct: float
    low_pct: float
    high_pct: float
    n_episodes: int


MEASURED = (
    MeasuredBias("both mains", "mains subtracted", "mains", "episodes", 1.0, -0.24, -0.95, 0.71, 423),
    MeasuredBias("pops on bursts", "pops repaired", "pops", "episodes", 0.99, 0.0, -0.71, 0.71, 423),
    MeasuredBias("heart", "heart beats taken out", "heart", "episodes", 0.80, -1.18, -2.37, 0.71, 423),
    MeasuredBias("sway", "swinging cable left out", "movement", "time", 0.0319, -2.32, -4.32, -0.33, 423),
    MeasuredBias("spikes", "dense spikes left out", "spikes", "time", 0.0168, 1.71, -0.67, 3.67, 423),
    MeasuredBias("slow swings under bursts", "nothing: outside the band", "", "", 0.0, 0.0, -0.71, 0.71, 423),
    MeasuredBias("sweat", "nothing: outside the band", "", "", 0.0, 0.0, -0.71, 0.71, 423),
    MeasuredBias("crackle", "nothing: counted, and doubted", "", "", 0.0, 2.41, -0.66, 3.94, 423),
)
