"""The clenches of one channel measured, what is wrong with them, and the reference they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from sleepbrux.core.errors import Note, ReferenceLevelError
from sleepbrux.core.spans import Spans
from sleepbrux.core.texts import count_of
from sleepbrux.reference.levels import (
    DEFAULT_STATISTIC,
    STATISTICS,
    WINDOW_S,
    Statistic,
    Window,
    freedom_per_s,
    inflation_pct,
    over_trials_uv,
    plateau,
    rest_uv,
    trial_uv,
)
from sleepbrux.reference.model import (
    LEAST_RATIO_TO_REST,
    Level,
    Placement,
    Reference,
    Source,
    impossible,
    plausibility_notes,
)
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.quality import REASONS, assess, block_rms_uv, hum_uv
from sleepbrux.signal.sweep import ChannelFrames

WARN_CV_PCT = 15.0
REFUSE_CV_PCT = 30.0
HIGHEST_OVER_SECOND = 1.5
FEWEST_TRIALS = 2
HUM_NOTE_PCT = 30.0
Stretch = tuple[float, float]


@dataclass(frozen=True)
class ClenchSettings:
    """How reference clenches are measured.

    Attributes
    ----------
    amplitude
        Kind of µV: RMS or mean rectified.
    statistic
        Id from `levels.STATISTICS`.
    effort_pct
        What was asked for, in % of a maximal effort; levels are scaled to 100 %.
    threshold_pct_mvc
        Threshold that must lie at three times rest or above; None leaves that to the night.
    """

    amplitude: Amplitude = "rms"
    statistic: str = DEFAULT_STATISTIC
    effort_pct: float = 100.0
    threshold_pct_mvc: float | None = None

    @property
    def chosen(self) -> Statistic:
        """The statistic itself.

        Raises
        ------
        ReferenceLevelError
            There is none of that id.
        """
        if self.statistic not in STATISTICS:
            raise ReferenceLevelError(
                f"statistic {self.statistic!r} is unknown; allowed are {', '.join(STATISTICS)}"
            )
        return STATISTICS[self.statistic]


DEFAULT_SETTINGS = ClenchSettings()


@dataclass(frozen=True)
class ReferenceOrigin:
    """Where reference clenches come from, as the `Reference` says it.

    Attributes
    ----------
    origin, placement, teeth, source
        As in `Reference`.
    day
        On which they were recorded; None where that is not known.
    """

    origin: str
    placement: Placement
    teeth: str = "natural teeth"
    source: Source = "own clench"
    day: date | None = None


@dataclass(frozen=True)
class Trial:
    """One clench of one channel.

    Attributes
    ----------
    start_s, stop_s
        Of the clench, in seconds of the night clock.
    levels_uv
        Its level by window (`levels.WINDOW_S` and ``plateau``); None where it is too short for it.
    faults
        What makes it unusable or doubtful, in words; empty where nothing does.
    clipped
        Whether a sample lies at a rail of the converter.
    hum_pct
        Mains as a share of the amplitude, in %.
    """

    start_s: float
    stop_s: float
    levels_uv: dict[Window, float | None]
    faults: tuple[str, ...]
    clipped: bool
    hum_pct: float | None


@dataclass(frozen=True)
class Clenches:
    """All clenches of one channel under one effort and one thing between the teeth.

    Attributes
    ----------
    rest_rms_uv, rest_rectified_uv
        Resting level, root mean square and mean rectified; None where no rest is known. Amplifier and
        electrode noise is in it: a resting level shows contact, not gain, and corrects nothing.
    freedom_per_s, plateau_s
        Bandwidth and steady length of these clenches, for `inflation`; None where not known.
    effort_pct
        Effort that was asked for.
    """

    label: str
    muscle: str
    side: str
    in_uv: bool
    amplitude: Amplitude
    statistic: Statistic
    effort_pct: float
    rest_rms_uv: float | None
    rest_rectified_uv: float | None
    trials: tuple[Trial, ...]
    freedom_per_s: float | None
    plateau_s: float | None

    @property
    def rest_uv(self) -> float | None:
        """Resting level of the reference's own kind."""
        return self.rest_rms_uv if self.amplitude == "rms" else self.rest_rectified_uv

    def trials_uv(self, window: Window | None = None) -> tuple[float, ...]:
        """Levels of the usable trials by the chosen window, or by another one, scaled to 100 %."""
        window = window or self.statistic.window
        found = [t.levels_uv[window] for t in self.trials if not t.faults]
        return tuple(uv * 100 / self.effort_pct for uv in found if uv is not None)

    def level_uv(self, statistic: Statistic | None = None) -> float | None:
        """Reference level by the chosen statistic, or by another one; None without a usable trial."""
        statistic = statistic or self.statistic
        found = self.trials_uv(statistic.window)
        return over_trials_uv(found, statistic.over) if found else None

    @property
    def cv_pct(self) -> float | None:
        """Sample SD over mean of the trials, in %; None below two."""
        found = self.trials_uv()
        if len(found) < FEWEST_TRIALS:
            return None
        return float(100 * np.std(found, ddof=1) / np.mean(found))

    @property
    def change_pct_per_trial(self) -> float | None:
        """Straight-line change from trial to trial, % of the mean; negative is a decline."""
        found = self.trials_uv()
        if len(found) < FEWEST_TRIALS:
            return None
        slope = np.polynomial.Polynomial.fit(range(len(found)), found, 1).convert().coef
        return float(100 * slope[1] / np.mean(found)) if len(slope) > 1 else 0.0

    @property
    def ratio_to_rest(self) -> float | None:
        """Level over rest; None where either is unknown."""
        level, rest = self.level_uv(), self.rest_uv
        return level / rest if level is not None and rest else None

    def inflation(self, statistic: Statistic | None = None) -> float | None:
        """Expected % above a perfectly steady clench's own level; None where it cannot be computed."""
        if self.freedom_per_s is None or self.plateau_s is None:
            return None
        return inflation_pct(
            statistic or self.statistic,
            trial_s=self.plateau_s,
            freedom_per_s=self.freedom_per_s,
            trials=max(len(self.trials_uv()), 1),
            amplitude=self.amplitude,
        )


