"""Small drawings as SVG text: the strip for readers without a script, and histograms."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup, escape

from sleepbrux.report.numbers import clock, plain, seconds_of_day
from sleepbrux.report.payload import Strip, excluded
from sleepbrux.scoring.night import Night

WIDTH, LEFT, RIGHT = 1000, 52, 8
LANE, KIND_LANE, FOOT = 74, 20, 24
BINS = 470
_NICE = [m * 10**e for e in range(12) for m in (1, 2, 5)]
KINDS = ("phasic", "tonic", "mixed", "unclassified")


def glyph(kind: str, x: float, y: float, *, pale: bool = False) -> Markup:
    """Sign of a kind of episode around a point: each kind has its own shape and colour."""
    a, b = f"{x:.1f}", f"{y:.1f}"
    shape = {
        "phasic": f"M{a} {b}m-5 4.5l5-9 5 9z",
        "tonic": f"M{a} {b}m-4.5-4.5h9v9h-9z",
        "mixed": f"M{a} {b}m-5.5 0l5.5-5.5 5.5 5.5-5.5 5.5z",
    }.get(kind, f"M{a} {b}m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z")
    return Markup('<path class="k-{}{}" d="{}"/>').format(kind, " faint" if pale else "", shape)


def kinds_of(night: Night) -> tuple[str, ...]:
    """Kinds of episode that the criterion can find."""
    return KINDS[:3] if night.criterion.burst.types else KINDS[3:]


def _hour_ticks(duration_s: float, begin_s: float | None) -> list[float]:
    step = next(s for s in (60, 300, 900, 3600, 7200, 14400) if duration_s / s <= 12 or s == 14400)
    first = -(begin_s or 0.0) % step
    return [first + k * step for k in range(int((duration_s - first) // step) + 1)]


def _lane(strip: Strip, threshold: float | None, top: float, scale_x: float) -> Markup:
    span = math.log(strip.high / strip.low)

    def height(value: float) -> float:
        return top + (LANE - 8) * (1 - math.log(max(value, strip.low) / strip.low) / span)

    values = strip.values()
    size = max(-(-len(values) // BINS), 1)
    padded = np.append(values, np.full(-len(values) % size, np.nan)).reshape(-1, size)
    known = ~np.isnan(padded)
    peaks = np.where(known, padded, -np.inf).max(axis=1)
    path, pen = [], "M"
    for k, peak in enumerate(peaks.tolist()):
        if math.isfinite(peak):
            x = LEFT + (k + 0.5) * size * strip.step_s * scale_x
            path.append(f"{pen}{x:.0f} {height(peak):.1f}")
        pen = "L" if math.isfinite(peak) else "M"
    parts = [Markup('<path class="trace" d="{}"/>').format("".join(path))]
    decade = 10.0 ** math.ceil(math.log10(strip.low))
    while decade <= strip.high:
        y = height(decade)
        parts.append(
            Markup('<path class="rule" d="M{} {:.1f}H{}"/>').format(LEFT, y, WIDTH - RIGHT)
            + Markup('<text class="end" x="{}" y="{:.1f}">{}</text>').format(LEFT - 5, y + 4, plain(decade))
        )
        decade *= 10
    if threshold is not None and strip.low < threshold < strip.high:
        parts.append(
            Markup('<path class="limit" d="M{} {:.1f}H{}"/>').format(LEFT, height(threshold), WIDTH - RIGHT)
        )
    return Markup("").join(parts)


def overview(night: Night, scale: tuple[Strip, ...]) -> Markup:
    """The whole night in one static drawing."""
    duration = night.swept.duration_s
    begin = seconds_of_day(night.swept.start_clock)
    per_s = (WIDTH - LEFT - RIGHT) / max(duration, 1e-9)
    kinds = kinds_of(night)
    lanes_end = 16 + len(scale) * (LANE + 16)
    height = lanes_end + len(kinds) * KIND_LANE + FOOT

    def at(second: float) -> float:
        return LEFT + second * per_s

    out = [
        Markup(
            '<svg class="overview" viewBox="0 0 {} {}" role="img" '
            'aria-label="Envelope of each channel over the night, with episodes below">'
        ).format(WIDTH, height)
    ]
    out.append(
        Markup('<rect class="outside" x="{}" y="16" width="{}" height="{}"/>').format(
            LEFT, WIDTH - LEFT - RIGHT, height - FOOT - 16
        )
    )
    for a, b in night.window.spans_s:
        out.append(
            Markup('<rect class="window" x="{:.1f}" y="16" width="{:.1f}" height="{}"/>').format(
                at(a), (b - a) * per_s, height - FOOT - 16
            )
        )
    for k, (strip, frames) in enumerate(zip(scale, night.swept.frames, strict=True)):
        top = 16 + k * (LANE + 16)
        label = frames.channel.label
        unit = "µV" if frames.channel.unit == "uV" else frames.channel.unit
        for channel, _, a, b in excluded(night.quality):
            if channel == k and (b - a) * per_s >= 1:
                out.append(
                    Markup('<rect class="out" x="{:.1f}" y="{}" width="{:.1f}" height="{}"/>').format(
                        at(a), top + 14, (b - a) * per_s, LANE - 6
                    )
                )
        out.append(Markup('<text x="{}" y="{}">{}, {}</text>').format(LEFT + 4, top + 9, label, unit))
        out.append(_lane(strip, night.threshold_uv.get(label), top + 14, per_s))
    episodes = night.episodes
    slot = float(episodes.grid.slot_s)
    counted = set(night.selection.episodes.tolist())
    for row, kind in enumerate(kinds):
        y = lanes_end + row * KIND_LANE + KIND_LANE / 2
        out.append(Markup('<text class="end" x="{}" y="{:.1f}">{}</text>').format(LEFT - 5, y + 4, kind))
        chosen = np.flatnonzero(episodes.kind == KINDS.index(kind)).tolist()
        out += [glyph(kind, at(int(episodes.starts[i]) * slot), y, pale=i not in counted) for i in chosen]
    for second in _hour_ticks(duration, begin):
        label = clock(second, begin)[:-3]
        out.append(
            Markup(
                '<path class="rule" d="M{0:.1f} 16V{1}"/><text class="mid" x="{0:.1f}" y="{2}">{3}</text>'
            ).format(at(second), height - FOOT + 4, height - 6, label)
        )
    return Markup("").join([*out, Markup("</svg>")])


def histogram_svg(counts: Sequence[int], borders: Sequence[float], *, title: str, axis: str) -> Markup:
    """Counts between borders as bars of equal width; the last class is open to above.

    Parameters
    ----------
    counts
        One a class: between each two borders, and beyond the last one.
    title
        What the drawing says, for readers who do not see it.
    axis
        Name and unit of the horizontal axis.
    """
    width, height, left, bottom, top = 420, 216, 40, 44, 16
    n = len(counts)
    bar = (width - left - 14) / n
    most = max([*counts, 1])
    step = next(s for s in _NICE if most <= 5 * s)
    full = step * math.ceil(most / step)
    per = (height - top - bottom) / full
    floor = height - bottom
    out = [
        Markup('<svg class="histogram" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
            width, height, title
        )
    ]
    for value in range(0, full + 1, step):
        y = floor - value * per
        out.append(
            Markup(
                '<path class="rule" d="M{} {:.1f}H{}"/><text class="end" x="{}" y="{:.1f}">{}</text>'
            ).format(left, y, width - 14, left - 5, y + 4, value)
        )
    for k, count in enumerate(counts):
        x = left + k * bar
        if count:
            out.append(
                Markup('<rect class="bar" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
                    x + 1, floor - count * per, bar - 2, count * per
                )
            )
        out.append(
            Markup('<text class="mid" x="{:.1f}" y="{}">{}</text>').format(x, floor + 14, plain(borders[k]))
        )
    out.append(Markup('<text class="mid" x="{:.1f}" y="{}">&#8594;</text>').format(width - 14, floor + 14))
    out.append(
        Markup('<text class="mid" x="{}" y="{}">{}</text><text x="{}" y="10">bursts</text></svg>').format(
            (left + width) / 2, height - 8, escape(axis), 4
        )
    )
    return Markup("").join(out)


def curve_svg(values: Sequence[float], rates: Sequence[float | None], chosen: float, *, axis: str) -> Markup:
    """Episodes per valid hour over one setting, the chosen value marked by a ring and a line.

    Parameters
    ----------
    values, rates
        Settings in rising order, and the rate at each; None where there is none.
    axis
        Name and unit of the setting.
    """
    width, height, left, bottom, top = 420, 216, 40, 44, 16
    known = [(v, r) for v, r in zip(values, rates, strict=True) if r is not None]
    most = max([r for _, r in known], default=1.0) or 1.0
    step = float(next(s / 10 for s in _NICE if most <= 5 * s / 10))
    full = step * math.ceil(most / step - 1e-9)
    low, high = values[0], values[-1]

    def x(value: float) -> float:
        return left + (value - low) / ((high - low) or 1) * (width - left - 14)

    def y(rate: float) -> float:
        return height - bottom - rate / full * (height - top - bottom)

    words = f"Episodes per valid hour over {axis}: from {plain(round(low, 4))} to {plain(round(high, 4))}"
    out = [
        Markup('<svg class="histogram" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
            width, height, words
        )
    ]
    out.extend(
        Markup('<path class="rule" d="M{} {:.1f}H{}"/><text class="end" x="{}" y="{:.1f}">{}</text>').format(
            left, y(k * step), width - 14, left - 5, y(k * step) + 4, plain(round(k * step, 6))
        )
        for k in range(round(full / step) + 1)
    )
    out.extend(
        Markup('<text class="mid" x="{:.1f}" y="{}">{}</text>').format(
            x(value), height - bottom + 14, plain(round(value, 4))
        )
        for value in (low, chosen, high)
    )
    path = "".join(f"{'L' if k else 'M'}{x(v):.1f} {y(r):.1f}" for k, (v, r) in enumerate(known))
    out.append(
        Markup('<path class="chosen" d="M{:.1f} {}V{}"/><path class="curve" d="{}"/>').format(
            x(chosen), top, height - bottom, path
        )
    )
    for value, rate in known:
        if value == chosen:
            out.append(
                Markup('<circle class="ring" cx="{:.1f}" cy="{:.1f}" r="5"/>').format(x(value), y(rate))
            )
    out.append(
        Markup('<text class="mid" x="{}" y="{}">{}</text><text x="{}" y="10">episodes/h</text></svg>').format(
            (left + width) / 2, height - 8, escape(axis), 4
        )
    )
    return Markup("").join(out)
