"""One minute of the night recorder's own electrodes before it goes home, in the words of the morning after.

The minute is kept as a recording and judged by the quality tests that judge a night. It says whether the
electrodes hold now, and nothing about the person.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sleepbrux.core.errors import RecordingError
from sleepbrux.live.engine import Engine
from sleepbrux.live.screen import HUM_PCT, hum_share_pct
from sleepbrux.recording.opening import open_recording
from sleepbrux.scoring.usability import (
    ELECTRODE,
    FIX_BATTERY,
    FIX_ELECTRODE,
    FIX_GAIN,
    FIX_MAINS,
    NightFinding,
    UsabilityVerdict,
    Verdict,
)
from sleepbrux.signal.quality import REASONS
from sleepbrux.signal.swept import Swept, sweep_recording

MINUTE_S = 60.0
LOST_S = 5.0


def receive(
    engine: Engine, seconds: float = MINUTE_S, told: Callable[[float], None] = lambda share: None
) -> None:
    """Receive a minute and end the file.

    Raises
    ------
    RecordingError
        Less than nine tenths of it came.
    """
    while not engine.ended and engine.now_s < seconds:
        engine.step()
        told(min(engine.now_s / seconds, 1.0))
    short, why = engine.now_s < 0.9 * seconds, engine.ended
    engine.close()
    if short:
        raise RecordingError(
            f"only {engine.now_s:.0f} of {seconds:.0f} s came ({why}); begin the check again"
        )


def judge(path: Path) -> UsabilityVerdict:
    """What the minute says of each electrode, and what to do.

    Returns
    -------
    UsabilityVerdict
        ``"usable"`` where nothing was found, ``"repeat"`` where no channel held, else ``"usable with limits"``.
    """
    swept = sweep_recording(open_recording(path))
    findings = [*_electrodes(swept), *_hum(swept), *_gaps(swept)]
    lost = {f.text.partition(":")[0] for f in findings if f.cause == "electrode"}
    valid = max(q.usable.hours for q in swept.quality)
    verdict: Verdict = (
        "usable" if not findings else "repeat" if len(lost) == len(swept.frames) else "usable with limits"
    )
    return UsabilityVerdict(path.stem, verdict, valid, swept.duration_s / 3600, tuple(findings))


def _electrodes(swept: Swept) -> list[NightFinding]:
    found = []
    for frames, quality in zip(swept.frames, swept.quality, strict=True):
        taken = {r: quality.faults[r].duration_s for r in ELECTRODE if r in quality.faults}
        worst = max(taken, key=lambda reason: taken[reason], default="")
        if worst and taken[worst] >= LOST_S:
            found.append(
                NightFinding(
                    "electrode",
                    f"{frames.channel.label}: {taken[worst]:.0f} s of the minute could not be scored: "
                    f"{REASONS[worst]}",
                    FIX_GAIN if worst == "gain_step" else FIX_ELECTRODE,
                )
            )
    return found


def _hum(swept: Swept) -> list[NightFinding]:
    found = []
    for frames in swept.frames:
        share = hum_share_pct(frames)
        if share is not None and share > HUM_PCT:
            text = f"{frames.channel.label}: mains hum is {share:.0f} % of the amplitude"
            found.append(NightFinding("mains", text, FIX_MAINS))
    return found


def _gaps(swept: Swept) -> list[NightFinding]:
    missing = sum(b - a for a, b in swept.gaps)
    if missing < 1:
        return []
    text = f"{missing:.0f} s of the minute were not received, in {len(swept.gaps)} gaps"
    return [
        NightFinding(
            "battery", text, f"{FIX_BATTERY}; a recorder that sends by radio stays near its receiver"
        )
    ]
