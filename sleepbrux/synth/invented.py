"""An invented night as a file, for notebooks, recipes and first steps."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from sleepbrux.core.arguments import NONE, NUMBER, PAIR, PATH, check, of
from sleepbrux.core.errors import UsageError
from sleepbrux.synth.layout import Recipe, plan_night
from sleepbrux.synth.night import ElectrodeOff
from sleepbrux.synth.render import write_night

SHORTEST_H = 0.2


def invent_night(
    path: str | Path,
    *,
    hours: float = 1.0,
    episodes_per_hour: float = 12.0,
    amplitude_mvc: tuple[float, float] = (0.15, 0.80),
    left_off_s: tuple[float, float] | None = None,
    rate_hz: int = 500,
    start: datetime | None = None,
    seed: int = 0,
) -> Path:
    """Write an invented night: both masseters, three clenches, lights marks, episodes at drawn times.

    Nothing in it is a person. It says how the program works, and nothing of how nights are.

    Parameters
    ----------
    path
        The EDF+ file to write.
    hours, episodes_per_hour
        Length of the recording, and episodes between the lights marks.
    amplitude_mvc
        Lowest and highest level of bursts, as a share of the maximal clench.
    left_off_s
        From when to when the left electrode hangs loose, in seconds.
    rate_hz, start
        Samples a second, and local time of the first sample.
    seed
        Another seed, another night.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    UsageError
        A night that is too short to hold anything.

    Examples
    --------
    >>> import tempfile
    >>> import sleepbrux as sb
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     night = sb.score(sb.invent_night(f"{folder}/night.edf", hours=0.25, seed=3))
    >>> night.measures["episode_count"].value
    2.0
    """
    check(
        path=(path, PATH),
        hours=(hours, NUMBER),
        episodes_per_hour=(episodes_per_hour, NUMBER),
        amplitude_mvc=(amplitude_mvc, PAIR),
        left_off_s=(left_off_s, NONE | PAIR),
        rate_hz=(rate_hz, of(int, "a whole number")),
        start=(start, NONE | of(datetime)),
        seed=(seed, of(int, "a whole number")),
    )
    if not hours >= SHORTEST_H:
        raise UsageError(f"`hours` is {hours}; an invented night lasts {SHORTEST_H} h or longer")
    loose = () if left_off_s is None else (ElectrodeOff("left", *left_off_s, sum(left_off_s) / 2),)
    recipe = Recipe(
        hours=hours,
        episodes_per_hour=episodes_per_hour,
        amplitude_mvc=amplitude_mvc,
        awake_s=120.0,
        settle_s=60.0,
        electrode_off=loose,
    )
    write_night(plan_night(recipe, seed=seed), Path(path), rate=rate_hz, start=start)
    return Path(path)
