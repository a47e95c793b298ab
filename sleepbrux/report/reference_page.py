"""The reference clenches of a recording: picture, table, what speaks against them; and as JSON."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
from markupsafe import Markup

from sleepbrux import __version__
from sleepbrux.calibration import STATISTICS, Clenches
from sleepbrux.calibration.model import RMS_OVER_RECTIFIED
from sleepbrux.purpose import PURPOSE
from sleepbrux.reference import Looked
from sleepbrux.report.chair_page import bullets, label, page, paragraph, section, svg, table, ticks
from sleepbrux.report.numbers import clock, seconds_of_day, text
from sleepbrux.signal.sweep import ChannelFrames

UNCONFIRMED_BANNER = "Unconfirmed: found by the program, accepted by nobody"
WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 1000, 240, 56, 10, 12, 46
AROUND_S = 12.0
WINDOW_S = 0.125
COLUMNS = 900
KIND = {"rms": "RMS", "rectified": "mean rectified"}


def picture(looked: Looked, frames: ChannelFrames, clenches: Clenches) -> Markup:
    """Level over time around rest and clenches of one channel, each stretch shaded."""
    cues, grid = looked.cues, frames.grid
    ends = [t for stretch in (*cues.clenches_s, *cues.rests_s) for t in stretch]
    first, stop = grid.slot_at(min(ends) - AROUND_S), grid.slot_at(max(ends) + AROUND_S)
    begin, span = grid.seconds(first), max(grid.seconds(stop - first), 1.0)
    n = max(grid.slots_for(WINDOW_S), 1)
    power = frames.energy[first:stop].astype(np.float64)
    rms = np.sqrt(np.lib.stride_tricks.sliding_window_view(power, n).mean(axis=1))
    level, known = clenches.level_uv(), rms[~np.isnan(rms)]
    top = 1.08 * max(float(known.max()) if len(known) else 1.0, level or 0.0, 1e-6)

    def x(second: float) -> float:
        return LEFT + (second - begin) / span * (WIDTH - LEFT - RIGHT)

    def y(uv: float) -> float:
        return TOP + (1 - uv / top) * (HEIGHT - TOP - FOOT)

    parts = [
        Markup('<rect class="{}" x="{:.1f}" y="{}" width="{:.1f}" height="{}"/>').format(
            kind, x(a), TOP, x(b) - x(a), HEIGHT - TOP - FOOT
        )
        for kind, stretches in (("rest", cues.rests_s), ("clench", cues.clenches_s))
        for a, b in stretches
    ]
    for uv in ticks(top):
        parts += [
            Markup('<path class="grid" d="M{} {:.1f}H{}"/>').format(LEFT, y(uv), WIDTH - RIGHT),
            label(LEFT - 6, y(uv) + 4, f"{uv:g}", "end"),
        ]
    start = seconds_of_day(looked.swept.start_clock)
    step = next(s for s in (5, 10, 20, 30, 60, 300, 600, 1800, 7200) if span / s <= 9 or s == 7200)
    for second in np.arange(np.ceil(begin / step) * step, begin + span, step).tolist():
        if x(second) < WIDTH - RIGHT - 30:
            parts.append(label(x(second), HEIGHT - 28, clock(second, start), "mid"))
    parts.append(Markup('<path class="trace" d="{}"/>').format(_path(rms, grid.seconds(n) / 2, begin, x, y,
                                                                  grid.seconds(1))))  # fmt: skip
    if level is not None and clenches.amplitude == "rms":
        parts.append(
            Markup('<path class="level" d="M{} {:.1f}H{}"/>').format(LEFT, y(level), WIDTH - RIGHT)
        )
    parts.append(label(LEFT, HEIGHT - 6, "µV RMS over 0.125 s; shaded: rest (sand), clenches (blue); "
                                         "dashed: the reference level, where it is RMS"))  # fmt: skip
    return svg(WIDTH, HEIGHT, f"Level of {clenches.label} around rest and clenches", *parts)


def _path(
    rms: np.ndarray[Any, Any], offset_s: float, begin: float, x: Any, y: Any, slot_s: float
) -> str:
    size = max(-(-len(rms) // COLUMNS), 1)
    pieces, pen = [], "M"
    for k in range(0, len(rms), size):
        part = rms[k : k + size]
        part = part[~np.isnan(part)]
        if not len(part):
            pen = "M"
            continue
        at = x(begin + offset_s + (k + size / 2) * slot_s)
        low, high = float(part.min()), float(part.max())
        pieces.append(f"{pen}{at:.1f} {y(low):.1f}L{at:.1f} {y(high):.1f}")
        pen = "L"
    return "".join(pieces)


def _uv(value: float | None) -> str:
    return text(value, "µV")


def _pct(value: float | None) -> str:
    return "n/a" if value is None else f"{value:.1f}"


def sentences(looked: Looked, clenches: Clenches) -> list[str]:
    """What one channel's clenches say, in words: the same on page and terminal."""
    unit = "µV" if clenches.in_uv else "of no known unit"
    said = [
        f"Rest: {_uv(clenches.rest_rms_uv)} {unit} RMS, {_uv(clenches.rest_rectified_uv)} {unit} mean "
        f"rectified ({looked.rest_said_by}). Noise of electrodes and amplifier is in it; it shows contact, "
        "not gain, and corrects nothing."
        if clenches.rest_rms_uv is not None
        else "Rest: not known; no mark names it and no quiet stretch lies before the clenches."
    ]
    level = clenches.level_uv()
    if level is None:
        return said
    scaled = "" if clenches.effort_pct == 100 else f", scaled from {clenches.effort_pct:g} % effort"
    said.append(
        f"Level: {_uv(level)} {unit} {KIND[clenches.amplitude]}, {clenches.statistic.text}{scaled}; "
        f"{len(clenches.trials_uv())} of {len(clenches.trials)} trials used."
    )
    gain = clenches.inflation()
    if gain is not None:
        best = clenches.statistic.window != "plateau"
        why = ", because it takes a best window" if best else ": it takes no best window"
        said.append(
            f"Of a perfectly steady clench of this bandwidth ({clenches.freedom_per_s:.0f} independent "
            f"values a second) and length ({clenches.plateau_s:.1f} s) this statistic would read {gain:.1f} "
            f"% above its own level{why}; computed by simulation."
        )
    ratio = (
        "rest unknown"
        if clenches.ratio_to_rest is None
        else f"{clenches.ratio_to_rest:.0f} times rest"
    )
    change = clenches.change_pct_per_trial
    trend = "" if change is None else f"; change from trial to trial {change:+z.1f} % of the mean"
    said.append(f"Spread of the trials (CV): {_pct(clenches.cv_pct)} %{trend}; {ratio}.")
    return said


