"""The clench test by appliance: figure, tables, what may be said of it; and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

from markupsafe import Markup

from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.reference.clench_test import ASSUMES, SENTENCE, ChannelTest, ClenchTest, Share
from sleepbrux.report.axes import WIDE, Drawing, both
from sleepbrux.report.chair_page import bullets, page, paragraph, section, table
from sleepbrux.report.numbers import minus


@dataclass(frozen=True)
class NightsBeside:
    """Nights of the same person under one condition; ``rates`` are episodes per valid hour."""

    condition: str
    rates: tuple[float, ...]
    not_computable: int


def share_text(share: Share | None, missing: str = "-") -> str:
    """``"82 (76 to 89)"``; the value alone where the trials allow no interval."""
    if share is None:
        return missing
    if share.low is None or share.high is None:
        return f"{share.pct:.0f} (no interval)"
    return f"{share.pct:.0f} ({share.low:.0f}–{share.high:.0f})"


def change_text(share: Share | None) -> str:
    """Tiredness from clench to clench, with its interval."""
    if share is None:
        return "not separable from the conditions"
    if share.low is None or share.high is None:
        return minus(f"{share.pct:+z.1f} % a clench (no interval)")
    return minus(f"{share.pct:+z.1f} % a clench ({share.low:+z.1f} to {share.high:+z.1f})")


def answers(test: ClenchTest) -> Iterator[str]:
    """What each condition reached in % of natural teeth, a line each."""
    found: dict[str, list[str]] = {}
    for channel in test.channels:
        for level in channel.conditions:
            if level.as_measured is not None:
                where = " ".join(filter(None, (channel.side, channel.muscle))) or channel.label
                found.setdefault(level.condition, []).append(f"{where} {level.as_measured.pct:.0f} %")
    for condition, levels in found.items():
        yield f"{condition}: {', '.join(levels)} of the clench on natural teeth"


LEVEL_HEADS = (
    "condition",
    "trials",
    "mean, µV",
    "best of equal numbers, µV",
    "% of natural, as measured",
    "% of natural, without fatigue",
)


def level_rows(channel: ChannelTest) -> list[list[str]]:
    """One row a condition, in the order of `LEVEL_HEADS`."""
    return [
        [
            c.condition,
            ", ".join(f"{uv:.0f}" for uv in c.trials_uv),
            f"{c.mean_uv:.0f}",
            f"{c.best_uv:.0f} (of {channel.equal_trials})",
            share_text(c.as_measured, "100"),
            share_text(c.without_tiredness, "100" if c.as_measured is None else "not separable"),
        ]
        for c in channel.conditions
    ]


def _trials_figure(test: ClenchTest, channel: ChannelTest, width: float) -> Markup:
    """Level of each clench in the order made, conditions as bands."""
    known = [
        (k, t.levels_uv[channel.label]) for k, t in enumerate(test.trials) if channel.label in t.levels_uv
    ]
    said = ", ".join(f"{test.trials[k].condition} {uv:.0f}" for k, uv in known)
    d = Drawing(width, 220, f"Clenches of {channel.label} in the order made, µV: {said}", top=40, bottom=24)
    x, y = d.x(0, len(test.trials)), d.y(0, 1.05 * max(uv for _, uv in known))
    first = 0
    for block, condition in enumerate(test.order):
        n = _block_length(test, first)
        if block % 2 == 0:
            d.box((x(first), x(first + n)), (d.top - 18, d.floor), "rest")
        room = int((x(first + n) - x(first)) // 7.6)
        shown = condition if len(condition) <= room else condition[: max(room - 1, 1)] + "…"
        d.text((x(first) + x(first + n)) / 2, d.top - 5, shown, "mid")
        first += n
    d.y_axis(y, "best 1-s RMS, µV")
    for k, uv in known:
        d.add(Markup('<circle class="spot" cx="{:.1f}" cy="{:.1f}" r="4.5"/>').format(x(k + 0.5), y(uv)))
    d.x_title("clenches in the order made")
    return d.markup()


def _block_length(test: ClenchTest, first: int) -> int:
    condition = test.trials[first].condition
    n = 0
    while first + n < len(test.trials) and test.trials[first + n].condition == condition:
        n += 1
    return n


def _shares_figure(channel: ChannelTest, width: float) -> Markup:
    """Each condition in % of natural teeth, with its interval."""
    rows = [(c.condition, c.without_tiredness or c.as_measured) for c in channel.conditions if c.as_measured]
    known = [(name, share) for name, share in rows if share is not None]
    kind = "without fatigue" if channel.tiredness_pct else "as measured"
    said = "; ".join(f"{name} {share_text(share)}" for name, share in known)
    wide = width == WIDE
    row, head = (28.0, 0.0) if wide else (54.0, 28.0)
    d = Drawing(
        width,
        row * len(known) + 56,
        f"{channel.label}: level in % of natural teeth, {kind}, with 95 % interval: {said}",
        left=240 if wide else 10,
        right=110 if wide else 12,
        top=10,
    )
    x = d.x(0, min(1.05 * max(100.0, *(s.high if s.high is not None else s.pct for _, s in known)), 400.0))
    d.x_axis(x, f"% of natural teeth, {kind}")
    d.upright(x(100), "one")
    for k, (name, share) in enumerate(known):
        y = d.top + row * k + head + 14
        d.text(d.left - 8 if wide else 4, y + 4 if wide else y - 26, name, "end" if wide else "")
        if share.low is not None and share.high is not None:
            d.line(f"M{x.inside(share.low):.1f} {y:.1f}H{x.inside(share.high):.1f}", "interval-line")
        d.add(
            Markup('<circle class="point" cx="{:.1f}" cy="{:.1f}" r="4.5"/>').format(x.inside(share.pct), y)
        )
        d.text(
            width - 4 if wide else 4,
            y + 4 if wide else y - 11,
            share_text(share),
            "end strong" if wide else "strong",
        )
    return d.markup()


ASYMMETRY_HEADS = ("muscle", "condition", "trials", "(left − right) / (left + right), %")


def asymmetry_rows(test: ClenchTest) -> list[list[str]]:
    """One row a muscle and condition."""
    return [
        [
            a.muscle or "not named",
            a.condition,
            str(a.trials),
            minus(f"{a.pct:+z.1f}" + ("" if a.low is None else f" ({a.low:+z.1f} to {a.high:+z.1f})")),
        ]
        for a in test.asymmetry
    ]


NIGHT_HEADS = ("condition", "nights", "mean of nights", "lowest to highest night")


def night_rows(nights: Sequence[NightsBeside]) -> list[list[str]]:
    """One row a condition; episodes per valid hour."""
    rows = []
    for n in nights:
        known = n.rates
        mean = f"{sum(known) / len(known):.2f}" if known else "-"
        span = f"{min(known):.2f}–{max(known):.2f}" if known else "-"
        more = f" (+{n.not_computable} not computable)" if n.not_computable else ""
        rows.append([n.condition, f"{len(known)}{more}", mean, span])
    return rows


NIGHTS_TEXT = (
    "Episodes per valid hour of the same person's nights, as they were scored; the levels "
    "above explain none of it: see the first sentence."
)


def clench_page(test: ClenchTest, nights: Sequence[NightsBeside] = ()) -> str:
    """The whole page."""
    parts = [
        section(
            "What this shows",
            paragraph(SENTENCE),
            paragraph(test.tiredness),
            paragraph("Order: " + ", ".join(test.order) + "."),
            *([bullets([f"{n.severity}: {n.text}" for n in test.notes])] if test.notes else []),
        )
    ]
    for channel in test.channels:
        about = " ".join(filter(None, (channel.muscle, channel.side)))
        parts.append(
            section(
                f"{channel.label}{f' ({about})' if about else ''}",
                both(partial(_trials_figure, test, channel)),
                *([both(partial(_shares_figure, channel))] if _comparable(channel) else []),
                table("Best 1-s RMS of each clench", LEVEL_HEADS, level_rows(channel), words=2),
                paragraph(
                    f"Fatigue: {change_text(channel.tiredness_pct)}. Degrees of freedom: {channel.degrees}."
                ),
            )
        )
    if test.asymmetry:
        parts.append(
            section(
                "Left and right",
                table(
                    "Asymmetry, mean over trials, 95 % interval by t; positive: left is stronger",
                    ASYMMETRY_HEADS,
                    asymmetry_rows(test),
                    words=2,
                ),
            )
        )
    if nights:
        parts.append(section("The same person's nights", table(NIGHTS_TEXT, NIGHT_HEADS, night_rows(nights))))
    parts.append(section("What the intervals assume", paragraph(ASSUMES)))
    return page(f"{test.name}: clench test by appliance", parts)


def _comparable(channel: ChannelTest) -> bool:
    return any(c.as_measured for c in channel.conditions)


def clench_json(test: ClenchTest, nights: Sequence[NightsBeside] = (), *, person: str = "") -> str:
    """Everything on the page as JSON, and whose clenches they are where a study says it."""
    table_: dict[str, Any] = {
        "schema_version": "2.0",
        "software": SOFTWARE,
        "statement": SENTENCE,
        "assumes": ASSUMES,
        "person": person,
        **_rounded(asdict(test)),
        "nights": [_rounded(asdict(n)) for n in nights],
        "purpose": PURPOSE,
    }
    return json_text(table_)


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return [_rounded(v) for v in value] if isinstance(value, (list, tuple)) else value
