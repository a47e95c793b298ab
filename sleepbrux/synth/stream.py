"""A player: a generated chair session, or a recording, sent as a live stream on this machine.

For trying a live session without an amplifier, and for its tests. It sends by a fixed clock, in packets of
20 ms, and can do what real streams do: come late, lose packets, stop and return, say a wrong rate, change the
order of its channels, or be there twice under one name. The product itself never sends.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.live.protocol import CLENCH_S, planned
from sleepbrux.live.source import library
from sleepbrux.recording.opening import open_recording
from sleepbrux.synth.layout import NATURAL, plan_reference
from sleepbrux.synth.night import Burst, NightPlan
from sleepbrux.synth.render import edf_signals, tiles

PACKET_S = 0.02
STEP_UV = 0.1
Values = NDArray[np.float32]


@dataclass(frozen=True)
class Manner:
    """How the stream is sent.

    Attributes
    ----------
    late_ms
        Mean lateness of packets; their stamps are as late as they are.
    lost_pct
        Share of packets that never come.
    stop_s, away_s
        When the stream ends, and how long it is away; it then comes back. 0: it stays.
    stated_hz
        Rate that the stream says; 0: the true one.
    reorder
        Whether its channels come back in reversed order.
    """

    name: str = "synth"
    unit: str = "microvolts"
    late_ms: float = 0.0
    lost_pct: float = 0.0
    stop_s: float = 0.0
    away_s: float = 5.0
    stated_hz: float = 0.0
    reorder: bool = False
    seed: int = 1


def chair_session(
    appliances: Sequence[str], person: int = 0, *, levels: dict[str, float] | None = None, seed: int = 3
) -> NightPlan:
    """A person who does what the protocol says when it says it.

    Parameters
    ----------
    levels
        Best clench by text of the mark, as a fraction of that on natural teeth.
    """
    dues = planned(appliances, person)
    clenches = tuple(
        (d.text, Burst(d.start_s + 0.3, d.duration_s - 0.4, (levels or {}).get(d.text, 1.0), ramp_s=0.2))
        for d in dues
        if d.kind == "clench"
    )
    plan = plan_reference([(NATURAL, 1.0)], seed=seed, mvc_uv=(210.0, 190.0))
    return replace(plan, duration_s=int(dues[-1].start_s) + 12, clenches=clenches, cues=())


def rendered(plan: NightPlan, rate: int) -> Values:
    """Samples of a plan, µV, shape (n, 2)."""
    made = [np.stack(tile, axis=1) for tile in tiles(plan, rate)]
    return (STEP_UV * np.concatenate(made)).astype(np.float32)


def recorded(path: Path) -> tuple[Values, tuple[str, ...], float]:
    """Jaw channels of a recording, their labels and rate; what was not recorded is sent as no number.

    Raises
    ------
    SleepbruxError
        No jaw channel, or channels of several rates.
    """
    recording = open_recording(path)
    jaw = [c for c in recording.channels if c.role == "jaw" and not c.fault]
    if not jaw or len({c.rate for c in jaw}) > 1:
        raise SleepbruxError(f"{path.name}: one or more jaw channels of one rate are needed to replay it")
    columns = [recording.get_data(c.label)[1] for c in jaw]
    n = min(map(len, columns))
    values = np.stack([column[:n] for column in columns], axis=1).astype(np.float32)
    return values, tuple(c.label for c in jaw), float(jaw[0].rate)


class Player:
    """Sends samples until they end or it is told to stop.

    Parameters
    ----------
    uv
        Shape (n, n_channels), µV.
    """

    def __init__(self, uv: Values, labels: Sequence[str], rate: float, manner: Manner) -> None:
        self.uv, self.labels, self.rate, self.manner = uv, tuple(labels), rate, manner
        self.stop = threading.Event()
        self.sent = 0
        self._pylsl = library()
        self._random = np.random.default_rng(manner.seed)
        self._outlet = self._opened(self.labels)

    def _opened(self, labels: Sequence[str]) -> Any:
        said = self.manner.stated_hz or self.rate
        info = self._pylsl.StreamInfo(
            self.manner.name, "EMG", len(labels), said, "float32", f"{self.manner.name}-{self.manner.seed}"
        )
        channels = info.desc().append_child("channels")
        for label in labels:
            channel = channels.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", self.manner.unit)
        return self._pylsl.StreamOutlet(info, max_buffered=60)

    def wait(self, seconds: float) -> bool:
        """Wait until somebody receives."""
        return bool(self._outlet.wait_for_consumers(seconds))

    def run(self, mixed: Callable[[int, Values], Values] = lambda first, part: part) -> None:
        """Send everything, by a fixed clock; ``mixed`` may change a packet before it goes."""
        packet = max(round(PACKET_S * self.rate), 1)
        clock = self._pylsl.local_clock
        begun, uv = clock(), self.uv
        away = False
        for first in range(0, len(uv), packet):
            part = uv[first : first + packet]
            due = begun + (first + len(part)) / self.rate
            if self.manner.late_ms:
                due += float(self._random.exponential(self.manner.late_ms / 1000))
            if self.stop.wait(max(due - clock(), 0.0)):
                return
            if self.manner.stop_s and first / self.rate >= self.manner.stop_s and not away:
                away = True
                uv = self._away()
                part = uv[first : first + packet]
            back = begun + self.manner.stop_s + self.manner.away_s
            if away and due < back:
                continue
            if self._outlet is None:
                self._outlet = self._opened(self.labels)
            lost = self.manner.lost_pct and self._random.random() < self.manner.lost_pct / 100
            if not lost:
                stamp = due - 1 / self.rate
                self._outlet.push_chunk(np.ascontiguousarray(mixed(first, part)), stamp)
                self.sent += len(part)

    def _away(self) -> Values:
        """End the stream; what comes back later."""
        self._outlet = None
        if not self.manner.reorder:
            return self.uv
        self.labels = self.labels[::-1]
        return np.ascontiguousarray(self.uv[:, ::-1])

    def close(self) -> None:
        """Send no more."""
        self.stop.set()
        self._outlet = None


class ByHand:
    """Clenches for 3 s whenever Enter is pressed."""

    def __init__(self, rate: float) -> None:
        self.rate, self.until = rate, 0.0
        plan = plan_reference([(NATURAL, 1.0)], seed=9, mvc_uv=(210.0, 190.0))
        strong = replace(plan, duration_s=60, clenches=((NATURAL, Burst(-1.0, 70.0, 1.0)),), cues=())
        self.clench = rendered(strong, round(rate))

    def listen(self) -> None:
        """Read the keyboard until it ends."""
        for _ in sys.stdin:
            self.until = time.monotonic() + CLENCH_S + 0.3

    def mixed(self, first: int, part: Values) -> Values:
        """The packet at rest, or of a clench."""
        if time.monotonic() >= self.until:
            return part
        at = first % (len(self.clench) - len(part))
        return self.clench[at : at + len(part)]


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m sleepbrux.synth stream", description=__doc__)
    parser.add_argument(
        "--appliance", action="append", default=[], help="appliance of the session; repeatable"
    )
    parser.add_argument("--person", type=int, default=0, help="running number, which balances the order")
    parser.add_argument("--replay", type=Path, help="a recording to send instead of a generated session")
    parser.add_argument("--by-hand", action="store_true", help="rest, and a clench of 3 s at every Enter")
    parser.add_argument(
        "--lead",
        type=float,
        default=2.5,
        help="seconds of rest before a generated session, while its rate is checked",
    )
    parser.add_argument("--rate", type=int, default=2000, help="samples a second of a generated session")
    parser.add_argument("--name", default="synth", help="name of the stream")
    parser.add_argument("--unit", default="microvolts", help="unit that the stream says; '' for none")
    parser.add_argument("--late-ms", type=float, default=0.0, help="mean lateness of packets")
    parser.add_argument("--lost-pct", type=float, default=0.0, help="share of packets that are lost")
    parser.add_argument(
        "--stop", type=float, default=0.0, help="second at which the stream ends and later returns"
    )
    parser.add_argument("--away", type=float, default=5.0, help="seconds for which it is away")
    parser.add_argument("--reorder", action="store_true", help="its channels come back in reversed order")
    parser.add_argument("--say-rate", type=float, default=0.0, help="a wrong rate that the stream says")
    parser.add_argument("--twice", action="store_true", help="a second stream of the same name")
    return parser


def main(arguments: Sequence[str]) -> int:
    """Send a stream until it ends or Ctrl-C."""
    asked = _options().parse_args(list(arguments))
    manner = Manner(
        asked.name,
        asked.unit,
        asked.late_ms,
        asked.lost_pct,
        asked.stop,
        asked.away,
        asked.say_rate,
        asked.reorder,
    )
    try:
        if asked.replay is not None:
            uv, labels, rate = recorded(asked.replay)
        else:
            rate, labels = float(asked.rate), tuple(s.label for s in edf_signals(asked.rate))
            uv = _generated(asked)
        player = Player(uv, labels, rate, manner)
        twin = Player(uv, labels, rate, replace(manner, seed=2)) if asked.twice else None
    except SleepbruxError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stderr.write(f"stream {manner.name!r}: {', '.join(labels)}, {rate:g} Hz; waiting for a session\n")
    try:
        while not player.wait(1.0):
            pass
        sys.stderr.write("a session receives it; Ctrl-C ends it\n")
        if asked.by_hand:
            hand = ByHand(rate)
            threading.Thread(target=hand.listen, daemon=True).start()
            player.run(hand.mixed)
        else:
            player.run()
    except KeyboardInterrupt:
        return 130
    finally:
        player.close()
        if twin is not None:
            twin.close()
    return 0


def _generated(asked: argparse.Namespace) -> Values:
    plan = chair_session(asked.appliance or ["splint"], asked.person)
    if asked.by_hand:
        plan = replace(plan, clenches=(), duration_s=3600)
    uv = rendered(plan, asked.rate)
    return np.concatenate((uv[: round(asked.lead * asked.rate)], uv))
