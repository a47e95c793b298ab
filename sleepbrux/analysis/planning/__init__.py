"""How many nights a comparison needs, by simulation with the very analysis, and when to wear what."""

from sleepbrux.analysis.planning.design import RUNS_PAGE, Design, Planned
from sleepbrux.analysis.planning.nights import PUBLISHED, Variation, extra_cv_pct, own_variation
from sleepbrux.analysis.planning.plan import (
    Plan,
    Point,
    bound_of,
    design_in,
    plan_nights,
    plans_csv,
    plans_from,
    plans_of,
)
from sleepbrux.analysis.planning.schedule import (
    Schedule,
    ScheduledNight,
    schedule,
    schedule_csv,
    schedule_toml,
)

__all__ = [
    "PUBLISHED",
    "RUNS_PAGE",
    "Design",
    "Plan",
    "Planned",
    "Point",
    "Schedule",
    "ScheduledNight",
    "Variation",
    "bound_of",
    "design_in",
    "extra_cv_pct",
    "own_variation",
    "plan_nights",
    "plans_csv",
    "plans_from",
    "plans_of",
    "schedule",
    "schedule_csv",
    "schedule_toml",
]
