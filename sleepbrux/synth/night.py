"""What happens in an invented night: bursts, episodes, clenches, faults, and the electrodes' state.

Everything here is planned before a sample is drawn, so it is the truth that a score can be held
against. Times are seconds of the night clock. The edge of a burst is where its raised-cosine ramp
has risen to half::

    amplitude            ____________
    half            ..../............\\....
    rest       ________/              \\________
                       |<- duration ->|
                    start_s         stop_s
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from sleepbrux.synth.signal import MEDIAN_HZ

Side = Literal["left", "right"]
Kind = Literal["phasic", "tonic", "mixed"]
FaultKind = Literal[
    "pop",
    "drift",
    "sway",
    "mains",
    "spikes",
    "gain",
    "open_input",
    "open_mains",
    "rail",
    "electrode_pop",
    "crackle",
    "slow_swing",
    "sweat",
]
SIDES: tuple[Side, Side] = ("left", "right")


@dataclass(frozen=True)
class Burst:
    """One contraction.

    Attributes
    ----------
    start_s, duration_s
        On the left side, half-way up the ramp to half-way down.
    amplitude
        RMS of the plateau on the left side as a fraction of the maximal clench (MVC).
    ramp_s
        Length of each ramp.
    sides
        Sides that contract.
    right_ratio, right_lag_s
        How much stronger and later the right side is.
    modulation, modulation_hz
        Depth and frequency of a swell and fall of the plateau within the burst.
    decline
        Share of the plateau that is lost from start to stop.
    """

    start_s: float
    duration_s: float
    amplitude: float
    ramp_s: float = 0.03
    sides: tuple[Side, ...] = SIDES
    right_ratio: float = 1.0
    right_lag_s: float = 0.0
    modulation: float = 0.0
    modulation_hz: float = 4.0
    decline: float = 0.0

    @property
    def stop_s(self) -> float:
        """End on the left side."""
        return self.start_s + self.duration_s

    def span_on(self, side: Side) -> tuple[float, float]:
        """(start, stop) in seconds on one side."""
        lag_s = self.right_lag_s if side == "right" else 0.0
        return self.start_s + lag_s, self.stop_s + lag_s

    def amplitude_on(self, side: Side) -> float:
        """Plateau on one side, fraction of MVC."""
        return self.amplitude * (self.right_ratio if side == "right" else 1.0)


@dataclass(frozen=True)
class Group:
    """Bursts that belong together and stand clear of all others."""

    bursts: tuple[Burst, ...]

    @property
    def start_s(self) -> float:
        """First onset."""
        return self.bursts[0].start_s

    @property
    def stop_s(self) -> float:
        """Last offset."""
        return self.bursts[-1].stop_s

    def on(self, side: Side) -> tuple[Burst, ...]:
        """The bursts that one side takes part in."""
        return tuple(burst for burst in self.bursts if side in burst.sides)


@dataclass(frozen=True)
class TrueEpisode(Group):
    """A group that is an episode, of the same kind on each side that takes part."""

    kind: Kind = "phasic"


@dataclass(frozen=True)
class Cue:
    """A mark that the recording carries."""

    start_s: float
    duration_s: float
    text: str


@dataclass(frozen=True)
class ElectrodeOff:
    """An electrode that came off: mains and noise up to ``rail_from_s``, then the rail."""

    side: Side
    start_s: float
    stop_s: float
    rail_from_s: float


@dataclass(frozen=True)
class Fault:
    """One fault of one side.

    Attributes
    ----------
    start_s, stop_s
        From its first to its last trace on the night clock.
    size
        Height in µV (pop, electrode_pop, crackle, drift, spikes), range in µV (slow_swing), RMS in
        µV (sway, sweat, open_input), amplitude in µV (mains, open_mains), or the factor (gain);
        unused for rail.
    """

    kind: FaultKind
    side: Side
    start_s: float
    stop_s: float
    size: float
    seed: int


@dataclass(frozen=True)
class Background:
    """What the electrodes pick up besides the bursts; µV, one value a side (left, right).

    Attributes
    ----------
    rest_uv
        RMS of the resting muscle.
    rest_swing
        Slow variation of the rest as a fraction (standard deviation of its logarithm).
    noise_uv
        RMS of the amplifier's white noise.
    ecg_uv
        Height of the R wave.
    pulse_per_min
        Lowest and highest resting heart rate.
    mains_uv, mains_hz, harmonic
        Amplitude (not RMS) and frequency of the mains; share of the third harmonic.
    offset_uv, drift_uv
        Constant offset, and standard deviation of the slow drift around it.
    median_hz
        Median frequency of the muscle's spectrum (left, right).
    crosstalk
        Share of each side's muscle that the other side's electrodes pick up.
    electrode_uv
        RMS of each electrode's own noise, whose power falls as 1/f from 5 Hz on.
    fatigue
        Share of its plateau that a burst at the end of the night has lost.
    """

    rest_uv: tuple[float, float] = (2.4, 2.7)
    rest_swing: float = 0.08
    noise_uv: float = 1.0
    ecg_uv: tuple[float, float] = (12.0, 8.0)
    pulse_per_min: tuple[float, float] = (50.0, 70.0)
    mains_uv: tuple[float, float] = (1.0, 0.7)
    mains_hz: int = 50
    harmonic: float = 0.3
    offset_uv: tuple[float, float] = (35.0, -20.0)
    drift_uv: float = 15.0
    median_hz: tuple[float, float] = (MEDIAN_HZ, MEDIAN_HZ)
    crosstalk: float = 0.0
    electrode_uv: tuple[float, float] = (0.0, 0.0)
    fatigue: float = 0.0


@dataclass(frozen=True)
class NightPlan:
    """One recording before it is rendered.

    Attributes
    ----------
    seed
        Of the noise.
    duration_s
        Length on the night clock, gaps counted, whole seconds.
    mvc_uv
        RMS of the best maximal clench on natural teeth (left, right), at these electrodes.
    gain
        Factor of these electrodes on all that muscle and heart send; contained in ``mvc_uv``.
    episodes, isolated, twitches
        Between the lights marks: episodes; one or two bursts alone; contractions under 0.25 s.
    awake
        Chewing, talking and clenching before lights off and after lights on.
    clenches
        The trials, by the text of their mark.
    cues
        Marks of the recording, in order.
    lights_off_s, lights_on_s
        None in a recording that is no night.
    gaps
        (start, stop) in whole seconds in which nothing was recorded.
    faults
        What goes wrong at electrodes and amplifier; see `faults`.
    """

    seed: int
    duration_s: int
    mvc_uv: tuple[float, float]
    gain: tuple[float, float] = (1.0, 1.0)
    episodes: tuple[TrueEpisode, ...] = ()
    isolated: tuple[Group, ...] = ()
    twitches: tuple[Group, ...] = ()
    awake: tuple[Group, ...] = ()
    clenches: tuple[tuple[str, Burst], ...] = ()
    cues: tuple[Cue, ...] = ()
    lights_off_s: float | None = None
    lights_on_s: float | None = None
    background: Background = field(default_factory=Background)
    electrode_off: tuple[ElectrodeOff, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    faults: tuple[Fault, ...] = ()

    def bursts(self) -> tuple[Burst, ...]:
        """Every contraction of the recording, in order."""
        groups = (*self.episodes, *self.isolated, *self.twitches, *self.awake)
        found = [burst for group in groups for burst in group.bursts]
        found += [burst for _, burst in self.clenches]
        return tuple(sorted(found, key=lambda burst: burst.start_s))
