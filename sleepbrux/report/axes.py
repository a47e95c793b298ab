"""The figure module of all pages: scales, axes, legends and alternative texts, written once as SVG text.

Drawings are as wide in their own units as on the page, or less, so that a tick of 12 units is never smaller
than 11 px: `both` draws a figure for wide and for narrow pages.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from sleepbrux.report import palette
from sleepbrux.report.numbers import plain

WIDE, NARROW = 760.0, 330.0
_NICE = tuple(m * 10.0**e for e in range(-6, 9) for m in (1, 2, 5))


def step_for(span: float, most: int) -> float:
    """Round step that cuts a span into ``most`` parts or fewer.

    Examples
    --------
    >>> step_for(23.0, 5), step_for(0.9, 5)
    (5.0, 0.2)
    """
    return next((s for s in _NICE if span <= most * s * (1 + 1e-9)), _NICE[-1])


@dataclass(frozen=True)
class Scale:
    """From values to units of the drawing.

    Attributes
    ----------
    low, high
        Values at ``start`` and ``stop``.
    logarithmic
        Equal ratios get equal lengths.
    """

    low: float
    high: float
    start: float
    stop: float
    logarithmic: bool = False

    def __call__(self, value: float) -> float:
        """Place of a value, in pixels."""
        low, high = self.low, self.high
        if self.logarithmic:
            low, high, value = math.log(low), math.log(high), math.log(max(value, 1e-12))
        return self.start + (value - low) / ((high - low) or 1.0) * (self.stop - self.start)

    def inside(self, value: float) -> float:
        """As the scale, but never beyond its ends."""
        return self(min(max(value, self.low), self.high))

    def ticks(self, most: int = 5) -> list[float]:
        """Round values on the scale."""
        if self.logarithmic:
            found = [v for v in _NICE if self.low * (1 - 1e-9) <= v <= self.high * (1 + 1e-9)]
            return found if len(found) <= most else [v for v in found if f"{v:.0e}"[0] == "1"] or found[::2]
        step = step_for(self.high - self.low, most)
        first = math.ceil(self.low / step - 1e-9)
        return [round(k * step, 9) + 0.0 for k in range(first, math.floor(self.high / step + 1e-9) + 1)]


@dataclass(frozen=True)
class Drawing:
    """One figure: a frame with two axes, to which marks are added.

    Attributes
    ----------
    alt
        What the figure says, values included, for readers who do not see it.
    left, right, top, bottom
        Room for axes and their titles.
    """

    width: float
    height: float
    alt: str
    left: float = 46.0
    right: float = 14.0
    top: float = 24.0
    bottom: float = 40.0
    parts: list[Markup] = field(default_factory=list)

    def x(self, low: float, high: float, *, logarithmic: bool = False) -> Scale:
        """Horizontal scale over the frame."""
        return Scale(low, high, self.left, self.width - self.right, logarithmic)

    def y(self, low: float, high: float, *, logarithmic: bool = False) -> Scale:
        """Vertical scale over the frame, upwards."""
        return Scale(low, high, self.height - self.bottom, self.top, logarithmic)

    @property
    def floor(self) -> float:
        """Where the frame ends below."""
        return self.height - self.bottom

    def add(self, *parts: Markup) -> None:
        """Add marks."""
        self.parts.extend(parts)

    def text(self, x: float, y: float, words: object, kind: str = "") -> None:
        """Add a text; ``kind`` is ``"mid"`` or ``"end"`` for another anchor."""
        self.add(Markup('<text class="{}" x="{:.1f}" y="{:.1f}">{}</text>').format(kind, x, y, words))

    def line(self, path: str, kind: str) -> None:
        """Add a path of a class."""
        self.add(Markup('<path class="{}" d="{}"/>').format(kind, path))

    def across(self, y: float, kind: str) -> None:
        """Add a horizontal line over the frame."""
        self.line(f"M{self.left:.1f} {y:.1f}H{self.width - self.right:.1f}", kind)

    def upright(self, x: float, kind: str) -> None:
        """Add a vertical line over the frame."""
        self.line(f"M{x:.1f} {self.top:.1f}V{self.floor:.1f}", kind)

    def box(self, x: tuple[float, float], y: tuple[float, float], kind: str) -> None:
        """Add a rectangle between two places on either axis."""
        left, top = min(x), min(y)
        self.add(
            Markup('<rect class="{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
                kind, left, top, max(max(x) - left, 0.5), max(y) - top
            )
        )

    def y_axis(self, scale: Scale, title: str, ticks: Sequence[float] = (), *, most: int = 5) -> None:
        """Lines and numbers of the vertical axis, its title above it."""
        for value in ticks or scale.ticks(most):
            self.across(scale(value), "rule")
            self.text(self.left - 6, scale(value) + 4, _number(value), "end")
        self.text(4, 13, title)

    def x_axis(self, scale: Scale, title: str, ticks: Sequence[float] = (), *, most: int = 6) -> None:
        """Lines and numbers of the horizontal axis, its title below it."""
        for value in ticks or scale.ticks(most):
            self.upright(scale(value), "rule")
            self.text(scale(value), self.floor + 15, _number(value), "mid")
        self.x_title(title)

    def x_title(self, title: str) -> None:
        """Title of the horizontal axis."""
        self.text((self.left + self.width - self.right) / 2, self.height - 5, title, "mid")

    def markup(self, kind: str = "") -> Markup:
        """The figure as an element that may stand in any page."""
        return Markup(
            '<svg class="figure {}" viewBox="0 0 {:g} {:g}" role="img" aria-label="{}">{}</svg>'
        ).format(kind, self.width, self.height, self.alt, Markup("").join(self.parts))


def _number(value: float) -> str:
    return plain(round(value, 6)).replace("-", "−")


def path_of(points: Iterable[tuple[float, float]]) -> str:
    """A line through points."""
    return "".join(f"{'L' if k else 'M'}{x:.1f} {y:.1f}" for k, (x, y) in enumerate(points))


def both(draw: Callable[[float], Markup]) -> Markup:
    """A figure for wide pages and for narrow ones; one of them is shown."""
    return Markup('<div class="on-wide">{}</div><div class="on-narrow">{}</div>').format(
        draw(WIDE), draw(NARROW)
    )


KIND_SHAPES = {
    "phasic": "m-5 4.5l5-9 5 9z",
    "tonic": "m-4.5-4.5h9v9h-9z",
    "mixed": "m-5.5 0l5.5-5.5 5.5 5.5-5.5 5.5z",
    "unclassified": "m-5-2.5h10v5h-10z",
}
CONDITION_SHAPES = (
    "m-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0z",
    "m-6-2h4v-4h4v4h4v4h-4v4h-4v-4h-4z",
    "m0-6.2l1.8 4.1 4.4.4-3.3 3 1 4.3-3.9-2.3-3.9 2.3 1-4.3-3.3-3 4.4-.4z",
    "m-5.6-3.4l2.2-2.2 3.4 3.4 3.4-3.4 2.2 2.2-3.4 3.4 3.4 3.4-2.2 2.2-3.4-3.4-3.4 3.4-2.2-2.2 3.4-3.4z",
    "m-5.5-1.6l5.5-4.2 5.5 4.2-2.1 6.6h-6.8z",
)
CONDITIONS = len([name for name in palette.LIGHT if name[0] == "c" and name[1:].isdigit()])
"""Colours of conditions. Five shapes and eight colours make 40 signs, since the two have no common factor."""


def kind_sign(kind: str, x: float, y: float, *, pale: bool = False) -> Markup:
    """Sign of a kind of episode: its own shape and colour; pale where the episode does not count."""
    shape = KIND_SHAPES.get(kind, KIND_SHAPES["unclassified"])
    return Markup('<path class="k-{}{}" d="M{:.1f} {:.1f}{}"/>').format(
        kind, " faint" if pale else "", x, y, shape
    )


def kind_bar(kind: str, x: float, y: float) -> Markup:
    """A wide episode of a kind as the strip draws it: a box with its stripes."""
    stripes = "M5 3V13M9 3V13M13 3V13" if kind == "phasic" else "M3 13L9 3M8 13L14 3"
    return Markup('<path class="bar-{}" transform="translate({:g} {:g})" d="M1 3H15V13H1Z{}"/>').format(
        kind, x - 8, y - 8, stripes
    )


def condition_sign(k: int, x: float, y: float, *, left_out: bool = False) -> Markup:
    """Sign of a condition: another shape and colour than any kind's; hollow where a night is left out."""
    kind = f"c{k % CONDITIONS}" + (" hollow" if left_out else "")
    return Markup('<path class="{}" d="M{:.1f} {:.1f}{}"/>').format(
        kind, x, y, CONDITION_SHAPES[k % len(CONDITION_SHAPES)]
    )


