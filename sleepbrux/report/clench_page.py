"""The clench test by appliance: figure, tables, what may be said of it; and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from markupsafe import Markup

from sleepbrux.core.json_text import SOFTWARE, json_text
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.reference.clench_test import ASSUMES, SENTENCE, ChannelTest, ClenchTest, Share
from sleepbrux.report.chair_page import bullets, label, page, paragraph, section, svg, table, ticks

WIDTH, LEFT, RIGHT = 1000, 56, 10
TRIALS_HIGH, ROW, NAME_WIDE = 220, 30, 300


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
    return f"{share.pct:.0f} ({share.low:.0f} to {share.high:.0f})"


def change_text(share: Share | None) -> str:
    """Tiredness from clench to clench, with its interval."""
    if share is None:
        return "not told apart from the conditions"
    if share.low is None or share.high is None:
        return f"{share.pct:+z.1f} % a clench (no interval)"
    return f"{share.pct:+z.1f} % a clench ({share.low:+z.1f} to {share.high:+z.1f})"


LEVEL_HEADS = (
    "condition",
    "trials",
    "mean, µV",
    "best of equal numbers, µV",
    "% of natural, as measured",
    "% of natural, without tiredness",
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
            share_text(c.without_tiredness, "100" if c.as_measured is None else "not told apart"),
        ]
        for c in channel.conditions
    ]


def _trials_picture(test: ClenchTest, channel: ChannelTest) -> Markup:
    """Level of each clench in the order made, conditions as bands."""
    known = [(k, t) for k, t in enumerate(test.trials) if channel.label in t.levels_uv]
    top = 1.12 * max(t.levels_uv[channel.label] for _, t in known)
    step = (WIDTH - LEFT - RIGHT) / len(test.trials)

    def y(uv: float) -> float:
        return 26 + (1 - uv / top) * (TRIALS_HIGH - 26 - 24)

    parts = []
    for uv in ticks(top):
        parts += [
            Markup('<path class="grid" d="M{} {:.1f}H{}"/>').format(LEFT, y(uv), WIDTH - RIGHT),
            label(LEFT - 6, y(uv) + 4, f"{uv:g}", "end"),
        ]
    first = 0
    for block, condition in enumerate(test.order):
        n = _block_length(test, first)
        if block % 2 == 0:
            parts.insert(
                0,
                Markup('<rect class="rest" x="{:.1f}" y="4" width="{:.1f}" height="{}"/>').format(
                    LEFT + first * step, n * step, TRIALS_HIGH - 28
                ),
            )
        parts.append(label(LEFT + (first + n / 2) * step, 18, condition, "mid"))
        first += n
    for k, trial in known:
        parts.append(
            Markup('<circle class="mean" cx="{:.1f}" cy="{:.1f}" r="5"/>').format(
                LEFT + (k + 0.5) * step, y(trial.levels_uv[channel.label])
            )
        )
    parts.append(label(LEFT, TRIALS_HIGH - 6, "best 1-s RMS of each clench in µV, in the order made"))
    return svg(WIDTH, TRIALS_HIGH, f"Clenches of {channel.label} in order", *parts)


def _block_length(test: ClenchTest, first: int) -> int:
    condition = test.trials[first].condition
    n = 0
    while first + n < len(test.trials) and test.trials[first + n].condition == condition:
        n += 1
    return n


def _shares_picture(channel: ChannelTest) -> Markup:
    """Each condition in % of natural teeth, with its interval."""
    rows = [(c.condition, c.without_tiredness or c.as_measured) for c in channel.conditions if c.as_measured]
    known = [(name, share) for name, share in rows if share is not None]
    top = 1.05 * max(100.0, *(s.high if s.high is not None else s.pct for _, s in known))
    top = min(top, 400.0)

    def x(pct: float) -> float:
        return NAME_WIDE + min(pct, top) / top * (WIDTH - NAME_WIDE - RIGHT)

    height = ROW * len(known) + 40
    parts = [Markup('<path class="one" d="M{:.1f} 4V{}"/>').format(x(100), height - 34)]
    parts += [label(x(pct), height - 20, f"{pct:g}", "mid") for pct in ticks(top, 8)]
    for k, (name, share) in enumerate(known):
        middle = ROW * k + 18
        parts.append(label(NAME_WIDE - 10, middle + 4, name, "end"))
        if share.low is not None and share.high is not None:
            parts.append(
                Markup('<path class="bar" d="M{:.1f} {}H{:.1f}"/>').format(
                    x(share.low), middle, x(share.high)
                )
            )
        parts.append(Markup('<circle class="mean" cx="{:.1f}" cy="{}" r="5"/>').format(x(share.pct), middle))
    kind = "without tiredness" if channel.tiredness_pct else "as measured"
    text = f"level in % of natural teeth, {kind}, with 95 % interval; dotted: natural teeth"
    parts.append(label(NAME_WIDE, height - 3, text))
    return svg(WIDTH, height, f"{channel.label}: level in % of natural teeth", *parts)


ASYMMETRY_HEADS = ("muscle", "condition", "trials", "(left - right) / (left + right), %")


def asymmetry_rows(test: ClenchTest) -> list[list[str]]:
    """One row a muscle and condition."""
    return [
        [
            a.muscle or "not named",
            a.condition,
            str(a.trials),
            f"{a.pct:+z.1f}" + ("" if a.low is None else f" ({a.low:+z.1f} to {a.high:+z.1f})"),
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
        span = f"{min(known):.2f} to {max(known):.2f}" if known else "-"
        more = f" (+{n.not_computable} not computable)" if n.not_computable else ""
        rows.append([n.condition, f"{len(known)}{more}", mean, span])
    return rows


NIGHTS_TEXT = (
    "Episodes per valid hour of the same person's nights, as they were scored; side by side only. The "
    "levels above explain none of it: see the first sentence."
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
                _trials_picture(test, channel),
                *([_shares_picture(channel)] if _comparable(channel) else []),
                table("Best 1-s RMS of each clench", LEVEL_HEADS, level_rows(channel), words=2),
                paragraph(
                    f"Tiredness: {change_text(channel.tiredness_pct)}. Degrees of freedom: {channel.degrees}."
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
