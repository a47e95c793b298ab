"""Streams of this machine: found, chosen, received. The only door to the live library.

The library looks on this machine only: nothing is asked of the network. Stamps are carried over to this computer's
clock by what the library measures between sender and receiver. An inlet is opened and then emptied, because what it
hands out first may be minutes old.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.core.texts import printable
from sleepbrux.live.sender_clock import EVERY_S, SenderClock
from sleepbrux.recording.findings import listed
from sleepbrux.recording.labels import recognise, unique_labels
from sleepbrux.recording.memory import exact_rate
from sleepbrux.recording.units import MICROVOLTS, UNIT_NAMES, read_unit

NEEDED = "a live session needs pylsl, which is not installed; add it with: pip install 'sleepbrux[live]'"
CONFIG = "[multicast]\nResolveScope = machine\n[log]\nlevel = -3\n"
LOOK_S = 2.0
BUFFER_S = 360
LONGEST_LABEL = 16
LEAST_RATE_HZ = 100
INTEGERS = {1: "float32", 2: "double64", 3: "string", 4: "int32", 5: "int16", 6: "int8", 7: "int64"}
_configured = False


class StreamError(RecordingError):
    """A stream that is not there, not the right one, or not to be used."""


class LostStreamError(StreamError):
    """The stream ended while it was received."""


@dataclass(frozen=True)
class StreamInfo:
    """What a stream says of itself.

    Attributes
    ----------
    id
        By which two streams of one name are told apart.
    labels, units
        Of each channel as it says; units are empty where it says none.
    rate
        Samples a second; 0 for events.
    format
        ``"float32"``, ``"int16"`` and so on.
    """

    id: str
    name: str
    type: str
    labels: tuple[str, ...]
    units: tuple[str, ...]
    rate: Fraction
    format: str
    host: str = ""

    @property
    def text(self) -> str:
        """Name, channels, rate and unit in one line."""
        unit = ", ".join(dict.fromkeys(u or "no unit" for u in self.units)) or "no unit"
        return (
            f"{self.name} ({self.type or 'no type'}, {len(self.labels)} channels: {', '.join(self.labels)}; "
            f"{float(self.rate):g} Hz; {unit}; id {self.id})"
        )


class Inlet(Protocol):
    """What a session receives from; tests put a fake in its place."""

    info: StreamInfo

    def start(self) -> None:
        """Begin to receive from now on: what was sent before is let go of."""
        ...

    def pull(self, timeout_s: float) -> tuple[NDArray[Any], NDArray[np.float64]]:
        """Samples, shape (n, n_channels), and their stamps on this computer's clock, s; empty where none came in time.

        Raises
        ------
        LostStreamError
            The stream has ended.
        """
        ...

    def again(self) -> Inlet | None:
        """The same stream where it has come back, else None."""
        ...

    def now(self) -> float:
        """Time of this computer on the clock of the stamps, s."""
        ...

    def wait(self, seconds: float) -> None:
        """Let so much time go by, where there is nothing to pull."""
        ...

    def notes(self) -> list[Note]:
        """What a reader of the stamps must know."""
        ...

    def close(self) -> None:
        """Receive no more."""
        ...


def library() -> Any:
    """The live library, set to look on this machine only.

    Raises
    ------
    StreamError
        It is not installed, or cannot be loaded.
    """
    global _configured  # noqa: PLW0603
    try:
        import pylsl
        import pylsl.util
    except ImportError as error:
        raise StreamError(f"{NEEDED}.") from error
    except (OSError, RuntimeError) as error:
        raise StreamError(
            f"the live library of pylsl cannot be loaded ({error}); install pylsl anew."
        ) from error
    if not _configured:
        pylsl.set_config_content(CONFIG)
        _configured = True
    return pylsl


def _described(raw: Any) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Labels and units of the channels as the stream describes them."""
    labels, units = [], []
    node = raw.desc().child("channels").child("channel")
    for _ in range(raw.channel_count()):
        labels.append(printable(node.child_value("label")))
        units.append(printable(node.child_value("unit")))
        node = node.next_sibling("channel")
    return tuple(unique_labels(labels)), tuple(units)


