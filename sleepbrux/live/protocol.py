"""The order of the clench test in the chair: what is done when, what was done, and how the two differ.

The timings are those of the chair sheet: 20 s of rest, three clenches of 3 s some 10 s apart, 60 s of rest
between conditions. Every time is a second of the recording. The protocol asks for nothing and measures
nothing; it says what is due.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from sleepbrux.core.errors import UsageError
from sleepbrux.reference import NATURAL
from sleepbrux.reference.clench_test import LEAST_REST_S, balanced_order

CHECK_S = 10.0
REST_S = 20.0
COUNTDOWN_S = 3.0
CLENCH_S = 3.0
BETWEEN_S = 10.0
TRIALS = 3
TOLERANCE_S = 1.0
LEAST_AFTER_S = 1.0
REASONS = ("moved", "swallowed", "talked", "electrode", "pain", "misunderstood", "other")
Phase = Literal["check", "ready", "rest", "between", "countdown", "clench", "pause", "done"]
MarkKind = Literal["rest", "clench", "departure"]


@dataclass
class Trial:
    """A clench that was cued.

    Attributes
    ----------
    number
        From 1, over the whole session.
    mark
        By which the keeper knows its mark; 0 before it is written.
    dropped
        Why it does not count; empty where it does.
    """

    number: int
    condition: str
    start_s: float
    stop_s: float
    mark: int = 0
    dropped: str = ""


@dataclass(frozen=True)
class Due:
    """A mark to be written now."""

    kind: MarkKind
    start_s: float
    duration_s: float
    text: str
    trial: Trial | None = None


def mark_text(condition: str) -> str:
    """Text of a clench mark, as the chair sheet has it."""
    return "Clench natural teeth" if condition == NATURAL else f"Clench with {condition}"


def dropped_text(trial: Trial) -> str:
    """What stands in the file for a trial that was dropped: no word that a reader takes for a clench."""
    return f"Dropped trial {trial.number}: {trial.dropped}"


@dataclass
class Protocol:
    """Where a session stands.

    Parameters
    ----------
    appliances
        In the study's order.
    person
        Running number, which balances the order.
    self_going
        Whether each part begins by itself when the one before is over; else a person begins it.
    """

    appliances: Sequence[str]
    person: int = 0
    self_going: bool = False
    order: tuple[str, ...] = ()
    place: int = 0
    phase: Phase = "check"
    since_s: float = 0.0
    trials: list[Trial] = field(default_factory=list)
    departures: list[str] = field(default_factory=list)
    asked: int = 0
    made: int = 0
    last_clench_s: float | None = None
    ended: bool = False

    def __post_init__(self) -> None:
        """Balance the order."""
        self.order = balanced_order(self.appliances, self.person)
        self.asked = TRIALS

    @property
    def condition(self) -> str:
        """What is between the teeth now, or comes next."""
        return self.order[min(self.place, len(self.order) - 1)]

    @property
    def over(self) -> bool:
        """Whether nothing more is to come: a person may still add a clench until they end the session."""
        return self.phase == "done" and (self.self_going or self.ended)

    @property
    def left_s(self) -> float:
        """Length of the phase; 0 where it has none."""
        lengths = {
            "check": CHECK_S if self.self_going else 0.0,
            "rest": REST_S,
            "between": BETWEEN_S - COUNTDOWN_S,
            "countdown": COUNTDOWN_S,
            "clench": CLENCH_S,
            "pause": LEAST_REST_S,
        }
        return lengths.get(self.phase, 0.0)

    def _to(self, phase: Phase, at_s: float) -> None:
        self.phase, self.since_s = phase, at_s

    def tick(self, now_s: float) -> list[Due]:
        """Go on as far as the time says; gives the marks that are due."""
        due: list[Due] = []
        while self.left_s and now_s >= self.since_s + self.left_s:
            end = self.since_s + self.left_s
            if self.phase == "check":
                self._to("ready", end)
            elif self.phase == "rest":
                due.append(Due("rest", self.since_s, REST_S, "Rest"))
                self._to("between", end)
            elif self.phase == "between":
                self._to("countdown", end)
            elif self.phase == "countdown":
                self._to("clench", end)
            elif self.phase == "clench":
                due.append(self._made(end))
            elif self.phase == "pause":
                self._to("ready", end)
            if self.phase == "ready" and self.self_going:
                due += self.begin(end)
        return due

    def _made(self, end_s: float) -> Due:
        trial = Trial(len(self.trials) + 1, self.condition, self.since_s, end_s)
        self.trials.append(trial)
        self.last_clench_s = end_s
        self.made += 1
        self._to("between", end_s)
        if self.made >= self.asked:
            self._next(end_s)
        return Due("clench", trial.start_s, CLENCH_S, mark_text(trial.condition), trial)

    def _next(self, at_s: float) -> None:
        """The condition is done: the pause before the next, or the end."""
        self.place += 1
        self.made, self.asked = 0, TRIALS
        self._to("done" if self.place >= len(self.order) else "pause", at_s)

    def begin(self, now_s: float) -> list[Due]:
        """Begin the part that is due: the rest of a condition. Earlier than asked is a departure.

        Raises
        ------
        UsageError
            Nothing is to be begun now.
        """
        if self.phase not in ("check", "ready", "pause"):
            raise UsageError("nothing is to be begun now; the part before is not over")
        due = []
        if self.phase == "pause" and now_s < self.since_s + LEAST_REST_S - TOLERANCE_S:
            due.append(
                self._departure(
                    now_s,
                    f"pause of {now_s - self.since_s:.0f} s instead of {LEAST_REST_S:.0f} s before "
                    f"{self.condition}",
                )
            )
        self._to("rest", now_s)
        return due

    def drop(self, number: int, reason: str) -> Trial:
        """A trial that does not count, with the reason; the clench is asked for once more.

        Raises
        ------
        UsageError
            No such trial, or no such reason.
        """
        trial = self._trial(number)
        if reason not in REASONS:
            raise UsageError(f"reason {reason!r} is unknown; allowed are {', '.join(REASONS)}")
        if trial.dropped:
            raise UsageError(f"trial {number} was dropped already ({trial.dropped})")
        trial.dropped = reason
        if trial.condition == self.condition and self.made and self.phase != "done":
            self.asked += 1
        return trial

    def add(self, now_s: float) -> list[Due]:
        """One clench more in the condition that was made last; outside its turn it is a departure.

        Raises
        ------
        UsageError
            No clench was made yet, or one is being made.
        """
        if not self.trials or self.phase in ("countdown", "clench", "rest"):
            raise UsageError(
                "a clench is added after the first one, and not while a rest or a clench is made"
            )
        last = self.trials[-1].condition
        if self.phase == "between":
            self.asked += 1
            return [self._departure(now_s, f"one more trial with {last}")] if self._counted(last) else []
        self.place -= 1
        self.made, self.asked = TRIALS, TRIALS + 1
        again = [self._departure(now_s, f"one more trial with {last}")] if self._counted(last) else []
        self._to("between", max(now_s - BETWEEN_S + COUNTDOWN_S, self.since_s))
        return again

    def _counted(self, condition: str) -> bool:
        """Whether the protocol's number of clenches counts already in the run of this condition."""
        n = 0
        for trial in reversed(self.trials):
            if trial.condition != condition:
                break
            n += not trial.dropped
        return n >= TRIALS

    def skip(self, now_s: float) -> list[Due]:
        """Leave out what is left of this condition, as where it hurts; a departure.

        Raises
        ------
        UsageError
            The session is over.
        """
        if self.phase == "done":
            raise UsageError("the session is over")
        due = [self._departure(now_s, f"{self.condition} ended after {self.made} of {self.asked} trials")]
        self._next(now_s)
        return due

    def end(self, now_s: float) -> list[Due]:
        """End the session now; before its end it is a departure."""
        self.ended = True
        if self.phase == "done":
            return []
        left = ", ".join(self.order[self.place :])
        due = [self._departure(now_s, f"ended before: {left}")]
        self._to("done", now_s)
        return due

    def _trial(self, number: int) -> Trial:
        if not 1 <= number <= len(self.trials):
            raise UsageError(f"there is no trial {number}; there are {len(self.trials)}")
        return self.trials[number - 1]

    def _departure(self, now_s: float, text: str) -> Due:
        self.departures.append(text)
        return Due("departure", now_s, 0.0, f"Departure: {text}")


def planned(appliances: Sequence[str], person: int = 0) -> list[Due]:
    """Marks of a session that goes by itself and departs from nothing, with their times.

    Examples
    --------
    >>> [(due.start_s, due.text) for due in planned(["splint"])[:2]]
    [(10.0, 'Rest'), (40.0, 'Clench natural teeth')]
    """
    protocol, due, now_s = Protocol(appliances, person, self_going=True), list[Due](), 0.0
    while protocol.phase != "done":
        now_s += 1.0
        due += protocol.tick(now_s)
    return due