def measure(
    frames: ChannelFrames,
    clenches_s: Sequence[Stretch],
    rests_s: Sequence[Stretch] = (),
    settings: ClenchSettings = DEFAULT_SETTINGS,
) -> Clenches:
    """Measure the clenches of one channel; nothing is refused here.

    Parameters
    ----------
    clenches_s, rests_s
        (start, stop) of each clench and resting stretch, in seconds of the night clock.
    """
    grid, chosen = frames.grid, settings.chosen
    spans = [(grid.nearest(a), grid.nearest(b)) for a, b in clenches_s]
    faults = assess(frames).faults
    plateaus = [p for span in spans if (p := plateau(frames, span)) is not None]
    freedom = freedom_per_s(frames, plateaus)
    steady = sum(grid.seconds(b - a) for a, b in plateaus) / len(plateaus) if plateaus else None
    rest = Spans.of(grid, [(grid.nearest(a), grid.nearest(b)) for a, b in rests_s])
    return Clenches(
        label=frames.channel.label,
        muscle=frames.channel.muscle,
        side=frames.channel.side,
        in_uv=frames.channel.unit == "uV",
        amplitude=settings.amplitude,
        statistic=chosen,
        effort_pct=settings.effort_pct,
        rest_rms_uv=rest_uv(frames, rest, "rms"),
        rest_rectified_uv=rest_uv(frames, rest, "rectified"),
        trials=tuple(
            _trial(frames, stretch, span, faults, chosen.window, settings.amplitude)
            for stretch, span in zip(clenches_s, spans, strict=True)
        ),
        freedom_per_s=freedom,
        plateau_s=None if steady is None else steady + 0.5,
    )


