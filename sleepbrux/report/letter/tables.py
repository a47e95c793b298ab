"""The tables of a letter, as heads and rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sleepbrux.analysis.comparison import ConditionRow, Contrast, by_condition, mixed_bases, night_row
from sleepbrux.analysis.comparison.sentences import ALIKE, plain_verdict
from sleepbrux.report.letter.answer import EPISODES
from sleepbrux.report.letter.compared import NightsCompared
from sleepbrux.report.letter.nights import clean
from sleepbrux.report.letter.shown_nights import ShownNight
from sleepbrux.report.numbers import listed, text
from sleepbrux.report.wording import condition_words, widest_interval, window_words
from sleepbrux.scoring.measures import Measure
from sleepbrux.scoring.night import Night

KINDS = ("phasic", "tonic", "mixed")
EMPTY = "–"
MEANINGS = {
    "scaled_counting": "95 % interval: this night only, with episodes that cluster allowed for.",
    "counting_noise": "* Poisson interval, too narrow because episodes cluster; fewer than 5 events or 4 valid "
    "hours give no better one.",
}


def rate_cell(measure: Measure | None) -> str:
    """A measure as a cell; a dash where it has no value."""
    if measure is None or measure.value is None:
        return EMPTY
    return text(measure.value, measure.unit)


def day_of(night: Night) -> str:
    """Day on which a recording began."""
    return f"{night.swept.start:%Y-%m-%d}" if night.swept.start else "unknown"


def night_table(nights: Sequence[ShownNight], *, dates: bool) -> dict[str, Any]:
    """The nights one by one."""
    heads = [
        "night",
        *(["date"] if dates else []),
        "worn",
        "valid h",
        "episodes",
        "per hour",
        "95 % interval",
    ]
    heads += [*KINDS, "report and archive"]
    rows = []
    for one in nights:
        m = one.night.measures
        index = m["episodes_per_hour"]
        rows.append(
            [
                one.name,
                *([day_of(one.night)] if dates else []),
                condition_words(one.condition),
                text(m["valid_hours"].value, "h"),
                text(m["episode_count"].value, "1"),
                rate_cell(index),
                widest_interval(index) or EMPTY,
                *(rate_cell(m.get(f"{k}_episodes_per_hour")) for k in KINDS),
                f"{one.report} {one.archive[:8]}",
            ]
        )
    return {"heads": heads, "rows": cleaned(rows), "left": 3 if dates else 2}


def cleaned(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """Cells as a letter may hold them."""
    return [[clean(cell) for cell in row] for row in rows]


def index_table(night: Night) -> dict[str, Any]:
    """Rates of one night by kind with their intervals, and what the intervals mean."""
    rows, meanings = [], dict[str, None]()
    for name, label in (
        ("episodes_per_hour", "all episodes"),
        *((f"{k}_episodes_per_hour", f"{k} episodes") for k in KINDS),
        ("bursts_per_hour", "bursts in episodes"),
    ):
        measure = night.measures[name]
        if measure.value is None:
            rows.append([label, EMPTY, EMPTY])
            meanings[f"{label[:1].upper()}{label[1:]}: {measure.reason}."] = None
            continue
        shown = widest_interval(measure) or EMPTY
        for drawn in measure.intervals[-1:]:
            meanings[MEANINGS.get(drawn.name, drawn.meaning)] = None
            shown += "*" if drawn.name == "counting_noise" else ""
        rows.append([label, text(measure.value, measure.unit), shown])
    heads = ["counted", f"per hour {window_words(night.selection.basis)}", "95 % interval"]
    return {"heads": heads, "rows": cleaned(rows), "left": 1, "small": " ".join(meanings)}


def condition_rows(nights: Sequence[ShownNight], kept: Sequence[str]) -> tuple[list[ConditionRow], list[str]]:
    """The nights that are kept, by condition, and why they cannot be put side by side where that is so."""
    rows = [night_row(one.id, one.condition, one.night) for one in nights if one.id in kept]
    return by_condition(rows), mixed_bases(rows)


def condition_table(
    nights: Sequence[ShownNight], rows: Sequence[ConditionRow], said: NightsCompared
) -> dict[str, Any]:
    """The conditions side by side."""
    against = {c.condition: c for c in said.contrasts if c.against == said.baseline}
    heads = ["worn", "nights", "valid h", "episodes", "per hour", "lowest–highest"]
    heads += ["ratio (95 % interval)", "verdict"] if against else []
    table = {r.condition: [condition_words(r.condition), *_condition_cells(r)] for r in rows}
    found = []
    for name in dict.fromkeys(one.condition for one in nights):
        row = table.get(name) or [condition_words(name), "0", EMPTY, EMPTY, EMPTY, "no night compared"]
        found.append(row + (_ratio_cells(against.get(name)) if against else []))
    small = f"Per hour {listed(sorted({window_words(one.night.selection.basis) for one in nights}))}."
    if against:
        what = "" if said.outcome == EPISODES else f" of {said.outcome}"
        weighted = any(c.by_valid_hours is not None for c in against.values())
        hour = ", allowing for the hour of the night" if weighted else ""
        small += f" Ratio{what} to {condition_words(said.baseline)}{hour}."
        if any(c.verdict == ALIKE for c in against.values()):
            small += f" About the same: {ALIKE}."
    return {"heads": heads, "rows": cleaned(found), "left": 1, "small": clean(small)}


def _condition_cells(row: ConditionRow) -> list[str]:
    return [
        str(row.nights),
        text(row.valid_hours, "h"),
        str(row.episodes),
        text(row.rate_per_hour, "1/h") if row.rate_per_hour is not None else EMPTY,
        f"{text(row.lowest, '1/h')}–{text(row.highest, '1/h')}" if row.nights > 1 else "one night",
    ]


def _ratio_cells(contrast: Contrast | None) -> list[str]:
    if contrast is None:
        return [EMPTY, EMPTY]
    found = contrast.ratio
    ratio = f"{found.ratio:.2f} ({found.low:.2f}–{found.high:.2f})" if found else EMPTY
    return [ratio, plain_verdict(contrast.verdict)]
