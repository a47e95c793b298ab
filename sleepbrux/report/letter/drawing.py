"""The figure of a letter: nights by condition with their intervals, or the strip of one night.

Plain SVG, the same in the PDF and in the HTML letter. Black, grey and one accent; every curve and axis is
labelled where it is. Hollow means one thing: left out of the comparison.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from markupsafe import escape

from sleepbrux.report.numbers import listed, plain, text
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.night import Night

WIDTH, PHONE = 560, 340
INK, GREY, PALE, ACCENT = "#1b1f23", "#5b636b", "#d5dade", "#1c4a5b"
FONT = "Libertinus Serif, Georgia, serif"
NAME_LINE = 24
SHOWN_KINDS = ("phasic", "tonic", "mixed")
STEPS = [m * 10.0**e for e in range(-2, 5) for m in (1, 2, 5)]


@dataclass(frozen=True)
class Figure:
    """A drawing with the words that stand in for it.

    Attributes
    ----------
    svg, alt, caption
        The drawing, its values in words, and how to read it.
    narrow
        The same drawing for a telephone.
    """

    svg: str
    alt: str
    caption: str
    narrow: str = ""


@dataclass(frozen=True)
class Dot:
    """One night of a figure: its rate, its interval where there is one, and whether it was left out."""

    rate: float
    low: float | None = None
    high: float | None = None
    left_out: bool = False


@dataclass(frozen=True)
class Group:
    """Nights under one condition, in order of time, and their rate together."""

    name: str
    dots: tuple[Dot, ...]
    rate: float | None


def _words(
    x: float, y: float, words: str, *, anchor: str = "start", fill: str = INK, bold: bool = False
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}"{weight}>{escape(words)}</text>'
    )


def _line(x: float, y: float, to_x: float, to_y: float, colour: str = GREY, width: float = 1) -> str:
    return (
        f'<path d="M{x:.1f} {y:.1f}L{to_x:.1f} {to_y:.1f}" stroke="{colour}" stroke-width="{width:g}" '
        'fill="none"/>'
    )


def _svg(height: float, parts: Sequence[str], alt: str, width: float = WIDTH) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:.0f}" role="img" '
        f'aria-label="{escape(alt)}" font-family="{FONT}" font-size="11">{"".join(parts)}</svg>'
    )


def _axis(most: float) -> tuple[float, float]:
    """Distance of ticks and end of an axis from 0 that holds ``most``."""
    step = next((s for s in STEPS if most <= 6 * s), most or 1.0)
    return step, max(step * math.ceil(most / step - 1e-9), step)


def _name(name: str, x: float, y: float) -> Iterator[str]:
    """A name that ends at ``x``, around the height ``y``, on two lines where it is long."""
    lines = textwrap.wrap(name, NAME_LINE, max_lines=2, placeholder="…") or [""]
    for k, line in enumerate(lines):
        yield _words(x, y + 4 + 12 * (k - (len(lines) - 1) / 2), line, anchor="end", bold=True)


def nights_figure(groups: Sequence[Group]) -> Figure | None:
    """Nights by condition on one axis; None without a rate."""
    dots = [dot for group in groups for dot in group.dots]
    if not dots:
        return None
    alt = f"Episodes per hour of each night, in order of time. {' '.join(map(_group_words, groups))}"
    caption = (
        "One dot a night, in order of time, with its 95 % interval. Bar and number: all nights together."
    )
    if any(d.left_out for d in dots):
        caption += " Hollow: left out of the comparison."
    return Figure(_nights(groups, dots, alt, WIDTH), alt, caption, _nights(groups, dots, alt, PHONE))


def _nights(groups: Sequence[Group], dots: Sequence[Dot], alt: str, width: float) -> str:
    """`nights_figure` of one width; on a telephone the names stand above the nights."""
    wide = width == WIDTH
    left, right, top, head = (158, 44, 6, 0.0) if wide else (8, 40, 2, 19.0)
    reach = max(*(d.rate for d in dots), *(min(d.high or 0.0, 2.5 * (d.rate + 1)) for d in dots))
    step, end = _axis(reach)
    row = min(8.0, max(2.2, 120 / len(dots)))
    y, bands = float(top), list[str]()

    def x(value: float) -> float:
        return left + min(value, end) / end * (width - left - right)

    for group in groups:
        height = max(row * len(group.dots) + 8, 28)
        if wide:
            bands += _name(group.name, 150, y + height / 2)
        else:
            bands.append(_words(left, y + 14, textwrap.shorten(group.name, 48, placeholder="…"), bold=True))
        bands += _band(group, y + head, height, row, x, width)
        y += head + height
        bands.append(_line(left, y, width - right, y, PALE))
    ticks = [k * step for k in range(round(end / step) + 1)]
    grid = [_line(x(t), top, x(t), y + 4, PALE) for t in ticks]
    axis = [_words(x(t), y + 15, plain(round(t, 6)), anchor="middle", fill=GREY) for t in ticks]
    axis.append(_words((left + width - right) / 2, y + 28, "episodes per hour", anchor="middle", fill=GREY))
    return _svg(y + 32, [*grid, *bands, *axis], alt, width)


def _band(
    group: Group, y: float, height: float, row: float, at: Callable[[float], float], width: float
) -> Iterator[str]:
    """Nights of one condition, and their rate together as a bar with its number."""
    if group.rate is not None:
        yield _line(at(group.rate), y + 2, at(group.rate), y + height - 2, ACCENT, 2.4)
        yield _words(width - 36, y + height / 2 + 4, text(group.rate, "1/h"), fill=ACCENT, bold=True)
    for k, dot in enumerate(group.dots):
        middle = y + 4 + (k + 0.5) * row + (height - 8 - row * len(group.dots)) / 2
        if dot.low is not None and dot.high is not None:
            yield _line(at(dot.low), middle, at(dot.high), middle, GREY, 0.9)
        fill = "#ffffff" if dot.left_out else INK
        size = min(2.9, max(1.3, row / 2.4))
        yield (
            f'<circle cx="{at(dot.rate):.1f}" cy="{middle:.1f}" r="{size:.1f}" fill="{fill}" '
            f'stroke="{INK}" stroke-width="1"/>'
        )


def _group_words(group: Group) -> str:
    rates = ", ".join(
        text(d.rate, "1/h") + (" (left out of the comparison)" if d.left_out else "") for d in group.dots
    )
    whole = f"; together {text(group.rate, '1/h')}" if group.rate is not None else ""
    return f"{group.name}: {rates or 'no rate'}{whole}."


def strip_figure(night: Night) -> Figure | None:
    """Counted episodes of one night over clock time, a row for each kind; None without time in the window."""
    window = night.selection.window
    if not len(window):
        return None
    rows = _rows(night)
    counts = listed([f"{len(spans)} {name}" for name, spans in rows])
    alt = f"Episodes of the night over time: {counts}. {_hour_words(night)}"
    caption = "Each bar is an episode. Grey: time that could not be scored."
    if night.swept.start_clock is None:
        caption += " Hours and minutes from the start of the recording."
    return Figure(_strip(night, rows, alt, WIDTH), alt, caption, _strip(night, rows, alt, PHONE))


def _strip(
    night: Night, rows: Sequence[tuple[str, list[tuple[float, float]]]], alt: str, width: float
) -> str:
    """`strip_figure` of one width."""
    window = night.selection.window
    grid = window.grid
    begin, stop = grid.seconds(int(window.starts[0])), grid.seconds(int(window.stops[-1]))
    left, top, row = 74, 8, 17
    right = width - 12

    def x(second: float) -> float:
        return left + (min(max(second, begin), stop) - begin) / (stop - begin) * (right - left)

    bottom = top + row * len(rows)
    parts = [
        f'<rect x="{x(a):.1f}" y="{top}" width="{max(x(b) - x(a), 0.4):.1f}" height="{bottom - top}" '
        f'fill="{PALE}"/>'
        for a, b in _lost(night)
    ]
    for k, (name, spans) in enumerate(rows):
        y = top + k * row
        parts.append(_words(left - 6, y + 12.5, f"{name} {len(spans)}", anchor="end"))
        parts.append(_line(left, y + row, right, y + row, PALE))
        parts += [
            f'<rect x="{x(a):.1f}" y="{y + 3}" width="{max(x(b) - x(a), 1.1):.1f}" height="{row - 6}" '
            f'fill="{INK}"/>'
            for a, b in spans
        ]
    for second, words in _ticks(night, begin, stop, most=10 if width == WIDTH else 5):
        parts += [
            _line(x(second), bottom, x(second), bottom + 4),
            _words(x(second), bottom + 15, words, anchor="middle", fill=GREY),
        ]
    return _svg(bottom + 20, parts, alt, width)


def _rows(night: Night) -> list[tuple[str, list[tuple[float, float]]]]:
    """A row for each kind of episode, with its stretches in seconds."""
    table, selection = night.episodes, night.selection.episodes
    spans = [
        (
            table.grid.seconds(int(table.starts[k])),
            table.grid.seconds(int(table.stops[k])),
            int(table.kind[k]),
        )
        for k in selection
    ]
    if not night.criterion.burst.types:
        return [("episodes", [(a, b) for a, b, _ in spans])]
    rows = [(name, [(a, b) for a, b, kind in spans if kind == k]) for k, name in enumerate(KINDS)]
    counted = [name for name in SHOWN_KINDS if night.measures[f"{name}_episodes_per_hour"].value is not None]
    return [(name, found) for name, found in rows if found or name in counted]


def _lost(night: Night) -> Iterator[tuple[float, float]]:
    lost = night.selection.window - night.selection.valid
    for a, b in zip(lost.starts, lost.stops, strict=True):
        yield lost.grid.seconds(int(a)), lost.grid.seconds(int(b))


def _ticks(night: Night, begin: float, stop: float, *, most: int) -> Iterator[tuple[float, str]]:
    """Whole hours, or parts of one in a short window, by the clock where it is known."""
    clock = night.swept.start_clock
    zero = clock.hour * 3600 + clock.minute * 60 + clock.second if clock else 0
    step = next(s for s in (60, 300, 900, 3600, 7200, 14400, 86400) if stop - begin <= most * s or s == 86400)
    for k in range(math.ceil((begin + zero) / step), math.floor((stop + zero) / step) + 1):
        minutes = k * step // 60
        hour = minutes // 60 % 24 if clock else minutes // 60
        yield k * step - zero, f"{hour:02d}:{minutes % 60:02d}" if clock else f"+{hour}:{minutes % 60:02d}"


def _hour_words(night: Night) -> str:
    """How many episodes began in each hour of the window."""
    from sleepbrux.scoring.distributions import details

    parts = details(night).by_hour
    return f"By hour of the window: {', '.join(str(p.episode_count) for p in parts)}." if parts else ""