def legend(items: Iterable[tuple[str, Markup]], label: str) -> Markup:
    """Signs with their words, as a list."""
    rows = Markup("").join(
        Markup('<li><svg viewBox="0 0 16 16" aria-hidden="true">{}</svg> {}</li>').format(sign, words)
        for words, sign in items
    )
    return Markup('<ul class="legend" aria-label="{}">{}</ul>').format(label, rows)


@dataclass(frozen=True)
class Classes:
    """Values in classes of equal width, the last one open.

    Attributes
    ----------
    step, top
        Width of a class, and where the open class begins.
    counts
        One a class, the open one last.
    """

    step: float
    top: float
    counts: tuple[int, ...]

    @classmethod
    def of(cls, values: Sequence[float], step: float, top: float) -> Classes:
        """Count values; one on a border falls into the class above it.

        Examples
        --------
        >>> Classes.of([1.0, 10.0, 19.0, 250.0], 10.0, 20.0).counts
        (1, 2, 1)
        """
        n = round(top / step)
        counts = [0] * (n + 1)
        for value in values:
            counts[min(int(value / step + 1e-9), n)] += 1
        return cls(step, top, tuple(counts))

    @property
    def words(self) -> str:
        """Every class that is not empty, with its count."""
        named = [
            (f"{plain(round(k * self.step, 6))}–{plain(round((k + 1) * self.step, 6))}", n)
            for k, n in enumerate(self.counts[:-1])
        ]
        named.append((f"{plain(self.top)} or more", self.counts[-1]))
        return ", ".join(f"{name}: {n}" for name, n in named if n)


