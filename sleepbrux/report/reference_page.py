"""The reference clenches of a recording: picture, table, what speaks against them; and as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup

from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.texts import sentence
from sleepbrux.reference import STATISTICS, Clenches
from sleepbrux.reference.model import RMS_OVER_RECTIFIED
from sleepbrux.reference.recorded import ReferenceCheck
from sleepbrux.report.axes import WIDE, Drawing, both
from sleepbrux.report.chair_page import bullets, page, paragraph, section, table
from sleepbrux.report.numbers import clock, minus, seconds_of_day, text
from sleepbrux.signal.sweep import ChannelFrames

UNCONFIRMED_BANNER = "Unconfirmed: clenches detected automatically, not confirmed"
NONE_BANNER = "No reference: no clench was taken"
AROUND_S = 12.0
PANEL_GAP_S, PANEL_S = 60.0, 240.0
MOST_PANELS = 6
WINDOW_S = 0.125
COLUMNS = 900
SIGNS = "Grey: rest. Shaded: clenches taken. Outlined: not taken. Dashed: the level, where it is RMS."
KIND = {"rms": "RMS", "rectified": "mean rectified"}


def panels(looked: ReferenceCheck) -> list[tuple[float, float]]:
    """(start, stop) of the parts of a recording that have a stretch to draw, 4 min at most each."""
    ends: list[list[float]] = []
    stretches = (*((c.start_s, c.stop_s) for c in looked.clenches), *looked.cues.rests_s)
    for a, b in sorted(stretches):
        if ends and a - ends[-1][1] <= PANEL_GAP_S and b - ends[-1][0] <= PANEL_S:
            ends[-1][1] = max(ends[-1][1], b)
        else:
            ends.append([a, b])
    return [(a, b) for a, b in ends]


def _taken_in(looked: ReferenceCheck, part: tuple[float, float]) -> bool:
    stretches = (*looked.cues.clenches_s, *looked.cues.rests_s)
    return any(a < part[1] and part[0] < b for a, b in stretches)


def picture(
    looked: ReferenceCheck,
    frames: ChannelFrames,
    clenches: Clenches,
    part: tuple[float, float],
    width: float = WIDE,
) -> Markup:
    """Level of one channel over a part of the recording: rest and clenches shaded, clenches numbered."""
    cues, grid = looked.cues, frames.grid
    first, stop = grid.slot_at(part[0] - AROUND_S), grid.slot_at(part[1] + AROUND_S)
    begin, span = grid.seconds(first), max(grid.seconds(stop - first), 1.0)
    n = max(grid.slots_for(WINDOW_S), 1)
    power = frames.energy[first:stop].astype(np.float64)
    rms = np.sqrt(np.lib.stride_tricks.sliding_window_view(power, n).mean(axis=1))
    level, known = clenches.level_uv(), rms[~np.isnan(rms)]
    here = [c for c in looked.clenches if c.start_s < part[1] and part[0] < c.stop_s]
    said = ", ".join(f"{c.number} {'taken' if c.taken else 'not taken'}" for c in here) or "none"
    d = Drawing(width, 230, f"Level of {clenches.label}; clenches: {said}")
    x = d.x(begin, begin + span)
    y = d.y(0, 1.08 * max(float(known.max()) if len(known) else 1.0, level or 0.0, 1e-6))
    shaded = [("rest", a, b) for a, b in cues.rests_s if a < part[1] and part[0] < b]
    shaded += [("clench" if c.taken else "left", c.start_s, c.stop_s) for c in here]
    for kind, a, b in shaded:
        d.box((x(a), x(b)), (d.top, d.floor), kind)
    d.y_axis(y, "µV RMS over 0.125 s")
    start = seconds_of_day(looked.swept.start_clock)
    steps = (5, 10, 20, 30, 60, 120, 300, 600, 1800, 7200)
    step = next(s for s in steps if span / s <= (9 if width > 500 else 4) or s == 7200)
    for second in np.arange(np.ceil(begin / step) * step, begin + span, step).tolist():
        if d.left + 20 < x(second) < width - d.right - 20:
            d.text(x(second), d.floor + 15, clock(second, start), "mid")
    d.line(_path(rms, grid.seconds(n) / 2, begin, x, y, grid.seconds(1)), "trace")
    if level is not None and clenches.amplitude == "rms":
        d.across(y(level), "level")
    for c in here:
        d.text(x((c.start_s + c.stop_s) / 2), d.top + 12, f"{c.number}", "mid strong")
    d.x_title("clock time" if start is not None else "time from the start")
    return d.markup()


def _path(rms: np.ndarray[Any, Any], offset_s: float, begin: float, x: Any, y: Any, slot_s: float) -> str:
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
    return "n/a" if value is None else minus(f"{value:.1f}")


def sentences(looked: ReferenceCheck, clenches: Clenches) -> list[str]:
    """What one channel's clenches say, in words: the same on page and terminal."""
    unit = "µV" if clenches.in_uv else "of no known unit"
    said = [
        f"Rest: {_uv(clenches.rest_rms_uv)} {unit} RMS, {_uv(clenches.rest_rectified_uv)} {unit} mean "
        f"rectified ({looked.rest_said_by}). A contact check only: noise of electrodes and amplifier is "
        "in it."
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
        said.append(
            f"Taking the best window overestimates a steady clench by about {gain:.1f} % (simulated)."
            if best
            else f"Taking the plateau overestimates a steady clench by about {gain:.1f} % (simulated)."
        )
    ratio = "rest unknown" if clenches.ratio_to_rest is None else f"{clenches.ratio_to_rest:.0f} times rest"
    change = clenches.change_pct_per_trial
    trend = "" if change is None else minus(f"; change from trial to trial {change:+z.1f} % of the mean")
    said.append(f"Spread of the trials (CV): {_pct(clenches.cv_pct)} %{trend}; {ratio}.")
    return said


TRIAL_HEADS = (
    "clench",
    "from",
    "length, s",
    "best 1 s",
    "best 0.5 s",
    "peak 0.125 s",
    "plateau",
    "hum, %",
    "remarks",
)


def trial_rows(looked: ReferenceCheck, clenches: Clenches) -> list[list[str]]:
    """One row a trial, in the order of `TRIAL_HEADS`; levels in µV as they were measured."""
    start = seconds_of_day(looked.swept.start_clock)
    numbers = [c.number for c in looked.clenches if c.taken]
    return [
        [
            str(k),
            clock(t.start_s, start),
            f"{t.stop_s - t.start_s:.2f}",
            *(_uv(t.levels_uv[w]) for w in ("best_1s", "best_half_s", "peak", "plateau")),
            _pct(t.hum_pct),
            "; ".join((*t.faults, *(["clipped"] if t.clipped else []))) or "-",
        ]
        for k, t in zip(numbers, clenches.trials, strict=True)
    ]


CLENCH_HEADS = ("clench", "from", "length, s", "clearest in", "times rest", "taken, or why not")


def clench_rows(looked: ReferenceCheck) -> list[list[str]]:
    """One row a clench or stretch like one, in the order of `CLENCH_HEADS`."""
    start = seconds_of_day(looked.swept.start_clock)
    return [
        [
            str(c.number),
            clock(c.start_s, start),
            f"{c.stop_s - c.start_s:.2f}",
            c.label or "-",
            "-" if c.times_rest is None else f"{c.times_rest:.0f}",
            "taken" if c.taken else f"not taken: {c.reason}",
        ]
        for c in looked.clenches
    ]


def clench_count(looked: ReferenceCheck) -> str:
    """How many stretches are like a clench, and how many of them were taken."""
    taken, seen = sum(c.taken for c in looked.clenches), len(looked.clenches)
    words = "1 stretch" if seen == 1 else f"{seen} stretches"
    return f"{words} like a clench, {taken} taken"


def _both(
    looked: ReferenceCheck, frames: ChannelFrames, clenches: Clenches, part: tuple[float, float]
) -> Markup:
    return both(lambda width: picture(looked, frames, clenches, part, width))


def _pictures(looked: ReferenceCheck, frames: ChannelFrames, clenches: Clenches) -> list[Markup]:
    """The parts of the recording with something taken, then the others; folded where they are many."""
    parts = panels(looked)
    drawn = [_both(looked, frames, clenches, p) for p in parts if _taken_in(looked, p)]
    rest = [_both(looked, frames, clenches, p) for p in parts if not _taken_in(looked, p)]
    if len(rest) > MOST_PANELS:
        rest = [
            Markup("<details><summary>{}</summary>{}</details>").format(
                f"{len(rest)} more pictures: stretches that were not taken", Markup("").join(rest)
            )
        ]
    return [*drawn, *rest]


def _head(looked: ReferenceCheck, accept: str, take: str) -> list[str]:
    cues, day = looked.cues, looked.swept.start
    head = [
        sentence(
            f"{cues.origin}; teeth: {cues.teeth}; "
            + (f"recorded {day:%Y-%m-%d}" if day else "day of the recording unknown")
        )
    ]
    choose = f"To take others, name their numbers: {take}."
    if not cues.clenches_s:
        return [*head, choose]
    if not cues.confirmed:
        head += [
            "Look at each picture. Are the shaded stretches the clenches that were asked for, with nothing "
            f"else in them? If so, accept them: {accept}.",
            f"{choose} Until then every % MVC against them is unconfirmed.",
        ]
    return head


def reference_page(looked: ReferenceCheck, accept: str, take: str) -> str:
    """The whole page.

    Parameters
    ----------
    accept, take
        How the clenches that are taken are accepted, and others taken by their numbers: a command.
    """
    cues = looked.cues
    parts = [
        section("Who confirmed these clenches", *(paragraph(t) for t in _head(looked, accept, take))),
        section(
            "Clenches in the recording",
            table(clench_count(looked), CLENCH_HEADS, clench_rows(looked), words=len(CLENCH_HEADS)),
            paragraph(
                "The program takes the earliest clear run of three or more even clenches: later ones may be "
                "with an appliance in, or on waking.",
                "small",
            ),
        ),
    ]
    for frames, (clenches, wrong, notes) in zip(looked.swept.frames, looked.channels, strict=True):
        about = " ".join(filter(None, (clenches.muscle, clenches.side)))
        body = [*_pictures(looked, frames, clenches), paragraph(SIGNS, "small")]
        body += [paragraph(f"Refused: {why}", "refused") for why in wrong]
        body += [bullets([f"{n.severity}: {n.text}" for n in notes])] if notes else []
        body += [paragraph(s) for s in sentences(looked, clenches)]
        if clenches.trials:
            body += _levels(looked, clenches)
        parts.append(section(f"{clenches.label}{f' ({about})' if about else ''}", *body))
    parts.append(
        section(
            "How to read this",
            *(
                paragraph(t, "small")
                for t in (
                    f"RMS and mean rectified µV are two kinds: for Gaussian noise the first is "
                    f"{RMS_OVER_RECTIFIED:.3f} "
                    "(√(π/2)) times the second. Nothing is converted unless that is asked for.",
                    "A clench made with an appliance in the mouth is another reference than one on natural teeth.",
                    "Electrodes placed anew change the gain: a night is best scored against its own clenches.",
                )
            ),
        )
    )
    banner = NONE_BANNER if not cues.clenches_s else "" if cues.confirmed else UNCONFIRMED_BANNER
    return page(f"{looked.swept.name}: reference clenches", parts, banner=banner)


def _levels(looked: ReferenceCheck, clenches: Clenches) -> list[Markup]:
    kind = KIND[clenches.amplitude]
    rows = [
        [
            s.text + (" (chosen)" if s == clenches.statistic else ""),
            _uv(clenches.level_uv(s)),
            _pct(clenches.inflation(s)),
        ]
        for s in STATISTICS.values()
    ]
    return [
        table(f"Clenches taken, µV {kind} as measured", TRIAL_HEADS, trial_rows(looked, clenches)),
        table(
            "The same clenches by other statistics, which are all in use",
            ("statistic", f"level, µV {kind}", "expected above a steady clench's own level, %"),
            rows,
        ),
    ]


def reference_json(looked: ReferenceCheck) -> str:
    """Everything on the page as JSON."""
    table_ = {
        "schema_version": "2.0",
        "software": SOFTWARE,
        "recording": looked.swept.name,
        "input_sha256": looked.swept.digest,
        "date": looked.swept.start.date().isoformat() if looked.swept.start else None,
        "origin": looked.cues.origin,
        "confirmed": looked.cues.confirmed,
        "teeth": looked.cues.teeth,
        "clenches_s": looked.cues.clenches_s,
        "rests_s": looked.cues.rests_s,
        "rest_said_by": looked.rest_said_by,
        "clenches": [
            {
                "number": c.number,
                "start_s": _rounded(c.start_s),
                "end_s": _rounded(c.stop_s),
                "taken": c.taken,
                "reason": c.reason,
                "channel": c.label,
                "times_rest": _rounded(c.times_rest),
            }
            for c in looked.clenches
        ],
        "channels": [
            {
                "channel": c.label,
                "muscle": c.muscle,
                "side": c.side,
                "amplitude": c.amplitude,
                "statistic": c.statistic.id,
                "effort_pct": c.effort_pct,
                "level_uv": _rounded(c.level_uv()),
                "levels_by_statistic_uv": {s.id: _rounded(c.level_uv(s)) for s in STATISTICS.values()},
                "inflation_pct": {s.id: _rounded(c.inflation(s)) for s in STATISTICS.values()},
                "rest_rms_uv": _rounded(c.rest_rms_uv),
                "rest_rectified_uv": _rounded(c.rest_rectified_uv),
                "cv_pct": _rounded(c.cv_pct),
                "change_pct_per_trial": _rounded(c.change_pct_per_trial),
                "ratio_to_rest": _rounded(c.ratio_to_rest),
                "trials": [
                    {
                        "start_s": t.start_s,
                        "end_s": t.stop_s,
                        "clipped": t.clipped,
                        "levels_uv": {k: _rounded(v) for k, v in t.levels_uv.items()},
                        "hum_pct": _rounded(t.hum_pct),
                        "faults": t.faults,
                    }
                    for t in c.trials
                ],
                "refused": wrong,
                "warnings": [{"code": n.code, "text": n.text} for n in notes],
            }
            for c, wrong, notes in looked.channels
        ],
        "purpose": PURPOSE,
    }
    return json_text(table_)


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")
