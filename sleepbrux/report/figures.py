"""The figures of one night: the strip for readers without a script, distributions, clock hours, curves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from sleepbrux.report.axes import Classes, Drawing, both, histogram, kind_sign, path_of
from sleepbrux.report.clock_hours import ClockHour, clock_hours, unit_of
from sleepbrux.report.numbers import clock, count_of, plain, seconds_of_day, text
from sleepbrux.report.payload import Strip, excluded
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.night import Night

LANE, GAP, KIND_LANE = 74.0, 18.0, 20.0
BINS = 360


def kinds_of(night: Night) -> tuple[str, ...]:
    """Kinds of episode that the criterion can find."""
    return KINDS[:3] if night.criterion.burst.types else KINDS[3:]


def _hour_ticks(duration_s: float, begin_s: float | None, most: int) -> list[float]:
    step = next(s for s in (60, 300, 900, 3600, 7200, 14400, 28800) if duration_s / s <= most or s == 28800)
    first = -(begin_s or 0.0) % step
    return [first + k * step for k in range(int((duration_s - first) // step) + 1)]


def _lane(d: Drawing, strip: Strip, threshold: float | None, top: float, per_s: float) -> None:
    span = math.log(strip.high / strip.low)

    def height(value: float) -> float:
        return top + LANE * (1 - math.log(max(value, strip.low) / strip.low) / span)

    values = strip.values()
    size = max(-(-len(values) // BINS), 1)
    padded = np.append(values, np.full(-len(values) % size, np.nan)).reshape(-1, size)
    peaks = np.where(~np.isnan(padded), padded, -np.inf).max(axis=1)
    decade = 10.0 ** math.ceil(math.log10(strip.low))
    while decade <= strip.high:
        d.across(height(decade), "rule")
        d.text(d.left - 5, height(decade) + 4, plain(decade), "end")
        decade *= 10
    path, pen = [], "M"
    for k, peak in enumerate(peaks.tolist()):
        if math.isfinite(peak):
            x = d.left + (k + 0.5) * size * strip.step_s * per_s
            path.append(f"{pen}{x:.1f} {height(peak):.1f}")
        pen = "L" if math.isfinite(peak) else "M"
    d.line("".join(path), "trace")
    if threshold is not None and strip.low < threshold < strip.high:
        d.across(height(threshold), "limit")


def overview(night: Night, scale: tuple[Strip, ...]) -> Markup:
    """The whole night in one static drawing."""
    return both(lambda width: _overview(night, scale, width))


def _overview(night: Night, scale: tuple[Strip, ...], width: float) -> Markup:
    duration, begin = night.swept.duration_s, seconds_of_day(night.swept.start_clock)
    kinds, n = kinds_of(night), len(night.selection.episodes)
    lanes_end = 8 + len(scale) * (LANE + GAP)
    d = Drawing(
        width,
        lanes_end + len(kinds) * KIND_LANE + 30,
        f"The night: envelope on a logarithmic axis of {count_of(len(scale), 'channel')}, "
        f"{count_of(n, 'counted episode')} below",
        left=76,
        right=10,
        top=8,
        bottom=24,
    )
    per_s = (width - d.left - d.right) / max(duration, 1e-9)
    x = d.x(0, duration)
    d.box((x(0), x(duration)), (d.top, d.floor), "outside")
    for a, b in night.window.spans_s:
        d.box((x(a), x(b)), (d.top, d.floor), "window")
    for second in _hour_ticks(duration, begin, 9 if width > 500 else 4):
        d.upright(x(second), "rule")
        d.text(x(second), d.height - 8, clock(second, begin)[:-3], "mid")
    for k, (strip, frames) in enumerate(zip(scale, night.swept.frames, strict=True)):
        top = d.top + GAP + k * (LANE + GAP)
        label, unit = frames.channel.label, frames.channel.unit
        for channel, _, a, b in excluded(night.quality):
            if channel == k and (b - a) * per_s >= 1:
                d.box((x(a), x(b)), (top, top + LANE), "out")
        _lane(d, strip, night.threshold_uv.get(label), top, per_s)
        d.text(d.left + 4, top - 4, f"{label}, {'µV' if unit == 'uV' else unit}, logarithmic")
    counted, slot = set(night.selection.episodes.tolist()), float(night.episodes.grid.slot_s)
    for row, kind in enumerate(kinds):
        y = lanes_end + row * KIND_LANE + KIND_LANE / 2
        d.text(d.left - 5, y + 4, kind, "end")
        for i in np.flatnonzero(night.episodes.kind == KINDS.index(kind)).tolist():
            d.add(kind_sign(kind, x(int(night.episodes.starts[i]) * slot), y, pale=i not in counted))
    d.line(f"M{d.left} {d.top}H{width - d.right}V{d.floor}H{d.left}z", "frame")
    return d.markup("overview")


def _marks(values: NDArray[np.float64], unit: str) -> list[tuple[float, str]]:
    middle = float(np.median(values))
    return [(middle, f"median {text(middle, unit)}")]


def _amplitudes(values: NDArray[np.float64], unit: str, step: float, top: float) -> Markup:
    classes = Classes.of(values.tolist(), step, top)
    low, middle, high = (float(v) for v in np.percentile(values, (5, 50, 95)))
    alt = (
        f"Peaks of {count_of(len(values), 'burst')} in counted episodes, {unit}: median {text(middle, unit)}, "
        f"5–95 %: {text(low, unit)}–{text(high, unit)}. {classes.words}"
    )
    return histogram(
        classes, alt, titles=("bursts", f"peak of the burst, {unit}"), marks=_marks(values, unit)
    )


def _durations(values: NDArray[np.float64], night: Night) -> Markup:
    classes = Classes.of(values.tolist(), 0.25, 5.0)
    alt = (
        f"Durations of {count_of(len(values), 'burst')} in counted episodes, s: median "
        f"{text(float(np.median(values)), 's')}. {classes.words}"
    )
    marks = _marks(values, "s")
    if night.criterion.burst.types:
        limit = night.criterion.burst.phasic_maximum_s
        marks.append((limit, f"tonic above {plain(limit)} s"))
    return histogram(classes, alt, titles=("bursts", "duration of the burst, s"), marks=marks)


def distributions(night: Night) -> list[tuple[str, Markup]]:
    """Title and figure of how strong and how long the bursts of counted episodes were."""
    merged, of = night.merged, night.episodes.of_burst
    index = night.selection.bursts[of[night.selection.bursts] >= 0]
    if not len(index):
        return []
    seconds = ((merged.stops - merged.starts)[index] * float(merged.grid.slot_s)).astype(np.float64)
    pct = merged.peak_pct_mvc[index].astype(np.float64)
    uv = merged.peak_uv[index].astype(np.float64)
    # the mean of channels is scored in % MVC, or in a unit of no name
    in_uv = merged.labels == tuple(f.channel.label for f in night.swept.frames)
    figures = []
    if (known := pct[~np.isnan(pct)]).size:
        figures.append(("How strong", _amplitudes(known, "% MVC", 10.0, 200.0)))
    elif in_uv and (known := uv[~np.isnan(uv)]).size:
        step = float(10.0 ** math.floor(math.log10(max(float(known.max()), 1e-9)))) / 2
        top = step * math.ceil(float(np.percentile(known, 98)) / step + 1)
        figures.append(("How strong", _amplitudes(known, unit_of(night), step, top)))
    return [*figures, ("How long", _durations(seconds, night))]


def hours_figure(night: Night) -> Markup:
    """Counted episodes by clock hour, stacked by kind; an hour that could be scored in part says so."""
    hours, kinds = clock_hours(night), kinds_of(night)
    known = [h for h in hours if h.valid_minutes > 0]
    d = Drawing(330, 186, _hours_alt(known, kinds), left=30, right=10, top=38, bottom=42)
    if not known:
        d.text(d.left, 80, "no time could be scored")
        return d.markup()
    x = d.x(0, len(known))
    y = d.y(0, max([sum(h.counts) for h in known] + [1]))
    d.y_axis(y, "episodes that began in the hour; below: min scored", most=4)
    for k, hour in enumerate(known):
        top = 0
        for kind, count in zip(kinds, hour.counts, strict=True):
            if count:
                d.box((x(k) + 2, x(k + 1) - 2), (y(top), y(top + count)), f"k-{kind} stacked")
                top += count
        middle = (x(k) + x(k + 1)) / 2
        if top:
            d.text(middle, y(top) - 4, top, "mid strong")
        wide = len(known) <= 10
        d.text(middle, d.floor + 14, hour.name if wide or k % 2 == 0 else "", "mid")
        d.text(middle, d.floor + 28, f"{hour.valid_minutes:.0f}" if wide or k % 2 == 0 else "", "mid")
    d.across(d.floor, "frame")
    return d.markup()


def _hours_alt(hours: Sequence[ClockHour], kinds: Sequence[str]) -> str:
    said = "; ".join(
        f"{h.span}: {sum(h.counts)} in {h.valid_minutes:.0f} min scored"
        + "".join(f", {n} {kind}" for kind, n in zip(kinds, h.counts, strict=True) if n)
        for h in hours
    )
    return f"Counted episodes by clock hour. {said or 'No time could be scored'}"


def curve_svg(values: Sequence[float], rates: Sequence[float | None], chosen: float, *, axis: str) -> Markup:
    """Episodes per valid hour over one setting, the value of this night's rules marked.

    Parameters
    ----------
    values, rates
        Settings in rising order, and the rate at each; None where there is none.
    axis
        Name and unit of the setting.
    """
    known = [(v, r) for v, r in zip(values, rates, strict=True) if r is not None]
    said = ", ".join(f"{plain(round(v, 4))}: {text(r, '1/h')}" for v, r in known)
    words = f"Episodes per valid hour over {axis}: from {plain(round(values[0], 4))} to {plain(round(values[-1], 4))}"
    words += f". {said}" if said else ". No rate is known"
    d = Drawing(330, 190, words, left=40)
    x, y = d.x(values[0], values[-1]), d.y(0, max([r for _, r in known], default=1.0) or 1.0)
    d.y_axis(y, "episodes per hour", most=4)
    d.x_axis(x, axis, most=5)
    d.upright(x(chosen), "mark")
    d.line(path_of((x(v), y(r)) for v, r in known), "curve")
    for value, rate in known:
        if value == chosen:
            d.add(Markup('<circle class="spot" cx="{:.1f}" cy="{:.1f}" r="4.5"/>').format(x(value), y(rate)))
    return d.markup()
