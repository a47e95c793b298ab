"""Figures of a study: nights as strips by date, rates with intervals, ratios, distributions by condition."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from markupsafe import Markup

from sleepbrux.analysis.comparison.model import Comparison, CountedNight
from sleepbrux.analysis.comparison.records import NightStrip
from sleepbrux.analysis.comparison.rules import MARGIN_HIGH, MARGIN_LOW
from sleepbrux.analysis.comparison.spreads import BORDERS, NightSpread, QuantileBand
from sleepbrux.analysis.planning import Plan
from sleepbrux.report.axes import CONDITIONS, WIDE, Drawing, Scale, both, condition_sign, path_of
from sleepbrux.report.numbers import clock, count_of, plain, text
from sleepbrux.report.wording import condition_words

MOST_SHOWN = 26


def _day(day: date | None, k: int) -> str:
    return f"{day.day} {day:%b}" if day else f"no. {k + 1}"


def in_order(comparison: Comparison) -> list[CountedNight]:
    """Nights that were compared and those left out, in order of time."""
    nights = [*(a.night for a in comparison.apart), *comparison.nights]
    if all(n.date is not None for n in nights):
        return sorted(nights, key=lambda n: (n.date, n.id))
    return nights


def strips_figure(comparison: Comparison, strips: Sequence[NightStrip]) -> Markup:
    """Every night as a strip under the one before, by date: its episodes, and time that was lost."""
    return both(lambda width: _strips(comparison, strips, width))


def _strips(comparison: Comparison, strips: Sequence[NightStrip], width: float) -> Markup:
    left_out = {a.night.id for a in comparison.apart}
    known = {n.id: n for n in in_order(comparison)}
    shown = [s for s in strips if s.id in known]
    wide, row = width == WIDE, 17.0
    said = "; ".join(
        f"{_day(known[s.id].date, k)}, {condition_words(s.condition)}: {len(s.onsets_s)} episodes in "
        f"{s.valid_hours:.1f} h"
        for k, s in enumerate(shown)
    )
    d = Drawing(
        width,
        40 + row * len(shown) + 34,
        f"Nights by date. {said}",
        left=86,
        right=64 if wide else 38,
        top=36,
    )
    begins = [s.begin_s or 0.0 for s in shown]
    # the day before has hours below 0, so that nights on either side of midnight lie side by side
    firsts = [(b + 43200) % 86400 - 43200 for b in begins]
    low = min((f + s.spans_s[0][0] for f, s in zip(firsts, shown, strict=True) if s.spans_s), default=0.0)
    high = max(
        (f + s.spans_s[-1][1] for f, s in zip(firsts, shown, strict=True) if s.spans_s), default=3600.0
    )
    low, high = low // 3600 * 3600, -(-high // 3600) * 3600
    x = d.x(low, high)
    bottom = d.top + row * len(shown)
    clocks = all(s.begin_s is not None for s in shown)
    title = "clock time" if clocks else "hours from the start"
    for hour in range(int(low), int(high) + 1, 3600 if wide else 7200):
        d.line(f"M{x(hour):.1f} {d.top}V{bottom:.1f}", "rule")
        for place in (d.top - 5, bottom + 15):
            words = clock(hour - low, low % 86400)[:-3] if clocks else plain(hour // 3600)
            d.text(x(hour), place, words, "mid")
    for k, (strip, first) in enumerate(zip(shown, firsts, strict=True)):
        c, y = comparison.conditions.index(strip.condition), d.top + row * k
        d.text(d.left - 22, y + 12, _day(known[strip.id].date, k), "end")
        d.add(condition_sign(c, d.left - 11, y + 8, left_out=strip.id in left_out))
        for a, b in strip.spans_s:
            d.box((x(first + a), x(first + b)), (y + 2, y + row - 3), "lost")
        for a, b in strip.valid_s:
            d.box((x(first + a), x(first + b)), (y + 2, y + row - 3), "valid")
        ticks = "".join(f"M{x(first + t):.1f} {y + 2:.1f}v{row - 5}" for t in strip.onsets_s)
        d.line(ticks or "M0 0", f"tick l{c % CONDITIONS}")
        rate = known[strip.id].rate
        d.text(width - 4, y + 12, text(rate, "1/h"), "end strong")
    d.text(width - 4, 13, "per hour" if wide else "/h", "end")
    d.text(4, d.top - 5, "night")
    for place in (13, bottom + 31):
        d.text((d.left + width - d.right) / 2, place, title, "mid")
    return d.markup()


def rates_figure(comparison: Comparison) -> Markup:
    """The rate of every night in order of time with its interval; the rate of each condition as a line."""
    return both(lambda width: _rates(comparison, width))


def _rates(comparison: Comparison, width: float) -> Markup:
    left_out = {a.night.id for a in comparison.apart}
    nights = in_order(comparison)
    ends = {n.id: n.interval for n in nights if n.interval is not None}
    most = max([*(n.rate or 0.0 for n in nights), *(h for _, h in ends.values()), 1e-6])
    said = "; ".join(
        f"{_day(n.date, k)}, {condition_words(n.condition)}: {text(n.rate, '1/h')}"
        + (f" ({text(ends[n.id][0], '1/h')}–{text(ends[n.id][1], '1/h')})" if n.id in ends else "")
        for k, n in enumerate(nights)
    )
    wide = width == WIDE
    d = Drawing(width, 250, f"{comparison.outcome} by night. {said}", right=74 if wide else 12, bottom=38)
    x, y = d.x(0, max(len(nights), 1)), d.y(0, most)
    d.y_axis(y, comparison.outcome)
    _condition_means(d, comparison, y, labelled=wide)
    every = -(-len(nights) // (12 if wide else 5))
    for k, n in enumerate(nights):
        at = (x(k) + x(k + 1)) / 2
        if k % every == 0:
            d.text(at, d.floor + 15, _day(n.date, k), "mid")
        if n.rate is None:
            continue
        if n.id in ends:
            d.line(f"M{at:.1f} {y(ends[n.id][0]):.1f}V{y(ends[n.id][1]):.1f}", "whisker")
        c = comparison.conditions.index(n.condition)
        d.add(condition_sign(c, at, y(n.rate), left_out=n.id in left_out))
    d.across(d.floor, "frame")
    d.x_title("night")
    return d.markup()


def _condition_means(d: Drawing, comparison: Comparison, y: Scale, *, labelled: bool) -> None:
    """The rate of each condition as a line, with its sign and number at the right end."""
    last = -99.0
    means = []
    for c, condition in enumerate(comparison.conditions):
        group = [n for n in comparison.nights if n.condition == condition]
        if hours := sum(n.hours for n in group):
            means.append((sum(n.events for n in group) / hours, c))
    for mean, c in sorted(means, reverse=True):
        d.across(y(mean), f"mean l{c % CONDITIONS}")
        last = max(y(mean), last + 14)  # labels that would lie over each other are pushed apart
        if labelled:
            d.add(condition_sign(c, d.width - d.right + 14, last))
            d.text(d.width - d.right + 24, last + 4, text(mean, "1/h"), "strong")


def forest_figure(rows: Sequence[tuple[str, float, float, float]], *, axis: str) -> Markup:
    """Ratios with intervals on a logarithmic axis; the band is the margin set beforehand.

    Parameters
    ----------
    rows
        Name, ratio, and both ends of its interval.
    """
    return both(lambda width: _forest(rows, axis, width))


def _forest(rows: Sequence[tuple[str, float, float, float]], axis: str, width: float) -> Markup:
    wide = width == WIDE
    row, head = (26.0, 0.0) if wide else (52.0, 28.0)
    words = "; ".join(f"{n}: {v:.2f} ({a:.2f}–{b:.2f})" for n, v, a, b in rows)
    longest = max(len(n) for n, *_ in rows)
    left = min(7.6 * longest + 16, 420.0) if wide else 10.0
    d = Drawing(
        width, 20 + row * len(rows) + 42, f"Ratios. {words}", left=left, right=110 if wide else 12, top=16
    )
    low = max(min(0.5, *(r[2] for r in rows)) * 0.9, 0.02)
    high = min(max(2.0, *(r[3] for r in rows)) * 1.1, 50.0)
    x = d.x(low, high, logarithmic=True)
    d.box((x(MARGIN_LOW.value), x(MARGIN_HIGH.value)), (d.top, d.floor), "margin")
    d.upright(x(1), "one")
    wanted = (0.05, 0.1, 0.25, 0.5, 0.75, 1, 1.33, 2, 4, 10, 20) if wide else (0.1, 0.25, 0.5, 1, 2, 4, 10)
    for value in wanted:
        if low <= value <= high:
            d.line(f"M{x(value):.1f} {d.floor}v4", "frame")
            d.text(x(value), d.floor + 17, plain(value), "mid")
    for k, (name, value, a, b) in enumerate(rows):
        y = d.top + row * k + head + 13
        shown = f"{value:.2f} ({a:.2f}–{b:.2f})"
        if wide:
            d.text(d.left - 10, y + 4, name, "end")
            d.text(width - 4, y + 4, shown, "end strong")
        else:
            d.text(4, y - 26, name)
            d.text(4, y - 11, shown, "strong")
        d.line(f"M{x.inside(a):.1f} {y:.1f}H{x.inside(b):.1f}", "interval-line")
        d.add(Markup('<circle class="point" cx="{:.1f}" cy="{:.1f}" r="4.5"/>').format(x.inside(value), y))
    d.across(d.floor, "frame")
    d.x_title(axis if wide else "rate ratio")
    return d.markup()


def spread_panels(
    nights: Sequence[NightSpread], conditions: Sequence[str], *, axis: str
) -> list[tuple[str, Markup, Markup]]:
    """One panel a condition on common axes: name, sign, and its share of events by class.

    Parameters
    ----------
    nights
        Of one quantity.
    """
    borders = BORDERS[nights[0].quantity]
    shares: dict[str, list[float]] = {}
    for condition in conditions:
        own = [n for n in nights if n.condition == condition and n.n]
        if own:  # every night counts the same
            by_night = [[100 * v / n.n for v in n.counts] for n in own]
            shares[condition] = [sum(v) / len(own) for v in zip(*by_night, strict=True)]
    highest = max((v for s in shares.values() for v in s), default=1.0)
    panels = []
    for c, condition in enumerate(conditions):
        if condition not in shares:
            continue
        own = [n for n in nights if n.condition == condition and n.n]
        middle = sum(n.percentiles[2] for n in own) / len(own)
        total = sum(n.n for n in own)
        alt = (
            f"{condition_words(condition)}: {axis}, {count_of(total, 'event')} of {count_of(len(own), 'night')}; "
            f"median {middle:.3g}"
        )
        d = Drawing(330, 170, alt, left=36, right=8, top=30, bottom=40)
        x, y = d.x(borders[0], borders[-1], logarithmic=True), d.y(0, 1.2 * highest)
        d.y_axis(y, "% of the events of a night", most=4)
        for k, share in enumerate(shares[condition]):
            if share:
                d.box(
                    (x(borders[k]) + 0.6, x(borders[k + 1]) - 0.6),
                    (y(share), d.floor),
                    f"c{c % CONDITIONS} thin",
                )
        d.across(d.floor, "frame")
        for value in x.ticks(6):
            d.text(x(value), d.floor + 15, plain(value), "mid" if x(value) > d.left + 12 else "")
        d.upright(x(middle), "mark")
        right = x(middle) > 240
        d.text(
            x(middle) + (-4 if right else 4),
            d.top + 8,
            f"median {middle:.3g}",
            "end strong" if right else "strong",
        )
        d.x_title(f"{axis}, logarithmic axis")
        panels.append((condition_words(condition), condition_sign(c, 8, 8), d.markup()))
    return panels


def power_figure(plans: Sequence[Plan]) -> Markup:
    """Power over nights in each condition, one curve a planned change."""
    return both(lambda width: _power(plans, width))


def _power(plans: Sequence[Plan], width: float) -> Markup:
    most = max(p.points[-1].nights for p in plans)
    low = min(p.points[0].nights for p in plans)
    words = "; ".join(f"ratio {p.ratio:g}: {p.needed_text}" for p in plans)
    d = Drawing(width, 220, f"Power by nights in each condition. {words}", right=110)
    x, y = d.x(low, max(most, low + 1)), d.y(0, 100)
    d.y_axis(y, "power, %", (0, 20, 40, 60, 80, 100))
    d.x_axis(x, "nights in each condition", most=6)
    for p in plans:
        d.line(path_of((x(q.nights), y(100 * q.power)) for q in p.points), "curve")
        last = p.points[-1]
        d.text(x(last.nights) + 6, y(100 * last.power) + 4, f"to {p.ratio:g} times")
    d.across(y(100 * plans[0].power), "mark")
    return d.markup()


def band_figure(band: QuantileBand) -> Markup:
    """Ratio over the percentiles of a night on a logarithmic axis, with its simultaneous band."""
    return both(lambda width: _band(band, width))


def _band(band: QuantileBand, width: float) -> Markup:
    reach = min(max(1.5, *(max(v, 1 / v) for v in (*band.lows, *band.highs))), 16.0)
    shown = ", ".join(
        f"percentile {100 * q:.0f}: {r:.2f} ({low:.2f}–{high:.2f})"
        for q, r, low, high in zip(band.levels, band.ratios, band.lows, band.highs, strict=True)
    )
    d = Drawing(width, 210, f"Ratio of peaks, {band.condition} to {band.against}. {shown}")
    x, y = d.x(0.08, 0.92), d.y(1 / reach, reach, logarithmic=True)
    for value in (0.25, 0.5, 0.75, 1, 4 / 3, 2, 4):
        if 1 / reach <= value <= reach:
            d.text(d.left - 6, y(value) + 4, f"{value:.2g}", "end")
            d.across(y(value), "rule")
    edge = [
        *zip(band.levels, band.highs, strict=True),
        *reversed([*zip(band.levels, band.lows, strict=True)]),
    ]
    d.line(path_of((x(q), y.inside(v)) for q, v in edge) + "Z", "margin")
    d.across(y(1), "one")
    d.line(path_of((x(q), y.inside(v)) for q, v in zip(band.levels, band.ratios, strict=True)), "curve")
    for q in band.levels:
        d.text(x(q), d.floor + 15, f"{100 * q:.0f}", "mid")
    d.text(4, 13, f"ratio of peaks ({band.unit})")
    d.x_title("percentile of a night's bursts")
    return d.markup()
