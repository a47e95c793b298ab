"""For how much of a night the appliance was in: a night counts as "with" only when it was worn."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from typing import Literal

from sleepbrux.core.errors import StudyError
from sleepbrux.core.spans import Spans
from sleepbrux.study.file import NO_APPLIANCE, StudyNight

Status = Literal["worn", "partly worn", "not applicable"]
LEAST_SHARE_PCT = 80
DAY_S = 86400


@dataclass(frozen=True)
class Wear:
    """How long the appliance of a night was worn.

    Attributes
    ----------
    share
        Valid time with the appliance in over all valid time, 0 to 1; None where there is no appliance
        or no valid time.
    status
        ``"worn"`` from 80 % of the valid time on, else ``"partly worn"``; ``"not applicable"`` where the
        night's condition is no appliance.
    basis
        Whose word that is, in words.
    """

    share: float | None
    status: Status
    basis: str


def _seconds(clock: time, start: time, duration_s: float) -> float:
    """Second of the night clock at a clock time, of all days the one nearest to mid-recording.

    So an appliance put in before the recording starts, or taken out after it ends, lies outside it::

        start 22:40, 8 h      22:10 is -1800 s      06:50 is 29400 s      07:10 is 30600 s
    """
    from_start = (clock.hour - start.hour) * 3600 + (clock.minute - start.minute) * 60
    second = from_start + clock.second - start.second - start.microsecond / 1e6
    earliest = duration_s / 2 - DAY_S / 2
    return (second - earliest) % DAY_S + earliest


def worn(night: StudyNight, valid: Spans, start_clock: time | None) -> Wear:
    """Share of the valid time of a night in which its appliance was in.

    Parameters
    ----------
    night
        The night of a study file; without insertion and removal times its appliance counts as worn all
        night, on the study file's word.
    valid
        Valid time, on a grid that begins with the recording (``Night.chosen.valid``).
    start_clock
        Local time of the first sample.

    Raises
    ------
    StudyError
        Times that cannot be placed: an unknown start, a recording of a day or more, or a removal that
        does not follow the insertion.
    """
    if night.condition == NO_APPLIANCE:
        return Wear(None, "not applicable", "no appliance")
    inserted, removed = night.appliance_in, night.appliance_out
    if inserted is None and removed is None:
        share = 1.0 if valid.n_slots else None
        return Wear(share, "worn", "study file, no times: taken as worn all night")
    grid = valid.grid
    if start_clock is None:
        raise StudyError(
            f"night {night.id!r}: appliance_in and appliance_out are clock times, but the recording does "
            "not say at what time it starts; leave them out, or use a recording that does"
        )
    if grid.duration_s >= DAY_S:
        raise StudyError(
            f"night {night.id!r}: the recording lasts {grid.hours:.1f} h, so the clock times "
            "appliance_in and appliance_out may mean two days; cut the recording to under 24 h"
        )
    start_s = 0.0 if inserted is None else _seconds(inserted, start_clock, grid.duration_s)
    stop_s = grid.duration_s if removed is None else _seconds(removed, start_clock, grid.duration_s)
    if inserted is not None and removed is not None and stop_s <= start_s:
        raise StudyError(
            f"night {night.id!r}: appliance_out {removed:%H:%M} does not come after appliance_in "
            f"{inserted:%H:%M}; correct one of them"
        )
    within = Spans.of(grid, [(grid.nearest(start_s), grid.nearest(stop_s))])
    n_worn, n_valid = (valid & within).n_slots, valid.n_slots
    enough = n_valid > 0 and 100 * n_worn >= LEAST_SHARE_PCT * n_valid
    said = [f"{word} {t:%H:%M}" for word, t in (("from", inserted), ("until", removed)) if t is not None]
    return Wear(
        n_worn / n_valid if n_valid else None,
        "worn" if enough else "partly worn",
        f"study file: appliance in {' '.join(said)}",
    )