TRIAL_HEADS = (
    "trial", "from", "length, s", "best 1 s", "best 0.5 s", "peak 0.125 s", "plateau", "hum, %",
    "remarks",
)  # fmt: skip


def trial_rows(looked: Looked, clenches: Clenches) -> list[list[str]]:
    """One row a trial, in the order of `TRIAL_HEADS`; levels in µV as they were measured."""
    start = seconds_of_day(looked.swept.start_clock)
    return [
        [
            str(k), clock(t.start_s, start), f"{t.stop_s - t.start_s:.2f}",
            *(_uv(t.levels_uv[w]) for w in ("best_1s", "best_half_s", "peak", "plateau")),
            _pct(t.hum_pct), "; ".join((*t.faults, *(["clipped"] if t.clipped else []))) or "-",
        ]
        for k, t in enumerate(clenches.trials, start=1)
    ]  # fmt: skip


def reference_page(looked: Looked) -> str:
    """The whole page."""
    cues, parts = looked.cues, []
    day = looked.swept.start
    head = [
        f"{cues.said_by}; teeth: {cues.teeth}"
        + (f"; recorded {day:%Y-%m-%d}" if day else "; day of the recording unknown")
        + ".",
    ]
    if not cues.confirmed:
        head.append(
            "Look at each picture: are the shaded stretches the scripted clenches, with nothing else in "
            "them? If so, accept them with: sleepbrux reference RECORDING --accept-by NAME --teeth natural. "
            "If not, correct the times in the file beside the recording, or mark the clenches in it. Until "
            "then every % MVC that stands on them is unconfirmed."
        )
    parts.append(section("Whose word", *(paragraph(t) for t in head)))
    for frames, (clenches, wrong, notes) in zip(looked.swept.frames, looked.channels, strict=True):
        about = " ".join(filter(None, (clenches.muscle, clenches.side)))
        body = [picture(looked, frames, clenches)]
        body += [paragraph(f"Refused: {why}", "refused") for why in wrong]
        body += [bullets([f"{n.severity}: {n.text}" for n in notes])] if notes else []
        body += [paragraph(s) for s in sentences(looked, clenches)]
        body.append(table(f"Trials, µV {KIND[clenches.amplitude]} as measured", TRIAL_HEADS,
                          trial_rows(looked, clenches)))  # fmt: skip
        rows = [
            [s.text + (" (chosen)" if s == clenches.statistic else ""),
             _uv(clenches.level_uv(s)), _pct(clenches.inflation(s))]
            for s in STATISTICS.values()
        ]  # fmt: skip
        body.append(table("The same trials by other statistics, which are all in use", (
            "statistic", f"level, µV {KIND[clenches.amplitude]}",
            "expected above a steady clench's own level, %"), rows))  # fmt: skip
        parts.append(section(f"{clenches.label}{f' ({about})' if about else ''}", *body))
    parts.append(section("How to read this", *(paragraph(t, "small") for t in (
        f"RMS and mean rectified µV are two kinds: for Gaussian noise the first is {RMS_OVER_RECTIFIED:.3f} "
        "(√(π/2)) times the second. Nothing is converted unless that is asked for.",
        "A clench made with an appliance in the mouth is another reference than one on natural teeth.",
        "Electrodes placed anew change the gain: a night is best scored against its own clenches.",
    ))))  # fmt: skip
    return page(
        f"{looked.swept.name}: reference clenches", parts,
        banner="" if cues.confirmed else UNCONFIRMED_BANNER,
    )  # fmt: skip