def _info(raw: Any) -> StreamInfo:
    labels, units = _described(raw)
    rate = float(raw.nominal_srate())
    return StreamInfo(
        id=raw.source_id() or raw.uid(),
        name=printable(raw.name()) or "without a name",
        type=printable(raw.type()),
        labels=labels,
        units=units,
        rate=exact_rate(round(rate, 6)) if rate > 0 else Fraction(0),
        format=INTEGERS.get(raw.channel_format(), "string"),
        host=printable(raw.hostname()),
    )


def found(wait_s: float = LOOK_S) -> list[LslInlet]:
    """Every stream of samples on this machine, opened for its description, by name."""
    pylsl = library()
    inlets = []
    for raw in pylsl.resolve_streams(wait_s):
        if raw.nominal_srate() > 0 and raw.channel_format() != pylsl.cf_string:
            try:
                inlets.append(LslInlet(raw))
            except (pylsl.util.LostError, pylsl.util.TimeoutError):
                continue  # gone while it was looked at
    return sorted(inlets, key=lambda inlet: (inlet.info.name, inlet.info.id))


class LslInlet:
    """One stream, received.

    Parameters
    ----------
    raw
        As the library found it.
    """

    def __init__(self, raw: Any) -> None:
        self._pylsl = library()
        self._inlet = self._pylsl.StreamInlet(
            raw,
            max_buflen=BUFFER_S,
            recover=False,
            as_numpy=True,
        )
        self.info = _info(self._inlet.info(timeout=LOOK_S))
        self._most = max(round(float(self.info.rate)), 64)
        self._open = False
        self._clock = SenderClock()
        self._compared_s = 0.0

    def start(self) -> None:
        """See `Inlet`."""
        self._inlet.open_stream(timeout=LOOK_S)
        self._compare(LOOK_S)
        self._inlet.flush()
        self._open = True

    def _compare(self, timeout_s: float) -> None:
        """The library measures in a thread of its own; after the first time this only asks for the newest."""
        self._compared_s = self.now()
        try:
            self._clock.measured(self.now(), float(self._inlet.time_correction(timeout_s)))
            self._clock.unknown = False
        except (self._pylsl.util.TimeoutError, self._pylsl.util.LostError):
            self._clock.unknown = not self._clock.known

    def pull(self, timeout_s: float) -> tuple[NDArray[Any], NDArray[np.float64]]:
        """See `Inlet`."""
        try:
            if not self._open:
                self.start()
            values, stamps = self._inlet.pull_chunk(timeout=timeout_s, max_samples=self._most, min_samples=1)
        except self._pylsl.util.LostError as error:
            raise LostStreamError(f"the stream {self.info.name!r} ended") from error
        if self.now() - self._compared_s >= EVERY_S:
            self._compare(0.0)
        return values, self._clock.mapped(np.asarray(stamps, dtype=np.float64))

    def again(self) -> LslInlet | None:
        """See `Inlet`; known by its id, else by its name."""
        same = [i for i in found(0.5) if i.info.id == self.info.id] or [
            i for i in found(0.5) if i.info.name == self.info.name
        ]
        for extra in same[1:]:
            extra.close()
        return same[0] if same else None

    def now(self) -> float:
        """See `Inlet`."""
        return float(self._pylsl.local_clock())

    def wait(self, seconds: float) -> None:
        """See `Inlet`."""
        time.sleep(seconds)

    def notes(self) -> list[Note]:
        """See `Inlet`."""
        return self._clock.notes()

    def close(self) -> None:
        """See `Inlet`."""
        self._inlet.close_stream()


def choose(streams: Sequence[StreamInfo], wanted: str = "") -> StreamInfo:
    """The stream of a session: the one that is named, else the only one with a jaw muscle or of EMG.

    Raises
    ------
    StreamError
        None, or several; one sentence with what is there.
    """
    there = listed([s.text for s in streams])
    if not streams:
        raise StreamError(
            "no stream was found on this machine; start the amplifier's program and let it send (LSL), or try "
            "the player: python -m sleepbrux.synth stream"
        )
    if wanted:
        fitting = [s for s in streams if s.id == wanted] or [s for s in streams if s.name == wanted]
        if not fitting:
            raise StreamError(f"there is no stream {wanted!r} on this machine; there are {there}")
    else:
        jaw = [s for s in streams if any(recognise(label)[0] == "jaw" for label in s.labels)]
        fitting = jaw or [s for s in streams if s.type.casefold() == "emg"] or list(streams)
    if len(fitting) > 1:
        names = {s.name for s in fitting}
        what = (
            f"two streams are called {fitting[0].name!r}; name one by its id"
            if len(names) < len(fitting)
            else "several streams may be the amplifier; name one"
        )
        raise StreamError(f"{what} with `stream`: {listed([s.text for s in fitting])}")
    return fitting[0]