def histogram(
    classes: Classes,
    alt: str,
    *,
    titles: tuple[str, str],
    marks: Sequence[tuple[float, str]] = (),
    highest: float = 0.0,
    kind: str = "bar",
    width: float = NARROW,
) -> Markup:
    """Classes as bars on a true axis.

    Parameters
    ----------
    titles
        Of the vertical and of the horizontal axis.
    marks
        Values with a word, drawn as upright lines.
    highest
        Least end of the vertical axis, so that several figures share it; ``classes`` then are shares in %
        of their sum.
    """
    total = sum(classes.counts) or 1
    heights = [100 * n / total for n in classes.counts] if highest else list(classes.counts)
    d = Drawing(width, 186, alt, left=40, right=10, top=38, bottom=42)
    x, y = d.x(0, classes.top + 2 * classes.step), d.y(0, max([*heights, highest, 1]))
    d.y_axis(y, titles[0], most=4)
    for k, height in enumerate(heights):
        if height:
            begin = k * classes.step + (classes.step if k == len(heights) - 1 else 0)
            d.box((x(begin) + 0.7, x(begin + classes.step) - 0.7), (y(height), d.floor), kind)
    d.across(d.floor, "frame")
    ticks = [v for v in Scale(0, classes.top, 0, 1).ticks(5) if v < classes.top - classes.step]
    for value in ticks:
        d.text(x(value), d.floor + 15, _number(value), "mid")
    d.text(x(classes.top + 1.2 * classes.step), d.floor + 15, f"≥ {_number(classes.top)}", "mid")
    d.x_title(titles[1])
    for k, (value, words) in enumerate(marks):
        at = x(min(value, classes.top + classes.step))
        d.line(f"M{at:.1f} {d.top - 2}V{d.floor:.1f}", "mark")
        right = at > width - 90
        d.text(at + (-4 if right else 4), d.top - 1 + 12 * k, words, "end strong" if right else "strong")
    return d.markup()
