"""Nights with known truth, for tests, demo data and planning.

Reading order: `signal` (noise), `night` (what can happen), `groups` and `layout` (a plan of it),
`heart`, `render` (plan to samples), `truth`, `study` (the demo scenario).
"""

from sleepbrux.synth.layout import NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.night import (
    Background,
    Burst,
    Cue,
    ElectrodeOff,
    Group,
    NightPlan,
    TrueEpisode,
)
from sleepbrux.synth.render import render, write_night
from sleepbrux.synth.truth import Truth, truth_of, truth_path, write_truth

__all__ = [
    "NATURAL",
    "Background",
    "Burst",
    "Cue",
    "ElectrodeOff",
    "Group",
    "NightPlan",
    "Recipe",
    "TrueEpisode",
    "Truth",
    "plan_night",
    "plan_reference",
    "render",
    "truth_of",
    "truth_path",
    "write_night",
    "write_truth",
]
