"""What a plan of nights is made from: one table, of which the command makes its options and the page its form."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from sleepbrux.core.errors import UsageError

SPREADS = {
    "lavigne2001 episodes": "Lavigne 2001, episodes/h: 9 persons, moderate to severe",
    "lavigne2001 bursts": "Lavigne 2001, bursts/h: the same persons",
    "miettinen2018 episodes": "Miettinen 2018, episodes/h: 16 persons, mostly mild",
}
SCHEDULES = ("A-B-A", "randomised nights", "randomised blocks")
USUAL = "randomised nights"
RATIOS = (0.5, 0.75)
FEWEST_AT_LOOK = 4
Kind = Literal["number", "whole", "choice", "numbers", "whole numbers", "names", "day"]


@dataclass(frozen=True)
class Argument:
    """One thing that is asked.

    Attributes
    ----------
    name
        As `Wish` has it.
    words
        What it is, for command and page.
    default
        As it is typed; empty for none.
    least, most, above
        Bounds; ``above``: the least is not allowed itself.
    """

    name: str
    kind: Kind
    words: str
    default: str = ""
    least: float | None = None
    most: float | None = None
    above: bool = False
    choices: tuple[str, ...] = ()


ARGUMENTS = {
    one.name: one
    for one in (
        Argument("rate", "number", "Events per valid hour without an appliance.", "", 0, 10_000, above=True),
        Argument("hours", "number", "Valid hours of a night.", "7.0", 0, 24, above=True),
        Argument("spread", "choice", "A published variation.", choices=tuple(SPREADS)),
        Argument(
            "cv_pct", "number", "Variation between nights beyond counting, SD in % of the mean.", "", 0, 300
        ),
        Argument(
            "ratio",
            "numbers",
            "True ratio to be detected; repeatable [default: 0.5 and 0.75].",
            "",
            0,
            100,
            above=True,
        ),
        Argument("power", "number", "Wanted power: share of studies that detect it.", "0.8", 0.5, 0.99),
        Argument(
            "design",
            "choice",
            f"How nights are laid out [default: as the schedule, else {USUAL}].",
            choices=("A-B", *SCHEDULES),
        ),
        Argument(
            "contrasts",
            "whole",
            "Conditions that are compared with the baseline [default: all but the first condition].",
            "",
            1,
            9,
        ),
        Argument(
            "looks", "whole numbers", "Nights in each condition at which is looked, set beforehand: 6,9,12."
        ),
        Argument("most_nights", "whole", "Stop at so many nights in each condition.", "60", 4, 200),
        Argument("schedule", "choice", "Also lay out nights by date.", choices=SCHEDULES),
        Argument("conditions", "names", "For the schedule: conditions, the baseline first"),
        Argument(
            "nights",
            "whole",
            "For the schedule: nights in each [default: what the first ratio needs].",
            "",
            4,
            200,
        ),
        Argument("start", "day", "Date of the first night."),
        Argument("seed", "whole", "Of the drawing.", "1", 0),
    )
}


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What a plan is made from; `ARGUMENTS` says what each field is."""

    rate: float | None = None
    hours: float = 7.0
    spread: str | None = None
    cv_pct: float | None = None
    ratio: tuple[float, ...] = ()
    power: float = 0.8
    design: str | None = None
    contrasts: int | None = None
    looks: tuple[int, ...] = ()
    most_nights: int = 60
    schedule: str | None = None
    conditions: tuple[str, ...] = ("none", "appliance")
    nights: int | None = None
    start: date | None = None
    seed: int = 1

    @property
    def ratios(self) -> tuple[float, ...]:
        """True ratios to be detected."""
        return self.ratio or RATIOS

    @property
    def laid(self) -> str:
        """How the nights that are simulated lie."""
        return self.design or self.schedule or USUAL


def looks_in(text: str) -> tuple[int, ...]:
    """Numbers of nights at which is looked, from ``"4,7,10"``; empty where they are none.

    Examples
    --------
    >>> looks_in("6, 9,12"), looks_in("9,6"), looks_in("6"), looks_in("3,5")
    ((6, 9, 12), (), (), ())
    """
    try:
        looks = [int(v) for v in text.split(",")]
    except ValueError:
        return ()
    rising = len(looks) > 1 and looks == sorted(set(looks)) and looks[0] >= FEWEST_AT_LOOK
    return tuple(looks) if rising else ()


def wish_of(typed: Mapping[str, str]) -> Wish:
    """A wish as it is typed into a form; what is empty is left at its default.

    Raises
    ------
    UsageError
        A field is not what it can be, in one sentence.
    """
    given = {name: typed.get(name, "").strip() for name in ARGUMENTS}
    read = {
        name: READERS[ARGUMENTS[name].kind](ARGUMENTS[name], text) for name, text in given.items() if text
    }
    return Wish(**read)


def _whole(one: Argument, text: str) -> int:
    if not (text.isdecimal() and len(text) < 10):
        raise _refusal(one, text, f"a whole number{_bounds(one)}")
    return int(_number(one, text))


def _several(one: Argument, text: str) -> tuple[float, ...]:
    return tuple(_number(one, part.strip()) for part in text.split(","))


def _rising(one: Argument, text: str) -> tuple[int, ...]:
    if not (looks := looks_in(text)):
        raise _refusal(one, text, "two or more rising numbers, the first 4 or more, such as 6,9,12")
    return looks


def _chosen(one: Argument, text: str) -> str:
    if text not in one.choices:
        raise _refusal(one, text, f"one of {', '.join(one.choices)}")
    return text


def _day(one: Argument, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise _refusal(one, text, "a date such as 2026-03-02") from None


def _names(_: Argument, text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.splitlines() if name.strip())
    if len(names) < 2 or len(set(names)) < len(names):
        raise UsageError(
            "conditions: write two conditions or more, each on a line of its own and once, the baseline first"
        )
    return names


def _number(one: Argument, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    low = one.least is None or (value > one.least if one.above else value >= one.least)
    if not (math.isfinite(value) and low and (one.most is None or value <= one.most)):
        raise _refusal(one, text, f"a number{_bounds(one)}")
    return value


def _bounds(one: Argument) -> str:
    low = "" if one.least is None else f" {'above' if one.above else 'from'} {one.least:g}"
    return low if one.most is None else f"{low} up to {one.most:g}"


def _refusal(one: Argument, text: str, allowed: str) -> UsageError:
    return UsageError(f"{one.name.replace('_', ' ')} is {text!r}; write {allowed}, or leave it empty")


READERS: dict[Kind, Callable[[Argument, str], Any]] = {
    "number": _number,
    "numbers": _several,
    "whole": _whole,
    "whole numbers": _rising,
    "choice": _chosen,
    "day": _day,
    "names": _names,
}
