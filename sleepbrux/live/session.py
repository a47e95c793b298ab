"""A session in the chair: the protocol led through, every trial measured, the file as the one source of numbers.

After each trial the file is opened as it stands and read by the code that reads any recording; so is the whole
test at the end. Nothing that is reported comes from the screen.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.live.engine import MOST_EVENTS, Engine, Event
from sleepbrux.live.protocol import LEAST_AFTER_S, Due, Protocol, Trial, dropped_text
from sleepbrux.live.screen import Contact
from sleepbrux.recording.edf_writer import Annotation
from sleepbrux.recording.model import Mark
from sleepbrux.recording.opening import open_recording
from sleepbrux.reference import NATURAL, Clenches, measure
from sleepbrux.reference.clench_test import Clench, ClenchTest, clenches_of
from sleepbrux.signal.swept import Swept, sweep_recording
from sleepbrux.study.clench_tests import recording_test

CONTACT_EVERY_S = 1.0
LEAST_EFFORT = 0.8
ENVELOPE_HELD = 4000


@dataclass(frozen=True)
class TrialLevel:
    """A trial as the file gives it.

    Attributes
    ----------
    levels_uv
        Best 1-s RMS by channel; without channels in which it cannot be used.
    """

    number: int
    condition: str
    levels_uv: dict[str, float]
    faults: tuple[str, ...]


@dataclass(frozen=True)
class Measured:
    """What the file says so far.

    Attributes
    ----------
    mvc_uv
        Mean level of the clenches on natural teeth by channel.
    spread_pct
        CV of the trials by condition and channel.
    tired_pct
        Straight-line change from trial to trial in the condition, %, by condition and channel.
    """

    trials: tuple[TrialLevel, ...] = ()
    mvc_uv: dict[str, float] = field(default_factory=dict)
    rest_uv: dict[str, float] = field(default_factory=dict)
    spread_pct: dict[str, dict[str, float]] = field(default_factory=dict)
    tired_pct: dict[str, dict[str, float]] = field(default_factory=dict)


def measured(path: Path, trials: Sequence[Trial], names: Sequence[str]) -> Measured:
    """Every trial of a file that is being written, by the code that reads recordings."""
    swept = sweep_recording(open_recording(path))
    found = clenches_of(swept.frames, swept.marks, names=names)
    counted = [t for t in trials if not t.dropped and t.mark]
    levels = tuple(
        TrialLevel(trial.number, clench.condition, clench.levels_uv, clench.faults)
        for trial, clench in _paired(counted, found)
    )
    groups = {c: _group(swept, [f for f in found if f.condition == c]) for c in {f.condition for f in found}}
    natural = groups.get(NATURAL, [])
    return Measured(
        levels,
        {c.label: uv for c in natural if (uv := c.level_uv()) is not None},
        {c.label: c.rest_uv for c in natural if c.rest_uv is not None},
        {name: {c.label: c.cv_pct for c in group if c.cv_pct is not None} for name, group in groups.items()},
        {
            name: {c.label: c.change_pct_per_trial for c in group if c.change_pct_per_trial is not None}
            for name, group in groups.items()
        },
    )


def _paired(trials: Sequence[Trial], found: Sequence[Clench]) -> list[tuple[Trial, Clench]]:
    """Trials and the clenches of the file, by their time."""
    return [
        (trial, clench) for trial in trials for clench in found if abs(clench.start_s - trial.start_s) < 0.01
    ]


def _group(swept: Swept, clenches: Sequence[Clench]) -> list[Clenches]:
    rests = [(m.start_s, m.start_s + m.duration_s) for m in swept.marks if _is_rest(m)]
    return [measure(f, [(c.start_s, c.stop_s) for c in clenches], rests) for f in swept.frames]


def _is_rest(mark: Mark) -> bool:
    return mark.text == "Rest" and mark.duration_s > 0


class Session:
    """What the page looks at and commands.

    Parameters
    ----------
    names
        Conditions of the study, by which marks are read.
    person
        Pseudonym that the table of the test carries.
    at_once
        Whether a trial is measured before anything more is received, as where time is not real.
    """

    def __init__(
        self,
        engine: Engine,
        protocol: Protocol,
        *,
        names: Sequence[str] = (),
        person: str = "",
        at_once: bool = False,
    ) -> None:
        self.at_once, self.person = at_once, person
        self.engine, self.protocol, self.names = engine, protocol, tuple(names)
        self.events: deque[Event] = deque(maxlen=MOST_EVENTS)
        self.n_events = 0
        self.contact: list[Contact] = []
        self.measured = Measured()
        self.result: ClenchTest | None = None
        self.refusal = ""
        self.lock = threading.RLock()
        self.fresh = threading.Condition(self.lock)
        self.points = 0
        self._envelope: deque[tuple[float, ...]] = deque(maxlen=ENVELOPE_HELD)
        self._pool = ThreadPoolExecutor(max_workers=1)
        self._measuring: Future[Measured] | None = None
        self._due_s: float | None = None
        self._contact_s = 0.0
        self._warned: set[str] = set()
        self._judged = 0
        self.ending = self.closed = False
        self.written: tuple[Path, ...] = ()
        engine.told = self._tell

    def _tell(self, event: Event) -> None:
        self.events.append(event)
        self.n_events += 1

    @property
    def path(self) -> Path:
        """The file that is kept."""
        return self.engine.keeper.path

    def step(self) -> None:
        """Receive, go on in the protocol, write the marks that are due, measure what is complete."""
        points = self.engine.step()
        with self.lock:
            if len(points):
                self._envelope.extend(map(tuple, points.tolist()))
                self.points += len(points)
            now = self.engine.now_s
            self._write(self.protocol.tick(now))
            if now - self._contact_s >= CONTACT_EVERY_S:
                self._contact_s = now
                self._look_at_contact()
            self._measure()
            self.fresh.notify_all()

    def _write(self, dues: Sequence[Due]) -> None:
        for due in dues:
            number = self.engine.keeper.mark(Annotation(due.start_s, due.duration_s, due.text))
            if due.trial is not None:
                due.trial.mark = number
                self._due_s = due.trial.stop_s + LEAST_AFTER_S
            elif due.kind == "rest":
                self._due_s = due.start_s + due.duration_s + LEAST_AFTER_S
            elif due.kind == "departure":
                self._tell(Event(due.start_s, "departure", due.text))

    def _look_at_contact(self) -> None:
        self.contact = self.engine.screen.contact()
        wrong = {f"{c.label}: {fault}" for c in self.contact for fault in c.faults}
        for text in sorted(wrong - self._warned):
            self._tell(Event(self.engine.now_s, "contact", text))
        self._warned = wrong

    def _measure(self, *, wait: bool = False) -> None:
        """Measure the file once the last trial lies in it, in another thread; take over what is ready."""
        if self._measuring is not None and (wait or self._measuring.done()):
            done, self._measuring = self._measuring, None
            try:
                self.measured = done.result()
                self._judge()
            except SleepbruxError as error:
                self._tell(Event(self.engine.now_s, "not-measured", str(error)))
        ready = self._due_s is not None and self.engine.keeper.kept_s >= self._due_s
        if ready and self._measuring is None and not self.ending:
            self._due_s = None
            self.engine.keeper.flush()
            trials = [replace(trial) for trial in self.protocol.trials]
            self._measuring = self._pool.submit(measured, self.path, trials, self.names)
            if self.at_once:
                self._measure(wait=True)

    def _judge(self) -> None:
        """Warn of a clipped clench and of one much weaker than the best before it in its condition."""
        for trial in self.measured.trials:
            if trial.number <= self._judged:
                continue
            self._judged = trial.number
            for fault in trial.faults:
                self._tell(Event(self.engine.now_s, "clipped", f"trial {trial.number} is left out: {fault}"))
            for label, uv in trial.levels_uv.items():
                before = [
                    t.levels_uv[label]
                    for t in self.measured.trials
                    if t.number < trial.number and t.condition == trial.condition and label in t.levels_uv
                ]
                if before and uv < LEAST_EFFORT * max(before):
                    share = 100 * uv / max(before)
                    text = f"trial {trial.number}, {label}: {share:.0f} % of the best with {trial.condition}"
                    self._tell(Event(self.engine.now_s, "effort", text))

    def command(self, what: str, number: int = 0, reason: str = "") -> None:
        """Do what the person at the screen asks for: begin, drop, add, skip or end.

        Raises
        ------
        UsageError
            It has no meaning now.
        """
        with self.lock:
            now = self.engine.now_s
            if self.ending or (self.engine.ended and what != "end"):
                raise UsageError("the session is over; nothing more is recorded")
            if what == "begin":
                self._write(self.protocol.begin(now))
            elif what == "add":
                self._write(self.protocol.add(now))
            elif what == "skip":
                self._write(self.protocol.skip(now))
            elif what == "drop":
                trial = self.protocol.drop(number, reason)
                self.engine.keeper.reword(trial.mark, dropped_text(trial))
                self._due_s = now
            elif what == "end":
                self._write(self.protocol.end(now))
            else:
                raise UsageError(f"{what!r} is no command; there are begin, drop, add, skip and end")

    def finish(self) -> None:
        """End the file and read the whole test from it, as from any file."""
        with self.lock:
            if self.ending:
                return
            self._write(self.protocol.end(self.engine.now_s))
            self.engine.close()
            self.ending = True
        if self._measuring is not None:
            self._measure(wait=True)
        self._pool.shutdown()
        try:
            trials = list(self.protocol.trials)
            if any(t.mark for t in trials):
                self.measured = measured(self.path, trials, self.names)
            self.result = recording_test(self.path, names=self.names)
        except SleepbruxError as error:
            self.refusal = str(error)
        self._write_pages()
        with self.lock:
            self.closed = True
            self.fresh.notify_all()

    def _write_pages(self) -> None:
        """Page and table of the test next to the recording, as the clench test of any file leaves them."""
        if self.result is None:
            return
        from sleepbrux.core.files import safe_stem, write_together
        from sleepbrux.report.clench_page import clench_json, clench_page

        page = self.path.parent / f"{safe_stem(self.result.name)}.clench.html"
        try:
            table = clench_json(self.result, [], person=self.person)
            write_together({page: clench_page(self.result, []), page.with_suffix(".json"): table})
            self.written = (page, page.with_suffix(".json"))
        except OSError as error:
            self._tell(
                Event(self.engine.now_s, "not-written", f"{page.name} was not written: {error.strerror}")
            )

    def newest_s(self) -> float:
        """Time of day of this computer, s since 1970, at which the newest sample on the screen was taken."""
        return time.time() - (self.engine.inlet.now() - self.engine.newest[1])

    def envelope_since(self, point: int) -> tuple[int, list[tuple[float, ...]]]:
        """Points of the envelope from number ``point`` on, as far as they are held; and the number of the next."""
        new = min(self.points - point, len(self._envelope))
        if new <= 0:
            return self.points, []
        held = list(self._envelope)[-new:]
        return self.points, held

    def state(self) -> dict[str, Any]:
        """What the page shows besides the envelope."""
        with self.lock:
            protocol, engine = self.protocol, self.engine
            return {
                "now_s": round(engine.now_s, 2),
                "phase": protocol.phase,
                "left_s": round(max(protocol.since_s + protocol.left_s - engine.now_s, 0.0), 2)
                if protocol.left_s
                else None,
                "condition": protocol.condition,
                "order": list(protocol.order),
                "place": protocol.place,
                "made": protocol.made,
                "asked": protocol.asked,
                "dropped": {t.number: t.dropped for t in protocol.trials if t.dropped},
                "cued": [(t.number, t.condition) for t in protocol.trials],
                "departures": list(protocol.departures),
                "contact": [
                    {
                        "label": c.label,
                        "level_uv": c.level_uv,
                        "quietest_uv": c.quietest_uv,
                        "hum_pct": c.hum_pct,
                        "faults": list(c.faults),
                    }
                    for c in self.contact
                ],
                "trials": [
                    {
                        "number": t.number,
                        "condition": t.condition,
                        "levels_uv": t.levels_uv,
                        "faults": list(t.faults),
                    }
                    for t in self.measured.trials
                ],
                "mvc_uv": self.measured.mvc_uv,
                "rest_uv": self.measured.rest_uv,
                "spread_pct": self.measured.spread_pct,
                "tired_pct": self.measured.tired_pct,
                "events": [{"at_s": round(e.at_s, 2), "code": e.code, "text": e.text} for e in self.events],
                "n_events": self.n_events,
                "missing_s": sum(b - a for a, b in engine.clock.gaps) / float(engine.clock.rate),
                "ended": engine.ended,
                "closed": self.closed,
                "file": self.path.name,
            }