@dataclass(frozen=True)
class Chosen:
    """Which columns of a stream are kept, and what they are.

    Attributes
    ----------
    columns
        Numbers of the columns, from 0.
    labels
        As the file holds them, see `kept_labels`; they are also those of the screen.
    gains
        µV that a value of 1 stands for, one a column.
    """

    info: StreamInfo
    columns: tuple[int, ...]
    labels: tuple[str, ...]
    gains: tuple[float, ...]


def chosen_channels(info: StreamInfo, labels: Sequence[str] = (), unit: str = "") -> Chosen:
    """The jaw channels of a stream, or those that are named, with their unit in µV.

    Parameters
    ----------
    unit
        ``"uV"``, ``"mV"``, ``"nV"`` or ``"V"``: what the stream does not say, or says wrongly.

    Raises
    ------
    StreamError
        No such channel, no jaw muscle, a rate too slow, or a unit that is not said or is no voltage.
    """
    if info.rate < LEAST_RATE_HZ:
        raise StreamError(
            f"stream {info.name!r} sends {float(info.rate):g} samples a second; raw EMG needs {LEAST_RATE_HZ} or "
            "more, so this is no raw signal"
        )
    missing = [label for label in labels if label not in info.labels]
    if missing:
        raise StreamError(
            f"stream {info.name!r} has no channel {missing[0]!r}; it has {listed(info.labels, 24)}"
        )
    roles = [recognise(label)[0] for label in info.labels]
    columns = [k for k, label in enumerate(info.labels) if label in labels] if labels else []
    columns = columns or [k for k, role in enumerate(roles) if role == "jaw"]
    columns = columns or [k for k, role in enumerate(roles) if role == "emg"]
    if not columns:
        raise StreamError(
            f"stream {info.name!r} has no channel that is recognised as a jaw muscle; it has "
            f"{listed(info.labels, 24)}: name those to record with `channels`"
        )
    if unit and unit not in UNIT_NAMES:
        raise StreamError(f"`unit` is {unit!r}, where {', '.join(UNIT_NAMES)} are allowed")
    gains = []
    for k in columns:
        known = read_unit(info.units[k].encode())
        if unit:
            gains.append(float(MICROVOLTS[unit.lower()]))
        elif known is not None:
            gains.append(float(known.microvolts))
        else:
            said = f"{info.units[k]!r}, which is no voltage" if info.units[k] else "nothing"
            raise StreamError(
                f"channel {info.labels[k]!r} of stream {info.name!r} says {said} as its unit; say it with `unit`: uV "
                "(or mV, nV, V), as the amplifier's settings show it"
            )
    return Chosen(info, tuple(columns), kept_labels([info.labels[k] for k in columns]), tuple(gains))


def kept_labels(labels: Sequence[str]) -> tuple[str, ...]:
    """Labels as the header of an EDF file can hold them: at most 16 ASCII characters, muscle and side unchanged.

    Examples
    --------
    >>> kept_labels(["EMG Masseter L", "left masseter muscle", "Kaumuskel über dem Ohr"])
    ('EMG Masseter L', 'EMG Mass L2', 'EMG jaw')
    """
    kept: list[str] = []
    for label in labels:
        role, side, muscle = recognise(label)
        letter = side[:1].upper() if side in ("left", "right") else ""
        text = label
        if len(label) > LONGEST_LABEL or not label.isascii():
            text = " ".join(filter(None, ("EMG", muscle.title() or role, letter)))
        n = 2
        while text in kept:
            text = f"EMG {muscle[:4].title() or role} {letter}{n}"
            n += 1
        kept.append(text)
    return tuple(kept)


def difference(before: StreamInfo, after: StreamInfo) -> str:
    """What a stream that came back says otherwise than before; empty where nothing."""
    if after.rate != before.rate:
        return f"it now says {float(after.rate):g} samples a second instead of {float(before.rate):g}"
    if after.labels != before.labels:
        same = sorted(after.labels) == sorted(before.labels)
        return "its channels came in another order" if same else "its channels have other names"
    return "its units have changed" if after.units != before.units else ""
