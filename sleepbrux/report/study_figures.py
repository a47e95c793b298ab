"""Drawings of a study: nights by condition, ratios with intervals, distributions that lie over each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from markupsafe import Markup

from sleepbrux.analysis.comparison.model import Comparison, CountedNight
from sleepbrux.analysis.comparison.rules import MARGIN_HIGH, MARGIN_LOW
from sleepbrux.analysis.comparison.spreads import BORDERS, NightSpread, QuantileBand
from sleepbrux.analysis.planning import Plan
from sleepbrux.report.numbers import plain

_NICE = [m * 10.0**e for e in range(-3, 6) for m in (1, 2, 5)]
CONDITIONS_DRAWN = 5


def sign(k: int, x: float, y: float, *, apart: bool = False) -> Markup:
    """Sign of a condition: each has its own shape and colour; hollow where a night stands apart."""
    a, b = f"{x:.1f}", f"{y:.1f}"
    shape = (
        f"M{a} {b}m-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0z",
        f"M{a} {b}m-4.6-4.6h9.2v9.2h-9.2z",
        f"M{a} {b}m-5.4 4.6l5.4-9.8 5.4 9.8z",
        f"M{a} {b}m-6 0l6-6 6 6-6 6z",
        f"M{a} {b}m-6-2h4v-4h4v4h4v4h-4v4h-4v-4h-4z",
    )[k % CONDITIONS_DRAWN]
    kind = f"c{k % CONDITIONS_DRAWN}" + (" apart" if apart else "")
    return Markup('<path class="{}" d="{}"/>').format(kind, shape)


def _open(width: float, height: float, words: str) -> Markup:
    return Markup('<svg class="histogram" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
        width, height, words
    )


def _text(x: float, y: float, words: object, kind: str = "") -> Markup:
    return Markup('<text class="{}" x="{:.1f}" y="{:.1f}">{}</text>').format(kind, x, y, words)


def _line(path: str, kind: str) -> Markup:
    return Markup('<path class="{}" d="{}"/>').format(kind, path)


def _step(most: float) -> float:
    return next((s for s in _NICE if most <= 6 * s), most or 1.0)


def nights_svg(comparison: Comparison, unit: str) -> Markup:
    """Every night in order of time, its sign by condition, the mean rate of each condition as a line."""
    apart = {a.night.id for a in comparison.apart}
    nights = _in_order(comparison)
    known = [n.rate for n in nights if n.rate is not None]
    width, height, left, top, bottom = 900, 300, 52, 22, 46
    step = _step(max(known, default=1.0) or 1.0)
    full = step * math.ceil(max(known, default=1.0) / step - 1e-9) or step
    per = (width - left - 12) / max(len(nights), 1)

    def y(rate: float) -> float:
        return height - bottom - rate / full * (height - top - bottom)

    out = [_open(width, height, f"{comparison.outcome}, {len(nights)} nights in order of time")]
    for k in range(round(full / step) + 1):
        out += [
            _line(f"M{left} {y(k * step):.1f}H{width - 12}", "rule"),
            _text(left - 6, y(k * step) + 4, plain(round(k * step, 6)), "end"),
        ]
    for c, condition in enumerate(comparison.conditions):
        group = [n for n in comparison.nights if n.condition == condition]
        hours = sum(n.hours for n in group)
        if hours > 0:
            mean = sum(n.events for n in group) / hours
            out.append(_line(f"M{left} {y(mean):.1f}H{width - 12}", f"mean l{c % CONDITIONS_DRAWN}"))
    for k, n in enumerate(nights):
        x = left + (k + 0.5) * per
        words = n.date.strftime("%d %b") if n.date else str(k + 1)
        out.append(_text(x, height - bottom + 16, words, "mid"))
        if n.rate is not None:
            c = comparison.conditions.index(n.condition)
            out.append(sign(c, x, y(n.rate), apart=n.id in apart))
    out += [_text(4, 12, unit), _text((left + width) / 2, height - 8, "night", "mid")]
    return Markup("").join([*out, Markup("</svg>")])


def _in_order(comparison: Comparison) -> list[CountedNight]:
    """Compared and apart nights in order of time."""
    nights = [*(a.night for a in comparison.apart), *comparison.nights]
    if all(n.date is not None for n in nights):
        return sorted(nights, key=lambda n: (n.date, n.id))
    return nights


def forest_svg(rows: Sequence[tuple[str, float, float, float]], *, axis: str) -> Markup:
    """Ratios with intervals on a logarithmic axis; the band is the pre-set margin.

    Parameters
    ----------
    rows
        Name, ratio, and both ends of its interval.
    """
    width, left, row = 900, 330, 30
    height = 30 + row * len(rows) + 40
    low = min(0.5, *(r[2] for r in rows)) * 0.9
    high = max(2.0, *(r[3] for r in rows)) * 1.1
    low, high = max(low, 0.02), min(high, 50.0)

    def x(value: float) -> float:
        inside = min(max(value, low), high)
        return left + math.log(inside / low) / math.log(high / low) * (width - left - 20)

    floor = 30 + row * len(rows)
    words = "; ".join(f"{n}: {v:.2f} ({a:.2f} to {b:.2f})" for n, v, a, b in rows)
    out = [_open(width, height, words)]
    out.append(
        Markup('<rect class="margin" x="{:.1f}" y="20" width="{:.1f}" height="{}"/>').format(
            x(MARGIN_LOW.value), x(MARGIN_HIGH.value) - x(MARGIN_LOW.value), floor - 20
        )
    )
    out.append(_line(f"M{x(1):.1f} 20V{floor}", "one"))
    for value in (0.05, 0.1, 0.25, 0.5, 0.75, 1, 1.33, 2, 4, 10, 20):
        if low <= value <= high:
            out += [
                _line(f"M{x(value):.1f} {floor}v5", "rule"),
                _text(x(value), floor + 18, plain(value), "mid"),
            ]
    for k, (name, value, a, b) in enumerate(rows):
        y = 34 + k * row
        out += [
            _text(left - 12, y + 4, name, "end"),
            _line(f"M{x(a):.1f} {y}H{x(b):.1f}M{x(a):.1f} {y - 5}v10M{x(b):.1f} {y - 5}v10", "interval-line"),
            Markup('<circle class="point" cx="{:.1f}" cy="{}" r="4.5"/>').format(x(value), y),
        ]
    out.append(_text((left + width) / 2, height - 4, axis, "mid"))
    return Markup("").join([*out, Markup("</svg>")])


def overlay_svg(nights: Sequence[NightSpread], conditions: Sequence[str], *, axis: str) -> Markup:
    """Distributions over each other: a thin line a night, a thick one for the mean of a condition.

    Each line is the share of that night's events in each class, so that nights with many events weigh no
    more than others.
    """
    borders = BORDERS[nights[0].quantity] if nights else (1.0, 2.0)
    shares = {
        n.id: [100 * c / n.n for c in n.counts] for n in nights if n.n > 0
    }  # one night may have nothing
    most = max((max(s) for s in shares.values()), default=1.0)
    width, height, left, top, bottom = 440, 260, 42, 20, 46
    step = _step(most)
    full = step * math.ceil(most / step - 1e-9)

    def x(value: float) -> float:
        return left + math.log(value / borders[0]) / math.log(borders[-1] / borders[0]) * (width - left - 12)

    def y(share: float) -> float:
        return height - bottom - share / full * (height - top - bottom)

    out = [_open(width, height, f"Share of events by {axis}, one line a night, thick lines by condition")]
    for k in range(round(full / step) + 1):
        out += [
            _line(f"M{left} {y(k * step):.1f}H{width - 12}", "rule"),
            _text(left - 5, y(k * step) + 4, plain(round(k * step, 6)), "end"),
        ]
    for value in _ticks(borders[0], borders[-1]):
        out.append(_text(x(value), height - bottom + 15, plain(value), "mid"))
    for n in nights:
        if n.id in shares:
            c = conditions.index(n.condition) % CONDITIONS_DRAWN
            out.append(_line(_steps(borders, shares[n.id], x, y), f"night l{c}"))
    for c, condition in enumerate(conditions):
        own = [shares[n.id] for n in nights if n.condition == condition and n.id in shares]
        if own:
            mean = [sum(v) / len(own) for v in zip(*own, strict=True)]
            out.append(_line(_steps(borders, mean, x, y), f"mean-of l{c % CONDITIONS_DRAWN}"))
    out += [
        _text(4, 11, "% of the night's events"),
        _text((left + width) / 2, height - 8, axis, "mid"),
    ]
    return Markup("").join([*out, Markup("</svg>")])


def _ticks(low: float, high: float) -> list[float]:
    return [v for v in _NICE if low <= v <= high]


def _steps(
    borders: Sequence[float],
    values: Sequence[float],
    x: Callable[[float], float],
    y: Callable[[float], float],
) -> str:
    path = []
    for k, value in enumerate(values):
        path.append(f"{'L' if k else 'M'}{x(borders[k]):.1f} {y(value):.1f}H{x(borders[k + 1]):.1f}")
    return "".join(path)


def power_svg(plans: Sequence[Plan]) -> Markup:
    """Chance of telling over nights in each condition, one curve a planned change."""
    width, height, left, top, bottom = 900, 280, 52, 20, 46
    most = max(p.points[-1].nights for p in plans)
    low = min(p.points[0].nights for p in plans)

    def x(n: float) -> float:
        return left + (n - low) / max(most - low, 1) * (width - left - 150)

    def y(power: float) -> float:
        return height - bottom - power * (height - top - bottom)

    words = "; ".join(f"ratio {p.ratio:g}: {p.needed_text}" for p in plans)
    out = [_open(width, height, f"Chance of telling by nights in each condition. {words}")]
    for k in range(6):
        out += [
            _line(f"M{left} {y(k / 5):.1f}H{width - 150}", "rule"),
            _text(left - 6, y(k / 5) + 4, f"{20 * k}", "end"),
        ]
    step = max(math.ceil((most - low) / 10), 1)
    out += [_text(x(n), height - bottom + 16, n, "mid") for n in range(low, most + 1, step)]
    for k, p in enumerate(plans):
        path = "".join(
            f"{'L' if i else 'M'}{x(q.nights):.1f} {y(q.power):.1f}" for i, q in enumerate(p.points)
        )
        last = p.points[-1]
        out += [
            _line(path, f"mean-of l{k}"),
            _text(x(last.nights) + 8, y(last.power) + 4, f"to {p.ratio:g} times"),
        ]
    out.append(_line(f"M{left} {y(plans[0].power):.1f}H{width - 150}", "one"))
    out += [
        _text(4, 11, "chance of telling, %"),
        _text((left + width - 150) / 2, height - 8, "nights in each condition", "mid"),
    ]
    return Markup("").join([*out, Markup("</svg>")])


def band_svg(band: QuantileBand) -> Markup:
    """Ratio over the percentiles of a night on a logarithmic axis, with its simultaneous band."""
    width, height, left, top, bottom = 900, 240, 52, 20, 40
    reach = max(1.5, *(max(v, 1 / v) for v in (*band.lows, *band.highs)))
    most = math.log(min(reach, 16.0))

    def x(level: float) -> float:
        return left + (level - 0.1) / 0.8 * (width - left - 60)

    def y(ratio: float) -> float:
        part = min(max(math.log(ratio) / most, -1.0), 1.0)
        return top + (1 - part) / 2 * (height - top - bottom)

    shown = ", ".join(
        f"percentile {100 * q:.0f}: {r:.2f} ({low:.2f} to {high:.2f})"
        for q, r, low, high in zip(band.levels, band.ratios, band.lows, band.highs, strict=True)
    )
    out = [_open(width, height, f"Ratio of peaks, {band.condition} to {band.against}. {shown}")]
    upper = "L".join(f"{x(q):.1f} {y(v):.1f}" for q, v in zip(band.levels, band.highs, strict=True))
    lower = "L".join(
        f"{x(q):.1f} {y(v):.1f}" for q, v in reversed([*zip(band.levels, band.lows, strict=True)])
    )
    middle = "L".join(f"{x(q):.1f} {y(v):.1f}" for q, v in zip(band.levels, band.ratios, strict=True))
    out += [
        _line(f"M{upper}L{lower}Z", "margin"),
        _line(f"M{left} {y(1):.1f}H{width - 60}", "one"),
        _line(f"M{middle}", "mean-of l1"),
    ]
    for value in (0.25, 0.5, 0.75, 1, 4 / 3, 2, 4):
        if abs(math.log(value)) <= most:
            out.append(_text(left - 6, y(value) + 4, f"{value:.2g}", "end"))
    out += [_text(x(q), height - bottom + 16, f"{100 * q:.0f}", "mid") for q in band.levels]
    out += [
        _text(4, 11, f"ratio of peaks ({band.unit})"),
        _text(width / 2, height - 8, "percentile of a night's bursts", "mid"),
    ]
    return Markup("").join([*out, Markup("</svg>")])