def _trial(
    frames: ChannelFrames,
    stretch: Stretch,
    span: tuple[int, int],
    faults: dict[str, Spans],
    window: Window,
    amplitude: Amplitude,
) -> Trial:
    windows: tuple[Window, ...] = (*WINDOW_S, "plateau")
    levels = {name: trial_uv(frames, span, name, amplitude) for name in windows}
    here = Spans.of(frames.grid, [span])
    found = [REASONS[reason] for reason, spans in faults.items() if len(spans & here)]
    level = levels[window]
    if level is None and not found:
        found.append(f"too short for the statistic ({frames.grid.seconds(span[1] - span[0]):.2g} s)")
    if level is not None and level <= 0:
        found.append("no signal")
    blocks = slice(span[0] // frames.frames_per_block, span[1] // frames.frames_per_block + 1)
    rms = float(np.median(block_rms_uv(frames)[blocks])) if span[1] > span[0] else 0.0
    hum = float(np.median(hum_uv(frames)[blocks])) if rms > 0 else 0.0
    return Trial(
        stretch[0],
        stretch[1],
        levels,
        tuple(found),
        clipped=bool((frames.stat("at_rail")[blocks] > 0).any()),
        hum_pct=100 * hum / rms if rms > 0 else None,
    )


def refusals(clenches: Clenches, *, threshold_pct_mvc: float | None = None) -> list[str]:
    """Why these clenches cannot be a reference, one sentence each; empty where they can.

    Parameters
    ----------
    threshold_pct_mvc
        Threshold that is to stand on them: it must lie at 3 times rest or above.
    """
    label, found = clenches.label, clenches.trials_uv()
    if len(found) < FEWEST_TRIALS:
        seen = [uv for t in clenches.trials if (uv := t.levels_uv[clenches.statistic.window])]
        if clenches.in_uv and seen and (why := impossible(label, float(np.mean(seen)))):
            return [why]  # with a wrong unit the faults found in the signal mean nothing
        faults = dict.fromkeys(f for t in clenches.trials for f in t.faults)
        why = f" ({'; '.join(faults)})" if faults else ""
        return [
            f"channel {label!r} has {count_of(len(found), 'usable clench', 'usable clenches')} of "
            f"at least 1 s{why}; two are "
            "needed: mark them, repeat them, or give `mvc_uv`"
        ]
    wrong = []
    level, cv, rest = clenches.level_uv(), clenches.cv_pct, clenches.rest_uv
    assert level is not None  # noqa: S101
    if cv is not None and cv > REFUSE_CV_PCT:
        wrong.append(
            f"the clenches of {label} spread by {cv:.0f} % (at most {REFUSE_CV_PCT:.0f} % "
            "is allowed); repeat the reference clenches"
        )
    if rest and level < LEAST_RATIO_TO_REST * rest:
        wrong.append(
            f"the clenches of {label!r} reach only {level / rest:.1f} times rest "
            f"({LEAST_RATIO_TO_REST:.0f} times is the least); check the electrodes and repeat"
        )
    elif rest and threshold_pct_mvc and level * threshold_pct_mvc < 100 * LEAST_RATIO_TO_REST * rest:
        wrong.append(
            f"{threshold_pct_mvc:g} % of the clench of {label!r} is {level * threshold_pct_mvc / 100:.3g} "
            f"µV, under {LEAST_RATIO_TO_REST:.0f} times its resting level ({rest:.3g} µV): rest itself "
            "may cross the threshold; check the electrodes and repeat rest and clenches"
        )
    if any(trial.clipped for trial in clenches.trials):
        wrong.append(f"a reference clench of {label!r} is clipped; lower the recorder's gain and repeat")
    if clenches.in_uv and (why := impossible(label, level)):
        wrong.append(why)
    return wrong


def warnings(clenches: Clenches) -> list[Note]:
    """What every reader of a level from these clenches must know."""
    notes, found, cv = [], clenches.trials_uv(), clenches.cv_pct
    if cv is not None and cv > WARN_CV_PCT:
        notes.append(
            Note(
                "mvc-spread",
                "warning",
                f"the clenches of {clenches.label} spread by {cv:.0f} % (CV), more than {WARN_CV_PCT:.0f} %",
            )
        )
    ordered = sorted(found, reverse=True)
    if len(ordered) >= FEWEST_TRIALS and ordered[0] > HIGHEST_OVER_SECOND * ordered[1]:
        notes.append(
            Note(
                "mvc-one-high",
                "warning",
                f"the highest clench of {clenches.label} ({ordered[0]:.3g} µV) exceeds the second "
                f"({ordered[1]:.3g} µV) by more than half: a push of the electrode, or the others were "
                "half-hearted",
            )
        )
    left_out = [t for t in clenches.trials if t.faults]
    if left_out:
        faults = dict.fromkeys(f for t in left_out for f in t.faults)
        notes.append(
            Note(
                "clench-left-out",
                "warning",
                f"clenches of {clenches.label} left out: {len(left_out)} ({'; '.join(faults)})",
            )
        )
    hum = max((t.hum_pct or 0.0 for t in clenches.trials), default=0.0)
    if hum > HUM_NOTE_PCT:
        notes.append(
            Note(
                "clench-hum",
                "warning",
                f"mains hum is {hum:.0f} % of the amplitude in a clench of {clenches.label}",
            )
        )
    if clenches.effort_pct != 100:
        notes.append(
            Note(
                "submaximal",
                "warning",
                f"the clenches were made at {clenches.effort_pct:g} % of an effort and scaled to 100 % in "
                "proportion; EMG does not follow effort in strict proportion",
            )
        )
    return notes


def from_clenches(
    channels: Sequence[ChannelFrames],
    clenches_s: Sequence[Stretch],
    rests_s: Sequence[Stretch] = (),
    settings: ClenchSettings = DEFAULT_SETTINGS,
    *,
    origin: ReferenceOrigin,
) -> Reference:
    """A reference from clenches: by default the mean over trials of the best one-second level.

    Parameters
    ----------
    clenches_s, rests_s
        (start, stop) of each clench and resting stretch, in seconds of the night clock.

    Returns
    -------
    Reference

    Raises
    ------
    ReferenceLevelError
        Fewer than two usable clenches, trials that spread by more than 30 %, a clench or a threshold
        below three times rest, a clipped one, or a level that cannot be µV.
    """
    measured = [measure(frames, clenches_s, rests_s, settings) for frames in channels]
    return reference_of(measured, origin, threshold_pct_mvc=settings.threshold_pct_mvc)


def reference_of(
    measured: Sequence[Clenches],
    origin: ReferenceOrigin,
    *,
    threshold_pct_mvc: float | None = None,
) -> Reference:
    """A reference from measured clenches; raises as `from_clenches` does."""
    levels, notes = [], list[Note]()
    for clenches in measured:
        for why in refusals(clenches, threshold_pct_mvc=threshold_pct_mvc):
            raise ReferenceLevelError(why)
        mvc = clenches.level_uv()
        assert mvc is not None  # noqa: S101
        levels.append(
            Level(clenches.label, mvc, clenches.rest_uv, clenches.trials_uv(), clenches.muscle, clenches.side)
        )
        notes += warnings(clenches)
    first = measured[0]
    text = first.statistic.text
    if first.effort_pct != 100:
        text += f", scaled from {first.effort_pct:g} % effort"
    return Reference(
        tuple(levels),
        first.amplitude,
        text,
        origin.origin,
        origin.placement,
        origin.teeth,
        tuple(dict.fromkeys((*notes, *plausibility_notes(levels)))),
        source=origin.source,
        date=origin.day,
        effort_pct=first.effort_pct,
    )
