"""What receives: from the inlet to the file and to the screen, with gaps where nothing came.

One thread calls `step` again and again. Samples go to the screen in the order in which they come, and to the file
by their stamps, up to six tenths of a second later: so long it takes to tell a gap from a late packet.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.live.keeper import Keeper, KeptError
from sleepbrux.live.screen import Screen
from sleepbrux.live.source import Chosen, Inlet, LostStreamError, StreamError, difference
from sleepbrux.recording.edf_writer import Annotation
from sleepbrux.recording.stamps import CHANGED_PCT, RATE_AFTER_S, Run, StampClock, rate_by

PULL_S = 0.02
FLUSH_S = 0.2
SILENT_S = 1.0
AGAIN_EVERY_S = 1.0
GIVE_UP_S = 60.0
NEAR_S = 1.0
MOST_EVENTS = 200
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Event:
    """Something that the person at the screen must know.

    Attributes
    ----------
    at_s
        Second of the recording.
    code
        Stable word: ``"lost-samples"``, ``"silent"``, ``"returned"``, ``"ended"``, ``"contact"``, ``"clipped"``,
        ``"effort"``.
    """

    at_s: float
    code: str
    text: str


def checked_rate(inlet: Inlet, chosen: Chosen, seconds: float = RATE_AFTER_S) -> None:
    """Receive for two seconds and hold the rate of the stamps against what the stream says.

    Raises
    ------
    StreamError
        Nothing comes, or at another rate.
    """
    stamps: list[Floats] = []
    begun = inlet.now()
    while inlet.now() - begun < seconds + SILENT_S and not (
        stamps and stamps[-1][-1] - stamps[0][0] > seconds
    ):
        values, more = inlet.pull(PULL_S)
        if len(values):
            stamps.append(more)
    if not stamps:
        raise StreamError(
            f"the stream {chosen.info.name!r} sends nothing; start the measurement in the amplifier's program"
        )
    seen, said = rate_by(np.concatenate(stamps)), float(chosen.info.rate)
    n = sum(map(len, stamps))
    if n > said / 4 and abs(seen / said - 1) > CHANGED_PCT / 100:
        raise StreamError(
            f"the stream {chosen.info.name!r} says {said:g} samples a second and sends about {seen:.0f}; every time "
            "and filter would be wrong: set the rate in the amplifier's program and start it again"
        )


@dataclass
class Engine:
    """One stream received.

    Attributes
    ----------
    ended
        Why nothing more is received, in one sentence; empty while it goes on.
    newest_s
        Arrival clock of the newest sample on the screen, and its own stamp: for the delay.
    """

    inlet: Inlet
    chosen: Chosen
    keeper: Keeper
    screen: Screen
    told: Callable[[Event], None] = lambda event: None
    ended: str = ""
    received: int = 0
    notes: list[Note] = field(default_factory=list)
    newest: tuple[float, float] = (0.0, 0.0)
    clock: StampClock = field(init=False)
    _pending: Floats = field(init=False)
    _pending_at: int = 0
    _flushed_s: float = 0.0
    _heard_s: float | None = None
    _last: tuple[float, float] = (0.0, 0.0)
    _silent: bool = False
    _lost_s: float | None = None
    _asked_s: float = 0.0
    _gaps_told: int = 0

    def __post_init__(self) -> None:
        """Begin at the first sample that comes."""
        self.clock = StampClock(self.chosen.info.rate)
        self._pending = np.zeros((0, len(self.chosen.columns)))

    @property
    def now_s(self) -> float:
        """Second of the recording of the newest sample."""
        return self.clock.now / float(self.clock.rate)

    def step(self) -> Floats:
        """Receive what is there; gives new points of the envelope, shape (n, n_channels)."""
        none = np.zeros((0, len(self.chosen.columns)))
        if self.ended:
            return none
        try:
            if self._lost_s is not None:
                self._look_again()
                return none
            values, stamps = self.inlet.pull(PULL_S)
        except LostStreamError as error:
            self._lost_s = self._asked_s = self.inlet.now()
            self._tell("silent", f"{error}; looking for it for {GIVE_UP_S:.0f} s")
            return none
        now = self.inlet.now()
        self._heard_s = now if self._heard_s is None else self._heard_s
        if not len(values):
            self._hear_nothing(now)
            return none
        return self._take(values, stamps, now)

    def _take(self, values: NDArray[Any], stamps: Floats, now: float) -> Floats:
        if self._silent:
            self._silent = False
            self._tell("returned", "the stream sends again")
        self._heard_s, self._last = now, (now, float(stamps[-1]))
        self.received += len(values)
        uv = values[:, self.chosen.columns] * np.array(self.chosen.gains)
        points = self.screen.push(np.nan_to_num(uv))
        self.newest = (now, float(stamps[-1]))
        self._pending = np.concatenate((self._pending, uv))
        try:
            self._keep(self.clock.push(stamps))
            if now - self._flushed_s >= FLUSH_S:
                self._flushed_s = now
                self.keeper.flush()
                if self.keeper.find_ends:
                    self.screen.rails_uv = self.keeper.ends_uv
        except (KeptError, RecordingError) as error:
            self._end(str(error))
        if self.clock.rate_seen and not self.ended:
            self._end(
                f"the stream sends about {self.clock.rate_seen:.0f} samples a second instead of "
                f"{float(self.clock.rate):g}, so the recording ended; what was received before is kept"
            )
        return points

    def _keep(self, runs: list[Run]) -> None:
        for run in runs:
            a = run.stored - self._pending_at
            self._store(run.night, self._pending[a : a + run.n])
        if runs:
            done = runs[-1].stored + runs[-1].n - self._pending_at
            self._pending = self._pending[done:]
            self._pending_at += done
        for a, b in self.clock.gaps[self._gaps_told :]:
            rate = float(self.clock.rate)
            self._gaps_told += 1
            self.keeper.mark(Annotation(a / rate, (b - a) / rate, "Not received"))
            self._tell("lost-samples", f"{1000 * (b - a) / rate:.3g} ms were not received", a / rate)

    def _store(self, night: int, uv: Floats) -> None:
        """Samples that are no numbers were not received either: they become gaps."""
        finite = np.isfinite(uv).all(axis=1)
        if finite.all():
            self.keeper.push(night, uv)
            return
        edges = np.flatnonzero(np.diff(np.concatenate(([0], finite.view(np.int8), [0]))))
        for a, b in edges.reshape(-1, 2).tolist():
            self.keeper.push(night + a, uv[a:b])
        self._tell(
            "lost-samples", f"{int((~finite).sum())} samples were no numbers", night / float(self.clock.rate)
        )

    def _hear_nothing(self, now: float) -> None:
        quiet = now - (self._heard_s or now)
        if quiet > SILENT_S and not self._silent:
            self._silent = True
            self._tell("silent", f"nothing was received for {quiet:.1f} s; is the amplifier still measuring?")
        if quiet > GIVE_UP_S:
            self._end(f"nothing was received for {GIVE_UP_S:.0f} s, so the recording ended")

    def _look_again(self) -> None:
        now = self.inlet.now()
        assert self._lost_s is not None  # noqa: S101
        if now - self._lost_s > GIVE_UP_S:
            self._end(f"the stream {self.chosen.info.name!r} did not come back, so the recording ended")
            return
        if now - self._asked_s < AGAIN_EVERY_S:
            self.inlet.wait(PULL_S)
            return
        self._asked_s = now
        back = self.inlet.again()
        if back is None:
            return
        changed = difference(self.chosen.info, back.info)
        if changed:
            back.close()
            self._end(f"the stream came back and {changed}, so the recording ended; what came before is kept")
            return
        self._go_on(back)

    def _go_on(self, back: Inlet) -> None:
        """Receive from the stream that came back; how long it was away is a gap."""
        values, stamps = back.pull(SILENT_S)
        if not len(values):
            back.close()
            return
        self.notes += self.inlet.notes()
        self.inlet.close()
        self.inlet, self._lost_s = back, None
        now = back.now()
        away, by_stamps = now - self._last[0], float(stamps[0]) - self._last[1]
        gap = by_stamps if abs(by_stamps - away) < NEAR_S and by_stamps > 0 else away
        self.screen.gap()
        text = f"the stream was away for {gap:.1f} s and came back as it was"
        self.notes.append(Note("stream-returned", "warning", f"At {self.now_s:.0f} s {text}."))
        try:
            self._keep(self.clock.restart(float(stamps[0]), gap - 1 / float(self.clock.rate)))
        except (KeptError, RecordingError) as error:
            self._end(str(error))
            return
        self._tell("returned", text)
        self._take(values, stamps, now)

    def _tell(self, code: str, text: str, at_s: float | None = None) -> None:
        self.told(Event(self.now_s if at_s is None else at_s, code, text))

    def _end(self, why: str) -> None:
        self.ended = why
        self.notes.append(Note("session-ended", "warning", f"{why}."))
        self._tell("ended", why)

    def close(self) -> None:
        """Keep what was received, end the file, receive no more."""
        try:
            self._keep(self.clock.finish())
            self.keeper.close()
        except (KeptError, RecordingError) as error:
            if not self.ended:
                self._end(str(error))
        self.ended = self.ended or "the session is over"
        self.inlet.close()

    def all_notes(self) -> list[Note]:
        """What a reader of the recording must know of how it came to be."""
        return [*self.clock.notes(), *self.keeper.notes(), *self.notes, *self.inlet.notes()]