def reference_json(looked: Looked) -> str:
    """Everything on the page as JSON."""
    table_ = {
        "schema_version": "1.0",
        "software": {"name": "sleepbrux", "version": __version__},
        "recording": looked.swept.name,
        "input_sha256": looked.swept.digest,
        "date": looked.swept.start.date().isoformat() if looked.swept.start else None,
        "said_by": looked.cues.said_by,
        "confirmed": looked.cues.confirmed,
        "teeth": looked.cues.teeth,
        "clenches_s": looked.cues.clenches_s,
        "rests_s": looked.cues.rests_s,
        "rest_said_by": looked.rest_said_by,
        "channels": [
            {
                "channel": c.label, "muscle": c.muscle, "side": c.side, "amplitude": c.amplitude,
                "statistic": c.statistic.id, "effort_pct": c.effort_pct,
                "level_uv": _rounded(c.level_uv()),
                "levels_by_statistic_uv": {s.id: _rounded(c.level_uv(s)) for s in STATISTICS.values()},
                "inflation_pct": {s.id: _rounded(c.inflation(s)) for s in STATISTICS.values()},
                "rest_rms_uv": _rounded(c.rest_rms_uv),
                "rest_rectified_uv": _rounded(c.rest_rectified_uv),
                "cv_pct": _rounded(c.cv_pct), "change_pct_per_trial": _rounded(c.change_pct_per_trial),
                "ratio_to_rest": _rounded(c.ratio_to_rest),
                "trials": [
                    {
                        "start_s": t.start_s, "stop_s": t.stop_s, "clipped": t.clipped,
                        "levels_uv": {k: _rounded(v) for k, v in t.levels_uv.items()},
                        "hum_pct": _rounded(t.hum_pct), "faults": t.faults,
                    }
                    for t in c.trials
                ],
                "refused": wrong,
                "warnings": [{"code": n.code, "text": n.text} for n in notes],
            }
            for c, wrong, notes in looked.channels
        ],
        "purpose": PURPOSE,
    }  # fmt: skip
    return msgspec.json.format(msgspec.json.encode(table_), indent=2).decode() + "\n"


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")
