"""The values of a comparison: nights, contrasts, and all of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sleepbrux.analysis.comparison.prior import PriorLine
from sleepbrux.analysis.comparison.ratio import RateRatio
from sleepbrux.analysis.comparison.rearrange import Rearrangement
from sleepbrux.analysis.comparison.rules import VERDICT_P
from sleepbrux.analysis.comparison.sentences import Verdict
from sleepbrux.analysis.comparison.serial import Serial
from sleepbrux.analysis.comparison.trend import Trend
from sleepbrux.core.arguments import FLAG, NONE, NUMBER, PAIR, TEXT, WHOLE, check, each, of
from sleepbrux.core.errors import Note
from sleepbrux.study.file import Order


@dataclass(frozen=True)
class CountedNight:
    """One night of a comparison.

    Attributes
    ----------
    events
        Events that count, or the value of a measure that counts nothing.
    hours
        Valid hours; 1 for a measure that counts nothing.
    date, block, days_since_first_worn
        As in the study file; None where it does not say.
    fully_worn
        False where an appliance was worn for part of the night only: such a night is left out.
    by_hour
        Events and valid hours in each hour since the analysed window began; empty where not known.
    weighted_hours
        Valid hours, each weighted by how often events come at that hour of the night; set by the
        comparison, None where the hours of some night are not known.
    interval
        The night's own 95 % interval of its rate, as its report gives it; None where it gives none.

    Examples
    --------
    >>> from sleepbrux import CountedNight
    >>> CountedNight("n1", "none", 35, 7.0).rate
    5.0
    """

    id: str
    condition: str
    events: float
    hours: float
    date: date | None = None
    block: int | None = None
    days_since_first_worn: int | None = None
    fully_worn: bool = True
    by_hour: tuple[tuple[float, float], ...] = ()
    weighted_hours: float | None = None
    interval: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            id=(self.id, TEXT),
            condition=(self.condition, TEXT),
            events=(self.events, NUMBER),
            hours=(self.hours, NUMBER),
            date=(self.date, NONE | of(date)),
            block=(self.block, NONE | WHOLE),
            days_since_first_worn=(self.days_since_first_worn, NONE | WHOLE),
            fully_worn=(self.fully_worn, FLAG),
            by_hour=(self.by_hour, each(PAIR, "pairs of events and hours")),
            weighted_hours=(self.weighted_hours, NONE | NUMBER),
            interval=(self.interval, NONE | PAIR),
        )

    @property
    def exposure(self) -> float:
        """What the comparison divides by."""
        return self.hours if self.weighted_hours is None else self.weighted_hours

    @property
    def rate(self) -> float | None:
        """Events per valid hour; None without valid hours."""
        return self.events / self.hours if self.hours > 0 else None


@dataclass(frozen=True)
class Apart:
    """A night that is shown and not compared, and why."""

    night: CountedNight
    reason: str


@dataclass(frozen=True)
class Contrast:
    """One condition against another.

    Attributes
    ----------
    ratio
        None where a condition has fewer than two nights, or there is no event at all.
    rearrangement
        Test that follows the design; None without a ratio.
    with_first_night
        The ratio with the first night of the study among the others; None where it changes nothing.
    serial
        Ratio and interval that allow for neighbouring nights being alike; None where the order was drawn.
    by_valid_hours
        The ratio with every valid hour counting the same; None where hours were not weighted.
    prior
        The ratio if nights vary about as published (`prior.WORDS`): a sensitivity line, never the verdict.
    why
        Whether a difference can be put down to what was worn, in a sentence; empty without a difference.
    """

    condition: str
    against: str
    ratio: RateRatio | None
    rearrangement: Rearrangement | None
    verdict: Verdict
    sentence: str
    with_first_night: RateRatio | None = None
    serial: Serial | None = None
    by_valid_hours: float | None = None
    prior: PriorLine | None = None
    why: str = ""


@dataclass(frozen=True)
class Comparison:
    """Conditions of one person compared in one outcome.

    Attributes
    ----------
    conditions
        The baseline first, then in order of first appearance.
    nights
        Nights that were compared, in order of time.
    apart
        The first night, partly worn nights, nights without valid hours.
    contrasts
        Each appliance against the baseline, then against each other.
    cautions
        What every reader of the sentences must know.
    shape
        Rate of each hour of the night over that of the whole night; empty where hours are not known.
    verdict_p
        Bound of the p that decides a sentence.

    Examples
    --------
    >>> from sleepbrux import CountedNight, compare_nights
    >>> nights = [CountedNight(f"n{k}", c, 30 + k, 7.0) for k, c in enumerate(["none", "splint"] * 3)]
    >>> compare_nights(nights).conditions
    ('none', 'splint')
    """

    outcome: str
    order: Order
    baseline: str
    conditions: tuple[str, ...]
    nights: tuple[CountedNight, ...]
    apart: tuple[Apart, ...]
    contrasts: tuple[Contrast, ...]
    trend: Trend | None
    cautions: tuple[Note, ...]
    counts: bool = True
    shape: tuple[float, ...] = ()
    verdict_p: float = VERDICT_P.value
